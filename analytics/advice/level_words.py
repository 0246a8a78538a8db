"""What is said of the level of a response, how it came there, and when it leaves tolerance: no two sentences may contradict."""

from __future__ import annotations

from analytics.advice.evidence import Evidence
from analytics.advice.situation import Situation
from analytics.words import likely, signed_pct

PLAIN = 0.9  # probability of step or drift from which it is said whatever the cause
UNLIKE = {"efficiency_loss": "step", "sudden_loss": "drift"}  # course that the charts may show against a likely cause


def level_sentences(s: Situation, cause: str) -> list[str]:
    """Level with its interval, and step or drift, where an alarm of the level stands."""
    e = s.evidence
    if e.change_interval_pct is None:
        return []
    low, high = e.change_interval_pct
    here = f" in {s.windows.level}" if s.windows.level else ""
    stands = f"The response{here} stands at {100 + e.change_pct:.1f} % of its reference (90 % interval {100 + low:.1f} to {100 + high:.1f} %)"
    if e.onset and low < 0.0 < high:
        return [f"{stands}; the alarm that it changed about {e.onset} stands all the same."]
    since = f" since about {e.onset}" if e.onset else ""
    return [f"{stands}{since}.", *_course(e, cause)]


def _course(e: Evidence, cause: str) -> list[str]:
    """Step or drift. Where the charts show the one and the likely cause is the other, it cannot be told yet."""
    drifts = e.probability_ramp >= 0.5 and e.slope_interval_pct is not None
    steps = not drifts and e.probability_step >= 0.5
    if not (drifts or steps):
        return []
    if e.dropped is not None and cause == "sudden_loss":
        return [f"It stepped by {signed_pct(e.step_pct)}."]
    shown = "drift" if drifts else "step"
    if UNLIKE.get(cause) == shown and max(e.probability_ramp, e.probability_step) < PLAIN:
        return ["Whether it stepped or drifts cannot be told yet: more checks will."]
    if e.slope_interval_pct is not None and drifts:
        a, b = e.slope_interval_pct
        drift = f"t drifts by {signed_pct(e.slope_pct_per_year)} of its reference a year ({signed_pct(a)} to {signed_pct(b)})"
        with_what = e.companion if cause == "battery_or_temperature" else None
        return [f"As it was read i{drift}; what it owes to the {with_what} is in that." if with_what else f"I{drift}."]
    return [f"It stepped by {signed_pct(e.step_pct)} rather than drifted."]


def crossing_sentence(s: Situation, alarmed: bool) -> str | None:
    """When it leaves tolerance. Without an alarm only if it drifts as it seems to, and then with the chance of it."""
    c = s.crossing
    if c is None or c.p50 is None or s.uncleared is not None or not (alarmed or c.p95 is not None):
        return None
    by = f"between {c.p05} and {c.p95}" if c.p95 is not None else f"not before {c.p05}"
    it = f"In {s.windows.crossing} it" if s.windows.crossing else "It"
    limit = f"{c.limit_pct:g} % of its reference about {c.p50} (90 %: {by})"
    if alarmed or not c.probability_within_days:
        return f"{it} is expected to pass {limit}."
    days, chance = max(c.probability_within_days.items())
    return f"{it} passes {limit}, if it changes as its checks suggest; the chance that it does within {days} days is {likely(chance)}."
