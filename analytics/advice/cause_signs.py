"""Sentences, with their numbers, for the signs that speak for a cause and are no alarm of their own."""

from __future__ import annotations

from analytics.advice.causes import LEVEL_RULES, early_loss, steep_only
from analytics.advice.evidence import Evidence
from analytics.words import pct


def cause_signs(e: Evidence) -> list[str]:
    """What was weighed beside the alarms: an early loss, a rise, a drop on record, a steady background, a spread.

    >>> cause_signs(Evidence("GP-1", open_rules={"background"}, background_high=True, background_steady=True))
    ['The high backgrounds agree better than counts can by chance: pick-up or pulses by the clock rather than activity.']
    """
    out = []
    level = bool(e.open_rules & LEVEL_RULES)
    if early_loss(e) and e.change_interval_pct is not None:
        low, high = e.change_interval_pct
        out.append(
            f"No alarm of the response stands, but it has likely fallen (probability {pct(100 * e.moved)}): "
            f"{100 + e.change_pct:.1f} % of its reference (90 % interval {100 + low:.1f} to {100 + high:.1f} %)."
        )
    if level and e.alarm_direction == "high" and e.change_pct > 0 and e.window_moved is not True:
        where = "with the photopeak where it was" if e.window_moved is False and e.window_after_onset else "and the window has not been looked at since"
        out.append(
            f"The response rose by {pct(abs(e.change_pct))}, {where}: a detector does not gain counts by itself, "
            "so extra pulses or a moved gain are likely."
        )
    if e.dropped is not None:
        out.append(f"A drop is on record on {e.dropped}, about when the change began.")
    if e.background_steady:
        out.append("The high backgrounds agree better than counts can by chance: pick-up or pulses by the clock rather than activity.")
    if e.repeats_off:
        out.append(
            "Repeats without moving the probe scatter more, or less, than counts can by chance (chi-square): "
            "double or regular pulses, or a loose contact."
        )
    if e.scatter_low:
        out.append("Its checks agree better than counting allows: pulses by the clock, or a display that stands still.")
    if level and e.scatter_high and steep_only(e):
        out.append("About its course the newest checks spread as they should: the alarm of scatter comes from the steep change.")
    return out
