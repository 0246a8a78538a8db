"""How long before or after the tolerance was passed each alert came, and each passing its first alarm."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from analytics.charts.alerts import EPOCH
from analytics.counting.columns import Names
from analytics.counting.tables import Keys
from analytics.replays.judge import day_of
from analytics.replays.passings import Passing, UnitStory
from analytics.replays.results import AlertLead, LeadTimes, PassedTolerance
from analytics.results import Alert, FleetAssessment, SeriesResult

Place = tuple[str, str, str | None, str | None, str | None]
ON_THE_RESPONSE = ("response", "scatter")


def alert_leads(
    assessment: FleetAssessment, stories: Sequence[UnitStory], keys: Keys, names: Names
) -> tuple[list[AlertLead], list[PassedTolerance]]:
    """Every alert on a probe and every passing, each in the order of time.

    An alert belongs to the passing of the response of its own epoch (that of its own series and direction, where it is on
    the response; the first one of its probe, where it is on another quantity). None where that was not seen to pass, or where the
    alert had settled before: then it was about something else.
    """
    of_series: dict[Place, list[UnitStory]] = {}
    of_probe: dict[str, list[UnitStory]] = {}
    for story in stories:
        of_series.setdefault(_place(story, keys, names), []).append(story)
        of_probe.setdefault(names.probe[story.probe], []).append(story)
    leads: list[AlertLead] = []
    first: dict[tuple[int, bool], AlertLead] = {}
    for series in assessment.series:
        place: Place = (series.probe, series.window, series.jig, series.collimator, series.nuclide)
        own = of_series.get(place, []) if series.quantity in ON_THE_RESPONSE else []
        for alert in series.alerts:
            found = _passing_of(alert, series, own or of_probe.get(series.probe, []), own=bool(own))
            lead = _lead(alert, series, None if found is None else found[1])
            leads.append(lead)
            if found is not None and lead.lead_days is not None:
                which = (id(found[0]), found[1].low)
                if which not in first or alert.signalled_at < first[which].signalled_at:
                    first[which] = lead
    passed = [
        _passed(story, passing, first.get((id(story), passing.low)), keys, names)
        for story in stories
        for passing in (story.low, story.high)
        if passing is not None
    ]
    leads.sort(key=lambda one: (one.signalled_at, one.probe, one.rule, one.quantity))
    passed.sort(key=lambda one: (one.passed_on, one.probe, one.window))
    return leads, passed


def _place(story: UnitStory, keys: Keys, names: Names) -> Place:
    def name(of: tuple[str, ...], code: int) -> str | None:
        return of[code] if code >= 0 else None

    s = story.series
    return (
        names.probe[keys.probe[s]],
        names.window[keys.window[s]],
        name(names.jig, int(keys.jig[s])),
        name(names.collimator, int(keys.collimator[s])),
        name(names.nuclide, int(keys.nuclide[s])),
    )


def _days(alert: Alert) -> float:
    return (alert.signalled_at - EPOCH).total_seconds() / 86400.0


def _passing_of(
    alert: Alert, series: SeriesResult, stories: Sequence[UnitStory], *, own: bool
) -> tuple[UnitStory, Passing] | None:
    """The passing an alert may be about, and whose it is."""
    at = _days(alert)
    settled = None if alert.settled_at is None else (alert.settled_at - EPOCH).total_seconds() / 86400.0
    best: tuple[UnitStory, Passing] | None = None
    for story in _in_force(stories, at):
        if own and series.quantity == "response" and alert.direction != "both":
            passing = story.passing(low=alert.direction == "low")
        else:
            passing = story.first_passing
        if passing is None or (settled is not None and settled < passing.earliest):
            continue
        if not own and at > passing.latest:
            continue  # what another quantity shows after the response has passed tells nothing of the passing
        if best is None or passing.day < best[1].day:
            best = story, passing
    return best


def _in_force(stories: Sequence[UnitStory], at: float) -> list[UnitStory]:
    """Of each series the epoch that had begun last by then."""
    newest: dict[int, UnitStory] = {}
    for story in stories:
        if story.began_days <= at and (
            story.series not in newest or story.began_days > newest[story.series].began_days
        ):
            newest[story.series] = story
    return list(newest.values())


def _lead(alert: Alert, series: SeriesResult, passing: Passing | None) -> AlertLead:
    return AlertLead(
        series.probe,
        series.window,
        series.jig,
        series.quantity,
        alert.episode,
        alert.rule,
        alert.direction,
        alert.signalled_at,
        alert.settled_at,
        None if passing is None else day_of(passing.day),
        None if passing is None else passing.day - _days(alert),
    )


def _passed(
    story: UnitStory, passing: Passing, first: AlertLead | None, keys: Keys, names: Names
) -> PassedTolerance:
    probe, window, jig, _, _ = _place(story, keys, names)
    return PassedTolerance(
        probe,
        window,
        jig,
        "low" if passing.low else "high",
        day_of(passing.day),
        (day_of(passing.earliest), day_of(passing.latest)),
        passing.sudden,
        None if first is None else first.signalled_at,
        None if first is None else first.rule,
        None if first is None else first.lead_days,
    )


def lead_summary(passed: Sequence[PassedTolerance]) -> LeadTimes:
    """How early the first alarm came, over all passings. No passing: nothing is said."""
    slow = [one for one in passed if not one.sudden]
    drifts = [0.0 if one.lead_days is None else one.lead_days for one in slow]
    fast = [one for one in passed if one.sudden]
    steps = [one.lead_days for one in fast if one.lead_days is not None]
    return LeadTimes(
        len(slow),
        sum(one > 0 for one in drifts),
        float(median(drifts)) if drifts else None,
        len(fast),
        len(steps),
        float(median(steps)) if steps else None,
    )
