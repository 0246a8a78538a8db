"""The line at every earlier month end: what the tool would have said on these very records, and what came of it.

The pass goes forward in time, so it is run once. All alerts come from that one run, since none is dated in hindsight;
only the forecasts are made anew at each month end, from the charts as they stood then (``replays.backdate``).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time, timedelta

from analytics import __version__
from analytics.fleet import assess
from analytics.records.snapshot import Records
from analytics.replays.backdate import Pass, Then, run_pass, then
from analytics.replays.causes import cause_reliability, named_causes
from analytics.replays.coverage import Coverage, cover, recalibrate
from analytics.replays.forecasts import Said, forecasts_then
from analytics.replays.judge import judged, scored
from analytics.replays.leads import alert_leads, lead_summary
from analytics.replays.passings import unit_stories
from analytics.replays.results import Forecast, Replay
from analytics.replays.sound import alarm_rate
from analytics.settings import Settings

Progress = Callable[[str, float], None]


def month_ends(first: datetime, until: datetime) -> tuple[datetime, ...]:
    """The last moment of every month that had ended before ``until``, from the month of ``first`` on.

    >>> [f"{one:%Y-%m-%d %H:%M}" for one in month_ends(datetime(2023, 11, 20), datetime(2024, 2, 10))]
    ['2023-11-30 23:59', '2023-12-31 23:59', '2024-01-31 23:59']
    """
    out: list[datetime] = []
    year, month = first.year, first.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        end = datetime.combine(datetime(year, month, 1) - timedelta(days=1), time.max)
        if end >= until:
            return tuple(out)
        out.append(end)


def replay(records: Records, settings: Settings, until: datetime, progress: Progress | None = None) -> Replay:
    """What was said at the end of each month before ``until``, held against what came up to ``until``.

    Records and settings are those of today: a reading corrected or excluded since is so at every month end.
    progress: called with a sentence and the share done. Nothing recorded gives an empty replay, never an error.
    """
    tell: Progress = progress if progress is not None else lambda _what, _share: None
    tell("The pass over all records", 0.0)
    assessment = assess(records, settings, until)
    whole = run_pass(records, settings, until)
    taken = whole.records.readings["taken_at"]
    ends = month_ends(taken.min().to_pydatetime(), until) if len(taken) else ()
    said = _all_said(whole, ends, tell)
    tolerance = settings.limits.tolerance_pct
    stories = unit_stories(whole.charts, tolerance / 100.0)
    keys, names = whole.counted.response.keys, whole.counted.names
    forecasts = judged(said, stories, keys, names)
    leads, passed = alert_leads(assessment, stories, keys, names)
    causes = named_causes(whole, assessment, lambda share: tell("Causes named before a finding", 0.9 + 0.1 * share))
    both = [one for one in forecasts if one.two_sided]
    coverage = _coverage(both, 90.0)
    cases = [case for one in both if (case := scored(one)) is not None]
    tell("Done", 1.0)
    return Replay(
        until=until,
        version=__version__,
        revision=records.revision,
        config=settings.fingerprint,
        tolerance_pct=tolerance,
        month_ends=ends,
        forecasts=tuple(forecasts),
        coverage=coverage,
        early_ends=_coverage([one for one in forecasts if not one.two_sided], 95.0),
        recalibration=recalibrate(cases, coverage),
        passings=tuple(passed),
        lead_times=lead_summary(passed),
        leads=tuple(leads),
        alarm_rate=alarm_rate(assessment, whole.records, passed),
        causes=tuple(causes),
        reliability=cause_reliability(causes),
    )


def _all_said(whole: Pass, ends: tuple[datetime, ...], tell: Progress) -> list[tuple[Then, Said]]:
    """The forecasts of every month end, in order.

    A forecast counts where a check has come since the month end before; else it is the one that stood already. One of an epoch
    that a new reference had ended speaks of a probe that is no more as it was, and is left out.
    """
    out: list[tuple[Then, Said]] = []
    newest: dict[int, float] = {}
    for number, end in enumerate(ends):
        tell(f"As it was on {end:%Y-%m-%d}", 0.1 + 0.8 * number / len(ends))
        at = then(whole, end)
        for one in forecasts_then(whole, at):
            if one.in_force and newest.get(one.series) != one.newest_days:
                out.append((at, one))
            newest[one.series] = one.newest_days
    return out


def _coverage(forecasts: list[Forecast], nominal_pct: float) -> Coverage:
    return cover(
        [one.verdict for one in forecasts],
        [one.drift for one in forecasts],
        [one.passed_on is not None for one in forecasts],
        nominal_pct,
    )
