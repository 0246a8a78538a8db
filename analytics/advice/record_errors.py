"""What a lone outlier would be if it were a slip of the pen: proposed with the likely right value, never corrected by itself.

A proposal must bring the check back to within three and a half standard deviations of its neighbours: a digit dropped,
added or swapped in the counts, another counting time, day and month swapped, or a fixed ratio that this probe has
shown before (the wrong energy window). The kinds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted, Responses

FITS_Z = 3.5
USUAL_SECONDS = (10.0, 20.0, 30.0, 60.0, 100.0, 120.0, 300.0)
CABLE_OUTLIERS, CABLE_DAYS = 3, 365.0  # lone outliers within a year from which no slip is proposed any more
SAME_RATIO = 0.03  # log ratio within which two outliers of a probe have the same ratio


@dataclass(frozen=True)
class Proposal:
    """One lone outlier and what it would fit."""

    series: int  # response series code
    check: int
    at: datetime
    kind: str  # digit_dropped, digit_added, digits_swapped, count_time, day_month, fixed_ratio
    text: str
    pending: bool  # the newest check of its series


def digit_variants(counts: int) -> dict[int, str]:
    """Numbers one slip of the pen away from ``counts``, with the slip that would have made ``counts`` of them.

    >>> digit_variants(919)[9919], digit_variants(3810)[3801]
    ('digit_dropped', 'digits_swapped')
    """
    text = str(counts)
    out: dict[int, str] = {}
    for i in range(len(text) + 1):
        for d in "0123456789":
            out.setdefault(int(text[:i] + d + text[i:]), "digit_dropped")
    for i in range(len(text)):
        if len(text) > 1:
            out.setdefault(int(text[:i] + text[i + 1 :]), "digit_added")
        if i + 1 < len(text):
            out[int(text[:i] + text[i + 1] + text[i] + text[i + 2 :])] = "digits_swapped"
    out.pop(counts, None)
    return out


def swapped_date(at: datetime) -> datetime | None:
    """Day and month the other way round; None where that is no date or the same one.

    >>> swapped_date(datetime(2024, 1, 2, 8, 30)), swapped_date(datetime(2024, 1, 20))
    (datetime.datetime(2024, 2, 1, 8, 30), None)
    """
    if at.day > 12 or at.day == at.month:
        return None
    return at.replace(month=at.day, day=at.month)


def proposals(counted: Counted, charts: ResponseCharts, readings: pd.DataFrame, now: datetime) -> tuple[Proposal, ...]:
    """Every lone outlier that one slip explains, oldest first."""
    rows, states = charts.rows, counted.response_states
    lone = np.flatnonzero(rows.last & charts.outliers.lone & np.isfinite(charts.outliers.z_local))
    if len(lone) == 0:
        return ()
    by_check = _source_countings(counted, readings, set(rows.check[lone].tolist()))
    newest = np.zeros(len(rows.unit), bool)
    newest[rows.unit_first[1:] - 1] = True
    deviation = charts.corrected.x - charts.outliers.level
    spread = np.sqrt(charts.corrected.noise + charts.outliers.level_variance)
    out = []
    for row in lone:
        earlier = lone[(rows.series[lone] == rows.series[row]) & (lone < row)]
        if (rows.at_days[earlier] > rows.at_days[row] - CABLE_DAYS).sum() >= CABLE_OUTLIERS:
            continue  # so many in a row are a cable, not a pen
        found = _explain(
            states,
            rows.index[row],
            float(deviation[row]),
            float(spread[row]),
            by_check.get(int(rows.check[row]), []),
            [(float(deviation[i]), states.check_at[rows.index[i]].astype("datetime64[us]").item()) for i in earlier],
            now,
        )
        if found is not None:
            when: datetime = states.check_at[rows.index[row]].astype("datetime64[us]").item()
            out.append(Proposal(int(rows.series[row]), int(rows.check[row]), when, *found, pending=bool(newest[row])))
    return tuple(sorted(out, key=lambda one: (one.at, one.series)))


def _source_countings(
    counted: Counted, readings: pd.DataFrame, checks: set[int]
) -> dict[int, list[tuple[float, float]]]:
    """Counts and seconds of the source countings of some checks."""
    members = counted.members
    some = members[members["check"].isin(checks) & (members["role"] == "source")]
    table = readings.set_index("reading_id").loc[some["reading_id"], ["counts", "count_time_s"]].to_numpy(float)
    out: dict[int, list[tuple[float, float]]] = {}
    for check, (counts, seconds) in zip(some["check"], table, strict=True):
        out.setdefault(int(check), []).append((float(counts), float(seconds)))
    return out


def _explain(
    states: Responses,
    state: int,
    deviation: float,
    spread: float,
    countings: list[tuple[float, float]],
    earlier: list[tuple[float, datetime]],
    now: datetime,
) -> tuple[str, str] | None:
    """Kind and sentence of the simplest slip that fits."""
    at: datetime = states.check_at[state].astype("datetime64[us]").item()
    day = at.date().isoformat()
    background = float(states.background_cps[state])
    if len(countings) == 1 and np.isfinite(countings[0][0]) and np.isfinite(background):
        counts, seconds = countings[0]

        def fits(other_counts: float, other_seconds: float) -> bool:
            net, other = counts / seconds - background, other_counts / other_seconds - background
            return net > 0 and other > 0 and abs(deviation + np.log(other / net)) < FITS_Z * spread

        order = {"digits_swapped": 0, "digit_dropped": 1, "digit_added": 2}
        variants = sorted(
            ((order[kind], n, kind) for n, kind in digit_variants(int(counts)).items() if fits(n, seconds))
        )
        for other in USUAL_SECONDS:
            if other != seconds and fits(counts, other):
                return (
                    "count_time",
                    f"The check of {day} ({counts:.0f} counts in {seconds:g} s) would fit if it had been counted for {other:g} s: count time wrong?",
                )
        if variants:
            _, n, kind = min(
                variants,
                key=lambda v: (
                    v[0],
                    abs(deviation + np.log(max(v[1] / seconds - background, 1e-9) / (counts / seconds - background))),
                ),
            )
            return (
                kind,
                f"The check of {day} ({counts:.0f} counts in {seconds:g} s) would fit {n} counts: {kind.replace('_', ' ')}?",
            )
    other_day = swapped_date(at)
    if other_day is not None and other_day <= now:
        rate = np.log(states.decay_factor[state]) / states.age_days[state] if states.age_days[state] else np.nan
        shift = float(rate * (other_day - at).total_seconds() / 86400.0)
        if np.isfinite(shift) and abs(shift) > 4.0 * spread and abs(deviation - shift) < FITS_Z * spread:
            return (
                "day_month",
                f"The check of {day} would fit the date {other_day.date().isoformat()}: day and month swapped?",
            )
    for past, when in reversed(earlier):
        if abs(past - deviation) < SAME_RATIO + FITS_Z * spread * 0.5 and abs(deviation) > 0.1:
            return "fixed_ratio", (
                f"The check of {day} lies at {100 * np.exp(deviation):.0f} % of its neighbours, as that of {when.date().isoformat()} did: the same wrong "
                "window or place?"
            )
    return None
