"""Random but plausible sites, sources and probes for a fleet."""

from __future__ import annotations

import math

import numpy as np
from numpy.random import Generator

from analytics.simulate.design import CO57_WINDOW, TC99M_WINDOW, Jig, Probe, Site, Source

# Detector -> share of the fleet, FWHM at 122 keV in per cent (invented ranges around what such detectors do).
DETECTORS = {
    "CZT": (0.45, 5.0, 9.0),
    "CsI(Tl)": (0.25, 15.0, 22.0),
    "NaI(Tl)": (0.18, 10.0, 14.0),
    "CdTe": (0.12, 6.5, 10.0),
}
TYPICAL_SENSITIVITY = 6.0  # cps/kBq in the jig
SWAP_DAYS = 500.0


def draw_sites(count: int, rng: Generator) -> tuple[Site, ...]:
    """Sites with their own background level, week day and counting habits."""
    return tuple(
        Site(
            name=f"Site {number + 1}",
            background_cps=float(np.exp(rng.uniform(math.log(1.0), math.log(9.0)))),
            background_overdispersion=float(rng.uniform(0.03, 0.10)),
            weekday=int(rng.integers(0, 5)),
            background_time_s=float(rng.choice([10.0, 10.0, 30.0, 60.0])),
            operators=tuple(f"tech {number + 1}{letter}" for letter in "abcde"[: int(rng.integers(2, 6))]),
            room_c=float(rng.uniform(19.5, 22.5)),
            room_swing_c=float(rng.uniform(0.5, 2.5)),
        )
        for number in range(count)
    )


def draw_sources(
    sites: tuple[Site, ...], days: float, rng: Generator, *, activity_error_pct: float = 1.5
) -> list[Source]:
    """Sources that follow each other at each site about every 500 days, at times of the site's own.

    A typical probe starts with 1,300 to 12,500 counts in 10 s on a new source; the certificate is off by
    ``activity_error_pct`` (k=1).
    """
    found: list[Source] = []
    for number, site in enumerate(sites):
        first_counts = math.exp(rng.uniform(math.log(1_300.0), math.log(12_500.0)))
        used_from = -float(rng.integers(20, int(SWAP_DAYS) - 40))
        serial = 1
        while used_from < days:
            used_to = used_from + float(rng.integers(int(SWAP_DAYS) - 60, int(SWAP_DAYS) + 61))
            activity = first_counts / 10.0 / TYPICAL_SENSITIVITY * math.exp(rng.normal(0.0, 0.08))
            found.append(
                Source(
                    name=f"CK-{number + 1}{chr(64 + serial)}",
                    site=site.name,
                    reference_day=used_from - float(rng.integers(5, 40)),
                    activity_kbq=round(activity, 1),
                    used_from=used_from,
                    used_to=used_to,
                    activity_factor=math.exp(rng.normal(0.0, activity_error_pct / 100.0)),
                    uncertainty_pct=activity_error_pct,
                )
            )
            used_from, serial = used_to, serial + 1
    return found


def draw_jigs(sites: tuple[Site, ...], rng: Generator) -> tuple[Jig, ...]:
    """One jig for each site."""
    return tuple(Jig(f"J-{number + 1}", site.name, float(rng.uniform(20.0, 32.0))) for number, site in enumerate(sites))


def draw_probes(
    count: int, sites: tuple[Site, ...], days: float, rng: Generator, *, cadence_days: float, two_windows: float
) -> list[Probe]:
    """Probes of mixed kinds spread over the sites, each with habits of its own."""
    weights = rng.uniform(0.5, 1.5, len(sites))
    least = min(8, count // len(sites))
    extra = rng.multinomial(count - least * len(sites), weights / weights.sum())
    home = np.repeat(np.arange(len(sites)), least + extra)
    kinds = list(DETECTORS)
    found: list[Probe] = []
    for number, place in enumerate(home):
        detector = str(rng.choice(kinds, p=[DETECTORS[kind][0] for kind in kinds]))
        _, narrow, wide = DETECTORS[detector]
        wireless = bool(rng.random() < 0.35)
        gap_count = int(rng.choice([0, 1, 2], p=[0.55, 0.35, 0.10]))
        starts = rng.uniform(30.0, days - 30.0, gap_count)
        repeats = int(rng.choice([1, 3, 10], p=[0.82, 0.16, 0.02]))
        found.append(
            Probe(
                name=f"P-{number + 1:03d}",
                site=sites[place].name,
                detector=detector,
                model_type=f"type {detector[0]}{int(wireless) + 1}",
                connection="wireless" if wireless else "cabled",
                diameter_mm=float(rng.choice([9.0, 11.0, 12.0, 14.0, 16.0])),
                in_service_day=-float(rng.integers(30, 2500)),
                dead_time_us=round(float(rng.uniform(0.0, 15.0)), 1),
                paralysable=bool(rng.random() < 0.2),
                fwhm_pct=float(rng.uniform(narrow, wide)),
                gain_offset_pct=float(rng.normal(0.0, 0.5)),
                scatter_per_kev=float(rng.uniform(0.0003, 0.0015)),
                sensitivity_cps_per_kbq=TYPICAL_SENSITIVITY * math.exp(float(rng.normal(0.0, 0.18))),
                repositioning_pct=float(rng.uniform(0.6, 1.4)),
                side_leak_pct=float(rng.uniform(0.05, 0.4)),
                cadence_days=cadence_days,
                phase_days=float(rng.integers(0, max(1, int(cadence_days)))),
                background_every=int(rng.choice([1, 2], p=[0.85, 0.15])),
                repeats=repeats,
                reseated_repeats=bool(rng.random() < 0.3),
                windows=(CO57_WINDOW, TC99M_WINDOW) if rng.random() < two_windows else (CO57_WINDOW,),
                window_check_phase=float(rng.random()),
                side_every_days=91.0 if rng.random() < 0.3 else math.inf,
                logs_temperature=bool(rng.random() < 0.3),
                logs_battery=wireless and bool(rng.random() < 0.7),
                logs_on_minutes=detector == "CdTe" or bool(rng.random() < 0.1),
                jig=f"J-{place + 1}",
                readout=f"CU-{place + 1}{'ab'[int(rng.random() < 0.4)]}",
                gaps=tuple((float(start), float(start + rng.integers(21, 70))) for start in starts),
            )
        )
    return found
