"""Openings as alerts in sentences, those on one happening under one episode."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from analytics.charts.openings import Opening
from analytics.results import Alert, Quantity, Rule
from analytics.words import day, moment, pct, signed_pct

EPOCH = datetime(1970, 1, 1)
TOGETHER_DAYS = 45.0  # a further alarm of the same probe within this time belongs to the same happening


@dataclass(frozen=True)
class Located:
    """An opening with the probe and the series of the answer it belongs to, and the exact moment that tipped it."""

    probe: str
    series: int  # SeriesResult.index
    quantity: Quantity
    unit: str
    opening: Opening
    signalled_at: datetime
    reference: float | None  # in the series' unit
    limit_pct: float  # tolerance or action level, for the sentence


def alerts_by_series(
    located: list[Located], settled_by_people: dict[str, list[datetime]] | None = None
) -> dict[int, list[Alert]]:
    """Alerts of each series, oldest first; an episode is named by its probe and the day of its first alarm.

    settled_by_people: by episode, when somebody settled it. That settles its alarms up to then; what gets worse opens
    under a further rule (action level, tolerance limit), so a settled alarm is not simply silent.
    """
    decided = settled_by_people or {}
    out: dict[int, list[Alert]] = {}
    by_probe: dict[str, list[Located]] = {}
    for one in located:
        by_probe.setdefault(one.probe, []).append(one)
    for probe in sorted(by_probe):
        mine = sorted(
            by_probe[probe], key=lambda one: (one.signalled_at, one.series, one.opening.rule, one.opening.direction)
        )
        episode, newest, open_until = "", None, float("-inf")
        for one in mine:
            at = one.opening.at_days
            if newest is None or (at > open_until and at - newest > TOGETHER_DAYS):
                episode, open_until = f"E-{probe}-{one.signalled_at:%Y%m%d}", float("-inf")
            newest = at
            settled = one.opening.settled_days
            for when in decided.get(episode, []):
                if when >= one.signalled_at:
                    by_hand = (when - EPOCH).total_seconds() / 86400.0
                    settled = by_hand if settled is None else min(settled, by_hand)
            open_until = max(open_until, float("inf") if settled is None else settled)
            out.setdefault(one.series, []).append(
                Alert(
                    episode,
                    one.opening.rule,
                    one.signalled_at,
                    None if one.opening.onset_days is None else moment(one.opening.onset_days),
                    None if settled is None else moment(settled),
                    one.opening.direction,
                    sentence(one),
                )
            )
    return out


def begun_within(alerts: Iterable[Alert], since: datetime, until: datetime) -> datetime | None:
    """Onset of the first standing change of level that began between two moments, before the second; None for none."""
    onsets = [one.onset_estimate for one in alerts if one.settled_at is None and one.rule in ("change_point", "cusum")]
    return min((one for one in onsets if one is not None and since < one < until), default=None)


def sentence(one: Located) -> str:
    """One sentence for an alert, with its numbers."""
    o = one.opening
    change = _percents(o.change)
    since = f", since about {day(o.onset_days)}" if o.onset_days is not None else ""
    way = "fell" if o.direction == "low" else "rose"
    texts: dict[Rule, str] = {
        "change_point": f"The response {way} by {pct(change)} against all checks before{since}.",
        "cusum": f"The response {way} by {pct(change)} against its reference{since}.",
        "drift": f"The response has drifted by {signed_pct(change)} from the first check of its reference on{since}.",
        "tolerance": f"The newest checks lie {signed_pct(change)} from the reference, beyond the tolerance limit of {one.limit_pct:g} %.",
        "action_level": f"The newest checks lie {signed_pct(change)} from the reference, beyond the action level of {one.limit_pct:g} %.",
        "scatter": {
            "high": f"Checks scatter by {pct(100 * o.change)} beyond counting and placing, or lie far off too often.",
            "low": "Checks scatter less than counting statistics allow: a pulser, or a display that does not count.",
            "both": "Repeats of one placing scatter more or less than counting statistics allow (chi-square).",
        }[o.direction],
        "no_signal": "Two checks in a row show no net counts above the decision limit.",
        "side": f"The side reading rose by {o.change:.2g} percentage points: the shield may have moved.",
        "below_side_readings": "The centred window does not count more than the window set below and above it.",
    }
    if o.rule == "background":
        times = (
            f", {1.0 + o.change / one.reference:.1f} times its usual {one.reference:.3g} cps" if one.reference else ""
        )
        return f"The background rose by {o.change:.{'3g' if o.change < 1000.0 else '0f'}} cps{times}: the tip may be contaminated."
    if o.rule == "window_shift":
        if one.unit == "%":
            return f"The photopeak lies {o.change:+.1f} % of its energy from where it was in the window.".replace(
                "-", "−"
            )
        return f"The counts above and below the photopeak changed by {pct(_percents(abs(o.change)))} against each other."
    return texts.get(o.rule, f"{o.rule}: {signed_pct(change)}.")


def _percents(change: float) -> float:
    """A natural log as per cents; beyond e^±50 nobody reads them any more."""
    return 100.0 * math.expm1(max(min(change, 50.0), -50.0))
