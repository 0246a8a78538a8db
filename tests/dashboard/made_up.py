"""A fixture, not the analysis: a small fleet with records and a hand-written answer, to try pages on any story."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from analytics.records import snapshot
from analytics.records.snapshot import Records
from analytics.results import (
    COUNTING_COLUMNS,
    POINT_COLUMNS,
    Alert,
    Crossing,
    DeviceResult,
    FleetAssessment,
    ProbeResult,
    Reference,
    SeriesResult,
)
from tests.dashboard.made_up_words import ACTIVITY_KBQ, AS_OF, HALF_LIFE_DAYS, START, alerts_of, source_of, verdict_of

STORIES = ("healthy", "slow_fall", "losing", "slipping", "dead", "splashed", "overdue", "young", "worn_out")


@dataclass
class _Made:
    """What grows while the fleet is written down."""

    rng: np.random.Generator
    readings: list[dict[str, object]] = field(default_factory=list)
    events: list[dict[str, object]] = field(default_factory=list)
    points: list[pd.DataFrame] = field(default_factory=list)
    countings: list[dict[str, object]] = field(default_factory=list)
    series: list[SeriesResult] = field(default_factory=list)
    probes: list[ProbeResult] = field(default_factory=list)
    checks: int = 0


def fleet(
    stories: tuple[str, ...] = STORIES + ("healthy",) * 8, *, revision: int = 7
) -> tuple[Records, FleetAssessment]:
    """One probe a story, weekly checks over two years on three sites, with the answer a right analysis would give."""
    made = _Made(np.random.default_rng(20250630))
    sites = ("Northfield", "Harbour", "Old Mill")
    names = [f"GP-{i + 1:03d}" for i in range(len(stories))]
    for i, (name, story) in enumerate(zip(names, stories, strict=True)):
        _one(made, name, sites[i % 3], f"CK-{'ABC'[i % 3]}1", f"J{i % 3 + 1}", story)
    registered = {
        "probe": names,
        "site": [sites[i % 3] for i in range(len(names))],
        "detector": ["CdTe", "CsI(Tl)"][:1] * len(names),
        "model_type": ["straight"] * len(names),
        "in_service_on": [START] * len(names),
        "dead_time_us": [10.0] * len(names),
        "dead_time_model": ["non_paralysable"] * len(names),
    }
    records = Records(
        revision=revision,
        readings=snapshot.Records.table(snapshot.READINGS, pd.DataFrame(made.readings)),
        probes=Records.table(snapshot.PROBES, registered),
        sources=Records.table(
            snapshot.SOURCES,
            {
                "source": ["CK-A1", "CK-B1", "CK-C1"],
                "nuclide": ["Co-57"] * 3,
                "reference_at": [START] * 3,
                "activity_kbq": [ACTIVITY_KBQ] * 3,
                "activity_uncertainty_pct": [2.5] * 3,
                "site": list(sites),
            },
        ),
        windows=Records.table(
            snapshot.WINDOWS, {"window": ["Co-57"], "nuclide": ["Co-57"], "centre_kev": [122.06], "width_pct": [20.0]}
        ),
        events=Records.table(snapshot.EVENTS, pd.DataFrame(made.events) if made.events else None),
        inspections=Records.table(snapshot.INSPECTIONS),
        uses=Records.table(snapshot.USES),
        outcomes=Records.table(snapshot.OUTCOMES),
        decisions=Records.table(snapshot.DECISIONS),
    )
    return records, _answer(made, revision)


def empty() -> tuple[Records, FleetAssessment]:
    """Nothing registered, nothing read."""
    return fleet((), revision=0)


def _one(made: _Made, probe: str, site: str, source: str, jig: str, story: str) -> None:
    days = np.arange(0, (AS_OF - START).days, 7)
    if story == "overdue":
        days = days[:-8]
    if story == "young":
        days = days[-3:]
    days = days[(days < 300) | (days > 390)] if story == "slow_fall" else days  # nothing was read for three months
    at = [START + timedelta(days=int(d), minutes=int(made.rng.integers(0, 120)), seconds=90) for d in days]
    rising = np.clip(days - 400, 0, None) / 365.25
    true_pct = (
        100
        + made.rng.normal(0, 0.8)
        + made.rng.normal(0, 0.5) * days / 365.25
        - rising * {"slow_fall": 3.0, "losing": 11.0, "slipping": 14.0, "worn_out": 17.0}.get(story, 0.0)
    )
    if story == "slipping":
        true_pct = 100 - np.clip(days - 520, 0, None) ** 1.6 / 700
    sd_pct = np.full(len(days), 1.1)
    value_pct = true_pct + made.rng.normal(0, sd_pct)
    flags = np.where(np.arange(len(days)) < 20, "reference", "used").astype(object)
    if story == "healthy" and len(days) > 60:
        flags[60], value_pct[60] = "lone_outlier", 84.0
        flags[33] = "excluded"
    if story == "dead":
        flags[-2:], value_pct[-2:] = "no_signal", np.nan
    unit, base = "cps/kBq", 2.3 + 0.05 * (len(made.probes) % 5)
    response = _points(made, at, value_pct * base / 100, sd_pct * base / 100, base, flags, source, jig)
    _countings(made, probe, source, jig, at, value_pct * base / 100, days)
    current = float(true_pct[-1]) if story not in ("young", "dead", "overdue") else None
    slope = float((true_pct[-1] - true_pct[-20]) / (days[-1] - days[-20]) * 365.25) if len(days) > 20 else None
    alerts = alerts_of(probe, story, at)
    crossing = None
    if story in ("losing", "slipping", "slow_fall") and current is not None and slope is not None and slope < -1:
        away = int((current - 90) / -slope * 365.25)
        crossing = Crossing(
            90.0,
            *(AS_OF.date() + timedelta(days=int(max(away, 20) * f)) for f in (0.6, 1.0, 1.8)),
            {90: 0.3, 182: 0.5, 365: 0.9},
        )
    made.series.append(
        SeriesResult(
            index=len(made.series),
            probe=probe,
            window="Co-57",
            jig=jig,
            collimator=None,
            nuclide="Co-57",
            quantity="response",
            unit=unit,
            readings=len(days),
            latest_at=at[-1],
            reference=None
            if story == "young"
            else Reference(base, 0.005 * base, unit, 20, at[0], at[min(19, len(at) - 1)]),
            current=None if current is None else current * base / 100,
            current_interval=None if current is None else ((current - 0.8) * base / 100, (current + 0.8) * base / 100),
            current_pct=current,
            drift_per_year=None if slope is None else slope * base / 100,
            drift_interval=None if slope is None else ((slope - 1.2) * base / 100, (slope + 1.2) * base / 100),
            drift_pct_per_year=slope,
            crossing=crossing,
            repeat_requested=False,
            alerts=alerts,
            action_pct=5.0,
            tolerance_pct=10.0,
        )
    )
    made.points.append(response)
    level = np.where(days > 700, 9.0, 3.0) if story == "splashed" else np.full(len(days), 3.0)
    _add(
        made,
        probe,
        "background",
        "cps",
        at,
        level + made.rng.normal(0, 0.4, len(days)),
        0.5,
        3.0,
        jig=None,
        alerts=tuple(a for a in alerts if a.rule == "background"),
    )
    shift = np.clip(days - 450, 0, None) / 60 if story == "slipping" else np.zeros(len(days))
    _add(
        made,
        probe,
        "window_shift",
        "% of photopeak energy",
        at[::4],
        (shift + made.rng.normal(0, 0.25, len(days)))[::4],
        0.3,
        0.0,
        jig=jig,
    )
    _add(made, probe, "scatter", "ratio", at[::3], made.rng.chisquare(8, len(days))[::3] / 8, 0.3, 1.0, jig=jig)
    if story == "worn_out":
        made.events.append(
            {
                "event_id": len(made.events) + 1,
                "probe": probe,
                "happened_at": START + timedelta(days=380),
                "kind": "repair",
                "new_reference": True,
                "by": "workshop",
                "note": "coupling renewed",
            }
        )
    made.probes.append(verdict_of(probe, site, story, at[-1], slope))


def _add(
    made: _Made,
    probe: str,
    quantity: str,
    unit: str,
    at: list[datetime],
    value: np.ndarray,
    sd: float,
    centre: float,
    *,
    jig: str | None,
    alerts: tuple[Alert, ...] = (),
) -> None:
    flags = np.full(len(at), "used", dtype=object)
    made.points.append(_points(made, at, value, np.full(len(at), sd), centre, flags, None, jig))
    made.series.append(
        SeriesResult(
            index=len(made.series),
            probe=probe,
            window="Co-57",
            jig=jig,
            collimator=None,
            nuclide=None,
            quantity=quantity,
            unit=unit,  # type: ignore[arg-type]
            readings=len(at),
            latest_at=at[-1],
            reference=Reference(centre, sd / 4, unit, 20, at[0], at[min(19, len(at) - 1)]),
            current=float(value[-1]),
            current_interval=(float(value[-1]) - sd, float(value[-1]) + sd),
            current_pct=None,
            drift_per_year=None,
            drift_interval=None,
            drift_pct_per_year=None,
            crossing=None,
            repeat_requested=False,
            alerts=alerts,
        )
    )


def _points(
    made: _Made,
    at: list[datetime],
    value: np.ndarray,
    sd: np.ndarray,
    expected: float,
    flags: np.ndarray,
    source: str | None,
    jig: str | None,
) -> pd.DataFrame:
    first = made.checks
    made.checks += len(at)
    shared = 0.3 * np.sin(np.arange(len(at)) / 9)
    return pd.DataFrame(
        {
            "series": np.int32(len(made.series)),
            "check": np.arange(first, made.checks),
            "check_at": pd.to_datetime(at).astype("datetime64[us]"),
            "value": value * (1 + shared / 100),
            "value_low": value - 1.645 * sd,
            "value_high": value + 1.645 * sd,
            "corrected": value,
            "expected": expected,
            "limit_low": expected - 3.3 * sd,
            "limit_high": expected + 3.3 * sd,
            "z": (value - expected) / sd,
            "statistic": np.abs(value - expected) / (3.3 * sd),
            "shared_pct": shared,
            "flag": flags,
            "source": source,
            "jig": jig,
            "readout": "RU-1",
        }
    )


def _countings(
    made: _Made, probe: str, source: str, jig: str, at: list[datetime], response: np.ndarray, days: np.ndarray
) -> None:
    first = made.checks - len(at)
    for i, (when, value, age) in enumerate(zip(at, response, days, strict=True)):
        net = 0.0 if np.isnan(value) else float(value) * ACTIVITY_KBQ * 2 ** (-float(age) / HALF_LIFE_DAYS)
        for measurement, counts, seconds in (("background", 180, 60.0), ("source", round((net + 3) * 10), 10.0)):
            number = len(made.readings) + 1
            made.readings.append(
                {
                    "reading_id": number,
                    "probe": probe,
                    "taken_at": when - timedelta(seconds=90 * (measurement == "background")),
                    "window": "Co-57",
                    "measurement": measurement,
                    "counts": counts,
                    "count_time_s": seconds,
                    "source": source if measurement == "source" else None,
                    "repeat": 1,
                    "jig": jig,
                    "readout": "RU-1",
                    "operator": "N. Berg",
                    "load": 1,
                    "file": "checks.csv",
                    "row": number + 1,
                }
            )
            made.countings.append({"check": first + i, "reading_id": number, "role": measurement})


def _answer(made: _Made, revision: int) -> FleetAssessment:
    points = pd.concat(made.points, ignore_index=True) if made.points else pd.DataFrame({c: [] for c in POINT_COLUMNS})
    points = points.astype({"flag": "category", "source": "category", "jig": "category", "readout": "category"})
    countings = pd.DataFrame(made.countings, columns=list(COUNTING_COLUMNS))
    weeks = pd.date_range(START, AS_OF, freq="7D")
    parts = []
    for i, name in enumerate(("CK-A1", "CK-B1", "CK-C1") if made.probes else ()):
        offset = np.sin(np.arange(len(weeks)) / 20 + i) * 0.4 - (np.arange(len(weeks)) / 22 if i == 2 else 0)
        parts.append(
            pd.DataFrame(
                {
                    "kind": "source",
                    "name": name,
                    "at": weeks,
                    "offset_pct": offset,
                    "offset_low_pct": offset - 0.5,
                    "offset_high_pct": offset + 0.5,
                    "probes": np.int32(5),
                }
            )
        )
        parts.append(
            pd.DataFrame(
                {
                    "kind": "jig",
                    "name": f"J{i + 1}",
                    "at": weeks,
                    "offset_pct": 0.1,
                    "offset_low_pct": -0.4,
                    "offset_high_pct": 0.6,
                    "probes": np.int32(5),
                }
            )
        )
    shared = (
        pd.concat(parts, ignore_index=True)
        if parts
        else pd.DataFrame(
            {c: [] for c in ("kind", "name", "at", "offset_pct", "offset_low_pct", "offset_high_pct", "probes")}
        )
    )
    return FleetAssessment(
        as_of=AS_OF,
        version="0.1.0",
        revision=revision,
        config="0" * 64,
        series=tuple(made.series),
        probes=tuple(made.probes),
        sources=tuple(
            source_of(n, s, i)
            for i, (n, s) in enumerate((("CK-A1", "Northfield"), ("CK-B1", "Harbour"), ("CK-C1", "Old Mill")))
        )
        if made.probes
        else (),
        jigs=tuple(
            DeviceResult("jig", f"J{i}", None, "use", (), (), offset_pct=0.1, offset_interval_pct=(-0.4, 0.6))
            for i in (1, 2, 3)
        )
        if made.probes
        else (),
        readouts=(DeviceResult("readout", "RU-1", None, "use", (), ()),) if made.probes else (),
        points=points,
        countings=countings,
        shared=shared,
    )
