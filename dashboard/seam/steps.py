"""How one charted number came about: its countings, and the corrections one by one, each with its uncertainty (k=1)."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from analytics.counting import Responses, count_records, sentences
from analytics.counting.nuclides import half_life_days
from analytics.counting.tables import BORROWED, GROSS, OWN, RUNNING, Counted
from analytics.records.snapshot import Records
from analytics.results import SeriesResult
from analytics.settings import Settings
from dashboard.parts.values import DASH, number, tenths, whole

TOGETHER = timedelta(hours=2)
_PAIRED = {
    OWN: "of the same check",
    BORROWED: "the last one of this probe and window, at most 7 days old",
    RUNNING: "the running level of this probe and window",
    GROSS: "none known: the response is gross",
}
_COLUMNS = [
    "reading_id",
    "role",
    "taken_at",
    "counts",
    "count_time_s",
    "rate_cps",
    "source",
    "jig",
    "collimator",
    "readout",
    "operator",
    "temperature_c",
    "battery_pct",
    "on_minutes",
    "repeat",
    "reseated",
    "excluded",
    "file",
    "row",
    "note",
]


def _share(share: float) -> str:
    """A share in per cent, to no more digits than matter here.

    >>> _share(0.0052), _share(2.1e-6)
    ('0.52 %', 'under 0.01 %')
    """
    return number(100 * share, "%", digits=2) if share == 0 or share >= 1e-4 else "under 0.01 %"


@dataclass(frozen=True)
class Step:
    """One correction: what was done, with which figures, and what came out."""

    name: str
    how: str
    value: str


@dataclass(frozen=True)
class Account:
    """The countings of one check and the steps from them to its response."""

    countings: pd.DataFrame  # columns ``_COLUMNS``
    steps: tuple[Step, ...]  # empty where the check has no source counting that could be worked out
    remarks: tuple[str, ...]  # flags in sentences


def account(records: Records, settings: Settings, series: SeriesResult, point: Any, as_of: datetime) -> Account:
    """The account of one point of a response series.

    point: a row of ``FleetAssessment.points`` (as a named tuple). An excluded check is worked out as if it were not.
    """
    mine = records.readings[(records.readings["probe"] == series.probe) & (records.readings["taken_at"] <= as_of)]
    at, stored = point.check_at, mine
    if point.flag == "excluded":
        near = (mine["window"] == series.window) & ((mine["taken_at"] - at).abs() <= TOGETHER)
        mine = mine.assign(excluded=mine["excluded"] & ~near)
    # Fits of the windows of other checks take nine tenths of the time and tell nothing of this one.
    besides = mine["measurement"].isin(["window_below", "window_above", "side"]) & ((mine["taken_at"] - at).abs() > TOGETHER)
    counted = count_records(dataclasses.replace(records, readings=mine[~besides]), settings)
    found = _row(counted, series, at, point.source)
    if found is None:
        near = (mine["window"] == series.window) & ((mine["taken_at"] - at).abs() <= TOGETHER)
        return Account(_countings(stored[near], stored.loc[near, "measurement"]), (), ())
    check = counted.response.check[found]
    members = counted.members[counted.members["check"] == check].drop_duplicates("reading_id")
    rows = stored.set_index("reading_id").loc[members["reading_id"]].reset_index()
    responses = counted.response
    nuclide = series.nuclide
    half_life = float(half_life_days([nuclide], settings.nuclides.half_lives)[0]) if nuclide else math.nan
    return Account(
        _countings(rows, members["role"].reset_index(drop=True)),
        _steps(responses, found, half_life, series, point),
        tuple(sentences(int(responses.flags[found]))),
    )


def _row(counted: Counted, series: SeriesResult, at: datetime, source: object) -> int | None:
    names, table = counted.names, counted.response
    if not len(table):
        return None
    fits = (table.check_at == np.datetime64(at)) & (
        _named(names.window, table.keys.window[table.series]) == series.window
    )
    if series.jig is not None:
        fits &= _named(names.jig, table.keys.jig[table.series]) == series.jig
    if isinstance(source, str):
        fits &= _named(names.source, table.source) == source
    rows = np.flatnonzero(fits)
    return int(rows[0]) if len(rows) else None


def _named(names: tuple[str, ...], codes: np.ndarray) -> np.ndarray:
    return np.array([*names, ""], dtype=object)[codes]


def _countings(rows: pd.DataFrame, role: pd.Series) -> pd.DataFrame:
    out = rows.reset_index(drop=True).assign(role=role.astype("str").to_numpy())
    out["rate_cps"] = out["rate_cps"].where(out["rate_cps"].notna(), out["counts"] / out["count_time_s"])
    return out[_COLUMNS].sort_values("taken_at", ignore_index=True)


def _steps(table: Responses, i: int, half_life: float, series: SeriesResult, point: Any) -> tuple[Step, ...]:
    counts, seconds, factor = (
        float(table.gross_counts[i]),
        float(table.gross_time_s[i]),
        float(table.dead_time_factor[i]),
    )
    gross_sd = math.sqrt(max(counts, 0.0) + float(table.rounding_counts2[i])) / seconds
    background, background_sd = float(table.background_cps[i]), math.sqrt(float(table.background_var_cps2[i]))
    net, net_sd = float(table.net_cps[i]), math.hypot(gross_sd * factor, background_sd)
    repeats, kind = int(table.repeats[i]), int(table.background_kind[i])
    steps = [
        Step(
            "Gross",
            f"{whole(counts, 'counts')} in {whole(seconds, 's')}, {repeats} counting{'s' * (repeats > 1)}",
            _pm(counts / seconds, gross_sd, "cps"),
        ),
        Step(
            "Dead time",
            f"{number(1e6 * float(table.dead_time_s[i]), 'µs')}, "
            f"{'paralysable' if table.dead_time_model[i] else 'non-paralysable'}; "
            f"{_share(float(table.dead_time_loss[i]))} of the counts lost",
            _pm(net + background, gross_sd * factor, "cps"),
        ),
        Step(
            "Background",
            _PAIRED[kind] + _background_counts(table, i),
            DASH if kind == GROSS else f"− {_pm(background, background_sd, 'cps')}",
        ),
        Step(
            "Net",
            f"decision limit {number(float(table.decision_limit_cps[i]), 'cps', digits=2)} (Currie)",
            _pm(net, net_sd, "cps"),
        ),
        Step(
            "Decay",
            f"{number(float(table.age_days[i]), 'd', digits=4)} after the reference date, half-life "
            f"{number(half_life, 'd', digits=5)}",
            f"÷ {number(float(table.decay_factor[i]), digits=5)}",
        ),
    ]
    if not math.isnan(table.activity_kbq[i]):
        steps.append(
            Step("Activity", "stated at the reference date", f"÷ {whole(float(table.activity_kbq[i]), 'kBq')}")
        )
    response = float(table.response[i])
    if bool(table.no_signal[i]) or math.isnan(response):
        steps.append(
            Step("Response", "the net rate is not above the decision limit: no logarithm is taken", "no signal")
        )
        return tuple(steps)
    steps.append(
        Step(
            "Response",
            "net ÷ decay ÷ activity; counting only",
            _pm(response, response * math.sqrt(float(table.log_var[i])), series.unit),
        )
    )
    if point.corrected == point.corrected:
        steps.append(
            Step(
                "Shared movement",
                "what source and jig do to every probe on them, taken off",
                tenths(point.shared_pct, "%"),
            )
        )
        steps.append(
            Step(
                "Charted",
                f"against a reference of {number(point.expected, series.unit, digits=4)}: "
                f"{tenths(point.z, 'standard deviations')}",
                number(point.corrected, series.unit, digits=4),
            )
        )
    return tuple(steps)


def _background_counts(table: Responses, i: int) -> str:
    if math.isnan(table.background_counts[i]):
        return ""
    counts, seconds = float(table.background_counts[i]), float(table.background_time_s[i])
    return f": {whole(counts, 'counts')} in {whole(seconds, 's')}"


def _pm(value: float, sd: float, unit: str) -> str:
    """Value and uncertainty to the same decimal place, the uncertainty to two digits.

    >>> print(_pm(12345.678, 23.4, "cps"))
    12 346 ± 23 cps
    """
    if not (math.isfinite(value) and math.isfinite(sd)):
        return number(value, unit)
    places = max(0, 1 - math.floor(math.log10(sd))) if sd > 0 else 2
    text = f"{value:,.{places}f} ± {sd:,.{places}f} {unit}"
    return text.replace(",", "\N{NARROW NO-BREAK SPACE}").replace("-", "\N{MINUS SIGN}")
