"""A small assessment made by hand, for tests of the bench and of the plan: one probe, one source, known numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pandas as pd

from analytics.records import snapshot
from analytics.records.snapshot import Records
from analytics.results import Crossing, FleetAssessment, ProbeResult, Reference, SeriesResult

AS_OF = datetime(2026, 3, 2, 8, 0)  # a Monday


def records(
    *,
    checks: int = 12,
    step_days: int = 7,
    probes: int = 1,
    activity_kbq: float | None = 100.0,
    sites: tuple[str, ...] = ("North",),
    **tables,
) -> Records:
    """Probes GP-1, GP-2, … read every ``step_days`` on CK-1, the last time on 2026-02-27; other tables as given."""
    names = [f"GP-{n + 1}" for n in range(probes)]
    times = [datetime(2026, 2, 27, 9) - timedelta(days=step_days * (checks - 1 - n)) for n in range(checks)]
    readings = {
        "reading_id": list(range(1, 2 * probes * checks + 1)),
        "probe": [name for name in names for _ in times for _ in range(2)],
        "taken_at": [time for _ in names for time in times for _ in range(2)],
        "window": ["Co-57"] * (2 * probes * checks),
        "measurement": ["background", "source"] * (probes * checks),
        "counts": [50.0, 20_000.0] * (probes * checks),
        "count_time_s": [10.0] * (2 * probes * checks),
        "source": [None, "CK-1"] * (probes * checks),
    }
    made = {
        "readings": Records.table(snapshot.READINGS, readings),
        "probes": Records.table(
            snapshot.PROBES, {"probe": names, "site": [sites[n % len(sites)] for n in range(probes)]}
        ),
        "sources": Records.table(
            snapshot.SOURCES,
            {"source": ["CK-1"], "nuclide": ["Co-57"], "reference_at": [AS_OF], "activity_kbq": [activity_kbq]},
        ),
    }
    for name in ("windows", "events", "inspections", "uses", "outcomes", "decisions"):
        made[name] = Records.table(getattr(snapshot, name.upper()), tables.get(name))
    return Records(1, **made)


def series(
    probe: str = "GP-1",
    *,
    index: int = 0,
    quantity: str = "response",
    value: float = 20.0,
    value_sd: float = 0.0,
    unit: str = "cps/kBq",
    current_pct: float | None = 100.0,
    crossing: Crossing | None = None,
    repeat_requested: bool = False,
) -> SeriesResult:
    """A series whose reference is ``value`` and whose level now is ``current_pct`` of it."""
    current = None if current_pct is None else value * current_pct / 100
    return SeriesResult(
        index=index,
        probe=probe,
        window="Co-57",
        jig=None,
        collimator=None,
        nuclide="Co-57",
        quantity=quantity,
        unit=unit,
        readings=12,
        latest_at=AS_OF - timedelta(days=3),
        reference=Reference(value, value_sd, unit, 12, AS_OF - timedelta(days=80), AS_OF),
        current=current,
        current_interval=None if current is None else (current, current),
        current_pct=current_pct,
        drift_per_year=None,
        drift_interval=None,
        drift_pct_per_year=None,
        crossing=crossing,
        repeat_requested=repeat_requested,
        alerts=(),
    )


def points(*, series_index: int = 0, sd: float = 0.01, shared_pct: float = 0.0, checks: int = 12) -> pd.DataFrame:
    """Points of one series, all at 20 cps/kBq, whose 90 % interval is that of the relative sd ``sd``."""
    from math import exp

    return pd.DataFrame(
        {
            "series": series_index,
            "check": range(checks),
            "value": 20.0,
            "value_low": 20 * exp(-1.6449 * sd),
            "value_high": 20 * exp(1.6449 * sd),
            "shared_pct": shared_pct,
            "flag": pd.Categorical(["used"] * checks),
            "source": pd.Categorical(["CK-1"] * checks),
        }
    )


def countings(checks: int = 12) -> pd.DataFrame:
    """Which readings made which check: background and source in turn, as ``records`` numbers them."""
    return pd.DataFrame(
        {
            "check": [n // 2 for n in range(2 * checks)],
            "reading_id": range(1, 2 * checks + 1),
            "role": pd.Categorical(["background", "source"] * checks),
        }
    )


def probe(name: str = "GP-1", site: str = "North", **changes) -> ProbeResult:
    """A sound probe, with what a test changes about it."""
    return replace(ProbeResult(name, site, "use", "allowed", "none", None, ()), **changes)


def assessment(
    probes: tuple[ProbeResult, ...] | None = None, all_series: tuple[SeriesResult, ...] | None = None, **changes
) -> FleetAssessment:
    """One sound probe on one source, as of a Monday morning, with what a test changes about it."""
    shared = pd.DataFrame({"kind": [], "name": [], "at": [], "offset_pct": [], "probes": []})
    made = FleetAssessment(
        as_of=AS_OF,
        version="test",
        revision=1,
        config="",
        series=all_series or (series(),),
        probes=probes or (probe(),),
        sources=(),
        jigs=(),
        readouts=(),
        points=points(),
        countings=countings(),
        shared=shared,
    )
    return replace(made, **changes)


def crossing(p05: date | None, p50: date | None, p95: date | None = None) -> Crossing:
    """A crossing of 90 % of the reference."""
    return Crossing(90.0, p05, p50, p95, {})
