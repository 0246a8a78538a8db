"""The demo's places, sources, jigs and probes: an invented hospital group. Days count back from the end (``ago``)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from numpy.random import Generator

from analytics.simulate.design import CO57_WINDOW, TC99M_WINDOW, Jig, Probe, Site, Source

DAYS = 1096.0
QUILLMERE, OSTRELM, HAVENROOK = "Quillmere General", "Ostrelm Breast Centre", "Havenrook Day Surgery"
BOTH = (CO57_WINDOW, TC99M_WINDOW)
# Kind of head -> detector, connection, diameter in mm, FWHM at 122 keV in %, sensitivity in the jig, price.
HEADS = {
    "straight": ("CZT", "cabled", 12.0, 7.0, 6.2, 21_000.0),
    "angled": ("CZT", "cabled", 14.0, 7.6, 7.1, 23_500.0),
    "slim": ("CdTe", "cabled", 9.0, 8.8, 4.1, 26_000.0),
    "long-shaft": ("CsI(Tl)", "cabled", 11.0, 17.0, 5.4, 27_500.0),
    "wide": ("NaI(Tl)", "cabled", 16.0, 11.5, 8.3, 19_000.0),
    "wireless": ("CZT", "wireless", 11.0, 8.2, 5.6, 29_000.0),
}


def ago(days: float) -> float:
    """The day so long before the end."""
    return DAYS - days


SITES = (
    Site(
        QUILLMERE,
        background_cps=3.1,
        weekday=1,
        room_c=21.0,
        room_swing_c=1.2,
        operators=("NM tech 1", "NM tech 2", "NM tech 3", "theatre tech 1"),
    ),
    Site(
        OSTRELM,
        background_cps=2.2,
        weekday=0,
        background_time_s=30.0,
        room_c=22.0,
        room_swing_c=1.8,
        operators=("theatre tech 2", "theatre tech 3", "NM tech 4"),
    ),
    Site(
        HAVENROOK,
        background_cps=4.4,
        weekday=3,
        room_c=22.5,
        room_swing_c=3.0,
        operators=("theatre tech 4", "theatre tech 5"),
    ),
)
JIGS = (
    Jig("JIG-Q1", QUILLMERE, 25.0),
    Jig("JIG-Q2", QUILLMERE, 25.0, knocked_day=ago(75), by_mm=1.0),
    Jig("JIG-O1", OSTRELM, 28.0),
    Jig("JIG-H1", HAVENROOK, 22.0),
)
SOURCES = (
    Source("CK-Q1", QUILLMERE, -240.0, 212.0, -220.0, ago(742), activity_factor=1.008),
    Source("CK-Q2", QUILLMERE, ago(764), 205.0, ago(742), ago(207), activity_factor=0.988),
    Source("CK-Q3", QUILLMERE, ago(229), 208.0, ago(207), activity_factor=1.006, reference_error_days=31.0),
    Source("CK-O1", OSTRELM, -90.0, 118.0, -70.0, ago(800), activity_factor=0.994),
    Source("CK-O2", OSTRELM, ago(815), 121.0, ago(800), ago(310), activity_factor=1.017),
    Source("CK-O3", OSTRELM, ago(330), 117.0, ago(310), activity_factor=1.004, excess_decay_pct_per_year=10.0),
    Source("CK-H1", HAVENROOK, -130.0, 66.0, -100.0, ago(655), activity_factor=1.012, uncertainty_pct=2.5),
    Source("CK-H2", HAVENROOK, ago(670), 62.0, ago(655), activity_factor=0.985, uncertainty_pct=2.5),
)
SOURCE_STORIES = {
    "CK-Q3": "Its reference date was written down a month late: every probe at Quillmere seems to lose 8 % in one day.",
    "CK-O3": "It falls 10 % a year faster than Co-57 does, and every probe at Ostrelm seems to fall with it.",
    "CK-H2": "It is sound, but it has grown weak: a ten-second counting on it no longer reaches 3 %.",
}
JIG_STORIES = {"JIG-Q2": "It was knocked 75 days before the end and holds the source 1 mm further away."}


# Head, and what differs from the usual, of each probe in the order of its number.
_Line = Sequence[tuple[str, dict[str, object]]]
_QUILLMERE: _Line = [
    ("straight", {"windows": BOTH}),
    ("straight", {}),
    ("angled", {"windows": BOTH}),
    ("angled", {"repeats": 3}),
    ("long-shaft", {"windows": BOTH}),
    ("straight", {}),
    ("angled", {}),
    ("straight", {"logs_temperature": True}),
    ("straight", {}),
    ("long-shaft", {}),
    ("angled", {}),
    ("wide", {}),
    ("straight", {"side_every_days": 91.0}),
    ("wireless", {"logs_battery": True}),
    ("slim", {"logs_on_minutes": True}),
    ("angled", {}),
    ("wireless", {"logs_battery": True}),
    ("straight", {}),
    ("angled", {}),
    ("straight", {"windows": BOTH}),
    ("long-shaft", {"side_every_days": 91.0}),
    ("slim", {"logs_on_minutes": True}),
]
_OSTRELM: _Line = [
    ("straight", {}),
    ("angled", {"windows": BOTH}),
    ("straight", {"windows": BOTH}),
    ("angled", {}),
    ("wide", {"side_every_days": 91.0}),
    ("wireless", {"logs_battery": True}),
    ("straight", {}),
    ("angled", {}),
    ("long-shaft", {}),
    ("straight", {}),
    ("angled", {"repeats": 3}),
]
_HAVENROOK: _Line = [
    ("straight", {}),
    ("wide", {"logs_temperature": True}),
    ("angled", {"windows": BOTH}),
    ("straight", {}),
    ("wide", {}),
    ("straight", {"windows": BOTH}),
    ("angled", {"repeats": 10}),
    ("wireless", {"logs_battery": True}),
]


def demo_probes(rng: Generator) -> list[Probe]:
    """The 41 probes as set up: QU-01 to QU-22 and OS-01 to OS-11 checked weekly, HV-01 to HV-08 monthly."""
    found: list[Probe] = []
    for prefix, site, line in (("QU", QUILLMERE, _QUILLMERE), ("OS", OSTRELM, _OSTRELM), ("HV", HAVENROOK, _HAVENROOK)):
        for number, (head, differs) in enumerate(line, start=1):
            jig = f"JIG-{prefix[0]}{2 if prefix == 'QU' and number > 17 else 1}"
            found.append(_probe(f"{prefix}-{number:02d}", site, head, jig, differs, rng))
    return found


def _probe(name: str, site: str, head: str, jig: str, differs: dict[str, object], rng: Generator) -> Probe:
    detector, connection, diameter_mm, fwhm_pct, sensitivity, price = HEADS[head]
    usual: dict[str, object] = {
        "name": name,
        "site": site,
        "detector": detector,
        "model_type": head,
        "connection": connection,
        "diameter_mm": diameter_mm,
        "in_service_day": -float(rng.integers(60, 2600)),
        "replacement_cost": price,
        "dead_time_us": round(float(rng.uniform(2.0, 14.0)), 1),
        "paralysable": detector == "NaI(Tl)",
        "fwhm_pct": fwhm_pct * math.exp(float(rng.normal(0.0, 0.05))),
        "gain_offset_pct": float(rng.normal(0.0, 0.35)),
        "scatter_per_kev": float(rng.uniform(0.0004, 0.0012)),
        "sensitivity_cps_per_kbq": sensitivity * math.exp(float(rng.normal(0.0, 0.07))),
        "repositioning_pct": float(rng.uniform(0.6, 1.2)),
        "side_leak_pct": float(rng.uniform(0.08, 0.3)),
        "cadence_days": 30.4 if site == HAVENROOK else 7.0,
        "phase_days": float(rng.integers(0, 3)),
        "window_check_phase": float(rng.uniform(0.02, 0.9)),
        "jig": jig,
        "readout": f"CU-{name[:2]}{1 if jig.endswith('2') or rng.random() < 0.7 else 2}",
        "gaps": ((ago(448.0), ago(425.0)),) if site == OSTRELM and rng.random() < 0.6 else (),
    }
    return Probe(**(usual | differs))  # type: ignore[arg-type]
