"""Each forecast held against what came: held, sooner, later, or still open."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from analytics.charts.alerts import EPOCH
from analytics.counting.columns import Names
from analytics.counting.tables import Keys
from analytics.replays.backdate import Then
from analytics.replays.coverage import Case
from analytics.replays.forecasts import Said
from analytics.replays.passings import Passing, UnitStory
from analytics.replays.results import Forecast, Verdict
from analytics.results import Crossing
from analytics.words import moment

DAY_ZERO = date(1970, 1, 1)


def day_of(days: float) -> date:
    """The calendar day of a day number."""
    return DAY_ZERO + timedelta(days=int(days // 1))


def days_of(day: date) -> float:
    """Noon of a day as days since 1970."""
    return (day - DAY_ZERO).days + 0.5


def verdict(
    crossing: Crossing, newest_days: float, passed_days: float | None, followed_days: float
) -> Verdict:
    """What came of a forecast.

    newest_days: the newest check behind it. passed_days: day of the passing in its direction; None: not seen up to
    ``followed_days``, the last check of its reference epoch. A forecast with an early end alone holds once that is over.
    """
    if passed_days is not None:
        on = day_of(passed_days)
        if passed_days <= newest_days:
            return "already_passed"
        if crossing.p05 is not None and on < crossing.p05:
            return "sooner"
        return "held" if crossing.p95 is None or on <= crossing.p95 else "later"
    last = day_of(followed_days)
    if crossing.p95 is None:
        return "held" if crossing.p05 is not None and last >= crossing.p05 else "open"
    return "later" if last > crossing.p95 else "open"


def judged(said: Sequence[tuple[Then, Said]], stories: Sequence[UnitStory], keys: Keys, names: Names) -> list[Forecast]:
    """All forecasts with their verdicts, in the order given. Those of an epoch without a reference now are left out."""
    number = {(one.series, one.began_days): i for i, one in enumerate(stories)}
    out = []
    for at, one in said:
        drift = number.get((one.series, one.unit_began_days))
        if drift is None or one.crossing.p05 is None:
            continue
        story = stories[drift]
        passing = story.passing(low=one.crossing.limit_pct < 100.0)
        result = verdict(one.crossing, one.newest_days, None if passing is None else passing.day, story.last_days)
        jig = int(keys.jig[one.series])
        out.append(
            Forecast(
                made_at=at.moment,
                probe=names.probe[keys.probe[one.series]],
                window=names.window[keys.window[one.series]],
                jig=names.jig[jig] if jig >= 0 else None,
                drift=drift,
                newest_check_at=moment(one.newest_days),
                limit_pct=one.crossing.limit_pct,
                p05=one.crossing.p05,
                p50=one.crossing.p50,
                p95=one.crossing.p95,
                by_window=one.by_window,
                passed_on=None if passing is None else day_of(passing.day),
                passed_between=None if passing is None else (day_of(passing.earliest), day_of(passing.latest)),
                followed_until=day_of(story.last_days),
                reference_ended=story.ended,
                verdict=result,
                in_doubt=passing is not None and _in_doubt(one, passing, story, result),
            )
        )
    return out


def _in_doubt(one: Said, passing: Passing, story: UnitStory, result: Verdict) -> bool:
    ends = (passing.earliest, passing.latest)
    return any(verdict(one.crossing, one.newest_days, end, story.last_days) != result for end in ends)


def scored(forecast: Forecast) -> Case | None:
    """A decided forecast with both ends, in days ahead of its newest check; None for any other."""
    if forecast.p50 is None or forecast.p95 is None or forecast.verdict not in ("held", "sooner", "later"):
        return None
    start = (forecast.newest_check_at - EPOCH).total_seconds() / 86400.0
    came = forecast.passed_on if forecast.passed_on is not None else forecast.followed_until
    return Case(
        days_of(forecast.p05) - start,
        days_of(forecast.p50) - start,
        days_of(forecast.p95) - start,
        days_of(came) - start,
        forecast.passed_on is not None,
    )
