"""Looking back on a probe that was found out of tolerance: since when, how far off, and what was done with it meanwhile.

The interval of doubt of one response series begins at the last check that was good: charted, not excluded, and with its
whole 90 % interval (counting, placing, reference and shared movement) inside the tolerance. It was found when the alarm
``tolerance`` or ``no_signal`` was tipped. It is over when somebody cleared the probe, or a service was followed by a
check that was good; else it is open. Uses lie in it from the moment of the last good check; a use of which only the day
is known counts with its whole day.

What the response was at a moment is told by ``likely_response`` from the six charted checks before it and the six after
it, on one reference and up to the end of the doubt: one change at most (a step, a step that went back, a ramp), averaged
over when it came.
A good check in one window says nothing about another: each series has its own doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from analytics.advice.likely_response import LEAST_CHECKS, Floats, Likely, likely_response
from analytics.advice.verdict import SERVICE_KINDS
from analytics.cut import cut
from analytics.named_rows import named_rows
from analytics.records.snapshot import Records
from analytics.results import Alert, FleetAssessment, Rule, SeriesResult

RULES = ("tolerance", "no_signal")
NEIGHBOURS = 6  # checks before a moment, and after it, that tell the response at it
Z90 = 1.6448536269514722  # two-sided 90 %
DRAWN = 160  # moments at which the likely response is told, besides checks and uses


@dataclass(frozen=True)
class Reading:
    """A check that marks an end of the doubt; per cent of the reference, None without signal."""

    at: datetime
    pct: float | None
    low_pct: float | None
    high_pct: float | None


@dataclass(frozen=True)
class Moment:
    """The likely response at a moment, per cent of the reference, with its 90 % interval."""

    at: datetime
    pct: float
    low_pct: float
    high_pct: float
    probability_beyond: float


@dataclass(frozen=True)
class UseInDoubt:
    """One use of the probe while it was in doubt; no patient data."""

    used_at: datetime
    day_only: bool  # the time of day is not known
    case_reference: str | None
    likely: Moment | None  # None where the checks carry no answer
    after_found: bool  # the alarm already stood


@dataclass(frozen=True)
class Doubt:
    """One interval of doubt of one response series."""

    series: SeriesResult
    rule: Rule
    last_good: Reading | None
    first_out: Reading
    found_at: datetime
    ended_at: datetime | None
    ended_by: str  # one sentence
    possibly_out_at: datetime | None  # first moment with a chance of 5 % of being beyond the tolerance
    probably_out_at: datetime | None  # the same with 50 %
    likely: tuple[Moment, ...]
    uses: tuple[UseInDoubt, ...]
    excluded_reading_ids: tuple[int, ...]  # hidden by a person within the doubt: to be looked at again
    missing: tuple[str, ...]


@dataclass(frozen=True)
class LookBack:
    """All intervals of doubt of a probe, the newest first."""

    probe: str
    site: str
    as_of: datetime
    tolerance_pct: float | None  # None: no response was ever charted
    doubts: tuple[Doubt, ...]
    says: str  # the answer in a sentence or two
    uses_recorded: int


@dataclass(frozen=True)
class _Checks:
    """The points of one series as arrays; logs of response / reference."""

    taken: np.ndarray  # datetime64[us]
    days: Floats
    y: Floats
    own: Floats  # standard deviation by counting and placing
    spread: Floats  # with the reference and the shared movement
    expected: Floats
    flag: np.ndarray

    @property
    def charted(self) -> np.ndarray:
        return np.isin(self.flag, ("used", "reference")) & np.isfinite(self.y)


def look_back(assessment: FleetAssessment, records: Records, probe: str) -> LookBack:
    """The intervals of doubt of a probe at the moment of the assessment; KeyError where there is no such probe.

    records: those the assessment was made from; what is dated after ``assessment.as_of`` takes no part.
    A probe that was never found out of tolerance has no doubts, and the sentence says what that is worth.
    """
    one = assessment.probe(probe)
    known = cut(records, assessment.as_of)
    uses = known.uses[known.uses["probe"] == probe].sort_values("used_at", kind="stable")
    series = assessment.series_of(probe, "response")
    doubts: list[Doubt] = []
    for each in series:
        checks = _checks(assessment.points_of(each))
        until = datetime.min
        for alert in sorted((a for a in each.alerts if a.rule in RULES), key=lambda a: a.signalled_at):
            if alert.signalled_at <= until or len(checks.taken) == 0:
                continue  # the same doubt, found once more
            made = _doubt(each, alert, checks, known, uses, assessment.as_of)
            doubts.append(made)
            until = made.ended_at or datetime.max
    doubts.sort(key=lambda d: (d.found_at, d.series.index), reverse=True)
    tolerance = next((s.tolerance_pct for s in series if s.tolerance_pct is not None), None)
    return LookBack(
        probe, one.site, assessment.as_of, tolerance, tuple(doubts), _says(series, doubts, tolerance), len(uses)
    )


def _says(series: tuple[SeriesResult, ...], doubts: list[Doubt], tolerance: float | None) -> str:
    limit = f"the tolerance of {tolerance or 0.0:g} %"
    if doubts:
        many = len(doubts)
        open_ones = sum(d.ended_at is None for d in doubts)
        times = "once" if many == 1 else f"{many} times"
        ended = "over" if many == 1 else "all over"
        return f"Found beyond {limit}, or without signal, {times}; " + (
            f"{ended}." if open_ones == 0 else "not cleared since." if many == 1 else f"{open_ones} not cleared since."
        )
    checks = sum(s.readings for s in series)
    if checks == 0:
        return "No check on a source is recorded, so nothing can be said about when this probe was within tolerance."
    if all(s.reference is None for s in series):
        return (
            f"Never found beyond tolerance in {checks} checks, which are too few to form a reference: that is not the "
            "same as within tolerance."
        )
    return (
        f"Never found beyond {limit}, nor without signal, in {checks} charted {'check' if checks == 1 else 'checks'}. "
        "Between two checks nothing was measured."
    )


def _checks(points: pd.DataFrame) -> _Checks:
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = points["expected"].to_numpy(float)
        at = points["check_at"].to_numpy().astype("datetime64[us]")
        return _Checks(
            at,
            at.astype(np.int64) / 86_400e6,
            np.log(points["corrected"].to_numpy(float) / expected),
            np.log(points["value_high"].to_numpy(float) / points["value"].to_numpy(float)) / Z90,
            np.log(points["limit_high"].to_numpy(float) / expected) / 3.0,
            expected,
            points["flag"].astype(object).to_numpy(),
        )


def _doubt(
    series: SeriesResult, alert: Alert, checks: _Checks, known: Records, uses: pd.DataFrame, as_of: datetime
) -> Doubt:
    low, high = _limits(series)
    charted, n = checks.charted, len(checks.taken)
    good = charted & (checks.y - Z90 * checks.spread > low) & (checks.y + Z90 * checks.spread < high)
    found = min(int(np.searchsorted(checks.taken, np.datetime64(alert.signalled_at, "us"), side="left")), n - 1)
    before = np.flatnonzero(good[:found])
    last_good = int(before[-1]) if len(before) else None
    first = 0 if last_good is None else last_good + 1
    out = (checks.flag == "no_signal") | (charted & ((checks.y < low) | (checks.y > high)))
    beyond = np.flatnonzero(out[first : found + 1])
    first_out = first + int(beyond[0]) if len(beyond) else found
    ended_at, ended_by = _end(series, alert, checks, good, known)
    begin = None if last_good is None else _moment(checks.taken[last_good])
    end = ended_at or as_of
    mine = _in_doubt(uses, begin, end)
    when = _moments(checks, begin, end, mine)
    told = _told(checks, alert, end, when, (low, high))
    by_moment = {one.at: one for one in told}
    in_doubt = tuple(
        UseInDoubt(
            row.used_at.to_pydatetime(),
            _day_only(row.used_at),
            None if pd.isna(row.case_reference) else str(row.case_reference),
            by_moment.get(_stands_at(row.used_at)),
            _stands_at(row.used_at) > alert.signalled_at,
        )
        for row in named_rows(mine)
    )
    hidden = _hidden(known, series, begin, end)
    return Doubt(
        series,
        alert.rule,
        None if last_good is None else _reading(checks, last_good),
        _reading(checks, first_out),
        alert.signalled_at,
        ended_at,
        ended_by,
        next((one.at for one in told if one.probability_beyond >= 0.05), None),
        next((one.at for one in told if one.probability_beyond >= 0.5), None),
        told,
        in_doubt,
        hidden,
        _missing(last_good, told, in_doubt, len(uses), hidden),
    )


def _limits(series: SeriesResult) -> tuple[float, float]:
    tolerance = (series.tolerance_pct or 0.0) / 100.0
    return float(np.log1p(-tolerance)), float(np.log1p(tolerance))


def _end(
    series: SeriesResult, alert: Alert, checks: _Checks, good: np.ndarray, known: Records
) -> tuple[datetime | None, str]:
    """When the doubt was over and by what."""
    probe, found = series.probe, pd.Timestamp(alert.signalled_at)
    events = known.events[(known.events["probe"] == probe) & (known.events["happened_at"] > found)]
    decisions = known.decisions[(known.decisions["probe"] == probe) & (known.decisions["decided_at"] > found)]
    ends: list[tuple[datetime, str]] = [
        (one.decided_at.to_pydatetime(), f"Cleared by {one.by}.")
        for one in named_rows(decisions[decisions["kind"] == "cleared"])
    ]
    ends += [
        (one.happened_at.to_pydatetime(), "Cleared" + ("." if pd.isna(one.by) else f" by {one.by}."))
        for one in named_rows(events[events["kind"] == "cleared"])
    ]
    for service in named_rows(events[events["kind"].isin(SERVICE_KINDS)]):
        after = np.flatnonzero(good & (checks.taken > service.happened_at.to_numpy()))
        if len(after):
            what = str(service.kind).replace("_", " ").capitalize()
            ends.append(
                (_moment(checks.taken[after[0]]), f"{what} on {service.happened_at.date()}, and a good check after it.")
            )
            break
    return min(ends, default=(None, "Open: not cleared, and no good check after a service."))


def _in_doubt(uses: pd.DataFrame, begin: datetime | None, end: datetime) -> pd.DataFrame:
    """Uses from the last good check on (all earlier ones where there is none) to the end."""
    at = uses["used_at"]
    day_only = at == at.dt.normalize()
    keep = at <= end
    if begin is not None:
        keep &= (at >= begin) | (day_only & (at.dt.date >= begin.date()))
    return uses[keep]


def _day_only(at: pd.Timestamp) -> bool:
    return bool(at == at.normalize())


def _stands_at(at: pd.Timestamp) -> datetime:
    """The moment at which a use is judged: itself, or the last of its day, where only the day is known."""
    when: datetime = at.to_pydatetime()
    return when + timedelta(days=1, microseconds=-1) if _day_only(at) else when


def _moments(checks: _Checks, begin: datetime | None, end: datetime, uses: pd.DataFrame) -> list[datetime]:
    """When the likely response is told: evenly over the doubt, at its checks, at its uses."""
    start = begin or _moment(checks.taken[0])
    span = max((end - start) / DRAWN, timedelta(hours=1))
    even = [start + span * k for k in range(DRAWN + 1) if start + span * k <= end]
    seen = [m for m in map(_moment, checks.taken) if start <= m <= end]
    used = [_stands_at(at) for at in uses["used_at"]]
    return sorted({*even, *seen, *used, end})


def _told(
    checks: _Checks, alert: Alert, end: datetime, when: list[datetime], limits: tuple[float, float]
) -> tuple[Moment, ...]:
    """The likely response at these moments, as far as checks with a signal over one reference carry it."""
    found = min(int(np.searchsorted(checks.taken, np.datetime64(alert.signalled_at, "us"))), len(checks.taken) - 1)
    same = checks.expected == checks.expected[found] if np.isfinite(checks.expected[found]) else checks.charted
    part = np.flatnonzero(checks.charted & same & (checks.taken <= np.datetime64(end, "us")))
    if len(part) < LEAST_CHECKS:
        return ()
    common = float(np.median(np.maximum(checks.spread[part] ** 2 - checks.own[part] ** 2, 0.0)))
    asked = np.array(when, "datetime64[us]").astype(np.int64) / 86_400e6
    gap = np.searchsorted(checks.days[part], asked, side="right")  # checks before each moment
    told = Likely(*(np.full(len(when), np.nan) for _ in range(4)))
    for k in np.unique(gap):
        near, here = part[max(k - NEIGHBOURS, 0) : k + NEIGHBOURS], gap == k
        one = likely_response(
            checks.days[near],
            checks.y[near],
            checks.own[near] ** 2,
            asked[here],
            common_variance=common,
            limits=limits,
        )
        if one is not None:
            for whole, piece in zip(
                (told.middle, told.low, told.high, told.beyond), (one.middle, one.low, one.high, one.beyond), strict=True
            ):
                whole[here] = piece
    return _as_moments(told, when, checks, part)


def _as_moments(told: Likely, when: list[datetime], checks: _Checks, part: np.ndarray) -> tuple[Moment, ...]:
    """From the first check of the stretch to the first later check without signal; the rest is not known."""
    start = _moment(checks.taken[part[0]])
    silent = np.flatnonzero((checks.flag == "no_signal") & (np.arange(len(checks.taken)) > part[-1]))
    stop = _moment(checks.taken[silent[0]]) if len(silent) else datetime.max
    pct = 100.0 * np.exp(np.array([told.middle, told.low, told.high]))
    return tuple(
        Moment(at, float(pct[0, k]), float(pct[1, k]), float(pct[2, k]), float(told.beyond[k]))
        for k, at in enumerate(when)
        if start <= at < stop and np.isfinite(pct[0, k])
    )


def _hidden(known: Records, series: SeriesResult, begin: datetime | None, end: datetime) -> tuple[int, ...]:
    readings = known.readings
    mine = readings[
        (readings["probe"] == series.probe)
        & (readings["window"] == series.window)
        & readings["excluded"]
        & (readings["taken_at"] <= end)
        & (readings["taken_at"] >= (begin or datetime.min.replace(year=1900)))
    ]
    return tuple(int(one) for one in mine["reading_id"])


def _missing(
    last_good: int | None,
    told: tuple[Moment, ...],
    uses: tuple[UseInDoubt, ...],
    recorded: int,
    hidden: tuple[int, ...],
) -> tuple[str, ...]:
    out = []
    if last_good is None:
        out.append(
            "No check before it is good beyond doubt: the interval has no beginning, and reaches back to before the "
            "records."
        )
    if recorded == 0:
        out.append(
            "No uses recorded for this probe: who was examined with it must be told from the site's own records."
        )
    elif not uses:
        out.append(f"None of the {recorded} recorded uses of this probe lies within the doubt.")
    if not told:
        out.append(
            f"Fewer than {LEAST_CHECKS} checks with a signal on one reference: the likely response cannot be told."
        )
    elif any(one.likely is None for one in uses):
        out.append("For some uses no checks with a signal tell the response.")
    if hidden:
        out.append(
            f"{len(hidden)} reading{'s were' if len(hidden) > 1 else ' was'} excluded by a person within the doubt: "
            "look at the reasons again."
        )
    return tuple(out)


def _reading(checks: _Checks, k: int) -> Reading:
    y, spread = float(checks.y[k]), float(checks.spread[k])
    if not np.isfinite(y):
        return Reading(_moment(checks.taken[k]), None, None, None)
    low, high = (
        (100.0 * float(np.exp(y + side * Z90 * spread)) for side in (-1, 1)) if np.isfinite(spread) else (None, None)
    )
    return Reading(_moment(checks.taken[k]), 100.0 * float(np.exp(y)), low, high)


def _moment(at: np.datetime64) -> datetime:
    when: datetime = at.astype("datetime64[us]").item()
    return when
