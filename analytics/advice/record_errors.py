"""What a lone outlier would be if it were a slip of the pen: proposed with the likely right value, never corrected by itself.

A proposal must bring the check back to within three and a half standard deviations of its neighbours: a digit dropped,
added or swapped in the counts, another counting time, day and month swapped, or a fixed ratio that this probe has
shown before or that another of its windows has (the wrong energy window). The kinds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from analytics.baseline.rows import Ints
from analytics.charts.response import ResponseCharts
from analytics.counting.tables import Counted, Responses

FITS_Z = 3.5
USUAL_SECONDS = (10.0, 20.0, 30.0, 60.0, 100.0, 120.0, 300.0)
CABLE_OUTLIERS, CABLE_DAYS = 3, 365.0  # lone outliers within a year from which no slip is proposed any more
LEAST_RATIO = 0.1  # log ratio from which a wrong window is thought of
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
    in_order = np.argsort(rows.unit_probe, kind="stable")
    first_unit = np.searchsorted(rows.unit_probe[in_order], np.arange(len(counted.names.probe) + 1))
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
            _other_windows(charts, counted, int(row), in_order[slice(*first_unit[rows.probe[row] :][:2])]),
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
    some = members[np.isin(members["check"], list(checks))]
    some = some[some["role"] == "source"]
    theirs = readings.loc[np.isin(readings["reading_id"], some["reading_id"])]
    table = theirs.set_index("reading_id").loc[some["reading_id"], ["counts", "count_time_s"]].to_numpy(float)
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
    windows: list[tuple[float, str]],
    now: datetime,
) -> tuple[str, str] | None:
    """Kind and sentence of the simplest slip that fits."""
    at: datetime = states.check_at[state].astype("datetime64[us]").item()
    day = at.date().isoformat()
    background = float(states.background_cps[state])
    if len(countings) == 1 and np.isfinite(countings[0][0]) and np.isfinite(background):
        found = _by_numbers(*countings[0], deviation, spread, background, day)
        if found is not None:
            return found
    other_day = swapped_date(at)
    if other_day is not None and other_day <= now:
        rate = np.log(states.decay_factor[state]) / states.age_days[state] if states.age_days[state] else np.nan
        shift = float(rate * (other_day - at).total_seconds() / 86400.0)
        if np.isfinite(shift) and abs(shift) > 4.0 * spread and abs(deviation - shift) < FITS_Z * spread:
            return (
                "day_month",
                f"The check of {day} would fit the date {other_day.date().isoformat()}: day and month swapped?",
            )
    return _by_ratio(countings, deviation, spread, background, day, earlier, windows)


def _by_ratio(
    countings: list[tuple[float, float]],
    deviation: float,
    spread: float,
    background: float,
    day: str,
    earlier: list[tuple[float, datetime]],
    windows: list[tuple[float, str]],
) -> tuple[str, str] | None:
    """A ratio that the probe has shown before, or that another of its windows has."""
    if abs(deviation) <= LEAST_RATIO:
        return None
    expected = ""
    if len(countings) == 1 and np.isfinite(countings[0][0]) and np.isfinite(background):
        counts, seconds = countings[0]
        usual = ((counts / seconds - background) * np.exp(-deviation) + background) * seconds
        expected = f" (about {usual:.0f} counts in {seconds:g} s are usual)"
    lies = f"The check of {day} lies at {100 * np.exp(deviation):.0f} % of its neighbours{expected}"
    for past, when in reversed(earlier):
        if abs(past - deviation) < SAME_RATIO + FITS_Z * spread * 0.5:
            return "fixed_ratio", f"{lies}, as that of {when.date().isoformat()} did: the same wrong window or place?"
    for ratio, window in windows:
        if abs(ratio) > LEAST_RATIO and abs(ratio - deviation) < FITS_Z * spread:
            return "fixed_ratio", f"{lies}, as the window {window} does for this probe: counted in that window?"
    return None


def _by_numbers(
    counts: float, seconds: float, deviation: float, spread: float, background: float, day: str
) -> tuple[str, str] | None:
    """Another counting time, or digits that slipped; both where the counts fit either."""

    def fits(other_counts: float, other_seconds: float) -> bool:
        net, other = counts / seconds - background, other_counts / other_seconds - background
        return net > 0 and other > 0 and abs(deviation + np.log(other / net)) < FITS_Z * spread

    by_time = _by_time(counts, seconds, fits, day)
    by_digits = _by_digits(counts, seconds, fits, deviation, background, day)
    if by_time is not None and by_digits is not None and by_digits[0] == "digits_swapped":
        return by_time[0], f"{by_time[1][:-1]}, or it would fit {by_digits[1].split(' would fit ')[1]}"
    return by_time or by_digits


Fits = Callable[[float, float], bool]


def _by_time(counts: float, seconds: float, fits: Fits, day: str) -> tuple[str, str] | None:
    """Another counting time that the counts fit."""
    for other in USUAL_SECONDS:
        if other != seconds and fits(counts, other):
            return (
                "count_time",
                f"The check of {day} ({counts:.0f} counts in {seconds:g} s) would fit if it had been counted for {other:g} s: count time wrong?",
            )
    return None


def _by_digits(
    counts: float, seconds: float, fits: Fits, deviation: float, background: float, day: str
) -> tuple[str, str] | None:
    """The likeliest number one slip of the pen away."""
    order = {"digits_swapped": 0, "digit_dropped": 1, "digit_added": 2}
    variants = [(order[kind], n, kind) for n, kind in digit_variants(int(counts)).items() if fits(n, seconds)]
    if not variants:
        return None
    net = counts / seconds - background
    _, n, kind = min(variants, key=lambda v: (v[0], abs(deviation + np.log(max(v[1] / seconds - background, 1e-9) / net))))
    return (
        kind,
        f"The check of {day} ({counts:.0f} counts in {seconds:g} s) would fit {n} counts: {kind.replace('_', ' ')}?",
    )


def _other_windows(charts: ResponseCharts, counted: Counted, row: int, units: Ints) -> list[tuple[float, str]]:
    """For the other windows of the probe that are read on the same nuclide: log ratio of their reference to this one's.

    units: of the probe.
    """
    rows, keys, alpha = charts.rows, counted.response.keys, charts.corrected.alpha
    unit, series = int(rows.unit[row]), int(rows.series[row])
    if not np.isfinite(alpha[unit]):
        return []
    theirs = rows.unit_series[units]
    others = units[
        (keys.window[theirs] != keys.window[series])
        & (keys.nuclide[theirs] == keys.nuclide[series])
        & np.isfinite(alpha[units])
    ]
    return [(float(alpha[u] - alpha[unit]), counted.names.window[keys.window[rows.unit_series[u]]]) for u in others]
