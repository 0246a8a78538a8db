"""From evidence to advice: use, watch, service, retire or undetermined, and whether patients may be served.

The table, first row that holds (limits and intervals from the settings):

| advice | when |
|---|---|
| undetermined | a check is overdue; too few checks since the reference began; back from service and not read again |
| retire | a service did not hold: the same alarm again, or two services within two years and an alarm again |
| service | beyond the tolerance limit or the action level; no signal; window, side, scatter or background alarm; forecast to leave tolerance within a year |
| watch | an alarm is open that does not yet ask for a service; the newest check asks for a repeat |
| use | none of these |

Patient use: not until cleared when it was beyond the tolerance limit or without signal and neither a person cleared it nor a
service with a good check after it answered that, or when taken out by a person and not cleared;
repeat first while a repeat is asked for, a check is overdue, or a return from service is not verified.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import cast

import numpy as np

from analytics.advice.causes import cause_probabilities
from analytics.advice.evidence import Evidence
from analytics.results import Cause, Crossing, PatientUse, ProbeAdvice
from analytics.words import pct, signed_pct

SERVICE_KINDS = ("repair", "detector_replaced", "recentred", "cable_replaced")
SLIP_PROBABILITY = 0.7  # of a lone outlier that one slip explains (simulated fleets: about two in three)
REPEAT_SERVICE_DAYS = 730.0
SERVICE_RULES = (
    "tolerance",
    "action_level",
    "no_signal",
    "window_shift",
    "side",
    "scatter",
    "background",
    "below_side_readings",
)


@dataclass
class Situation:
    """What is known about a probe beside its charts."""

    evidence: Evidence
    services: list[tuple[float, str]] = field(default_factory=list)  # day, kind, in order
    checks_in_force: int = 0
    least_checks: int = 5
    overdue: list[str] = field(default_factory=list)  # sentences
    unread_since: str | None = None  # kind and day of a service with no check after it
    repeat_requested: bool = False
    crossing: Crossing | None = None
    silent_once: bool = False  # the newest check shows no signal
    remarks: tuple[str, ...] = ()  # what is to be said of the numbers themselves: a gross response
    slip: str | None = None  # what the newest check would be if it were a slip of the pen
    out_of_use: bool = False  # withdrawn or set out of use by a person, not cleared since
    uncleared: str | None = (
        None  # day of a tolerance or no-signal alarm that nobody cleared and no verified service answered
    )
    withdrawn: str | None = None  # day it was withdrawn, while it is
    earlier_alarm_before_service: bool = False
    ever_read: bool = True
    now_days: float = 0.0
    tolerance_pct: float = 10.0
    as_of: datetime = datetime(1970, 1, 1)


@dataclass(frozen=True)
class Verdict:
    """Advice with its reasons."""

    advice: ProbeAdvice
    patient_use: PatientUse
    cause: Cause
    cause_probability: float | None
    probabilities: dict[str, float]
    reasons: tuple[str, ...]
    missing: tuple[str, ...]


def judge(s: Situation) -> Verdict:
    """The verdict on one probe."""
    e = s.evidence
    probabilities = cause_probabilities(e)
    cause = cast(Cause, max(probabilities, key=lambda c: probabilities[c]))
    probability = probabilities[cause]
    if cause not in ("none", "unknown") and probability < 0.4:
        cause, probability = "unknown", 1.0 - probability
    if cause == "none" and s.repeat_requested and s.slip is not None:
        probabilities = {"record_error": SLIP_PROBABILITY, "unknown": 1.0 - SLIP_PROBABILITY}
        cause, probability = "record_error", SLIP_PROBABILITY
    missing = _missing(s)
    bad = s.uncleared is not None
    reasons = _reasons(s, cause, probability)
    advice: ProbeAdvice
    if missing:
        advice = "undetermined"
    elif e.open_rules and _did_not_hold(s, reasons):
        advice = "retire"
    elif e.open_rules & set(SERVICE_RULES) or _leaves_soon(s):
        advice = "service"
    elif e.open_rules or s.repeat_requested or e.companion is not None:
        advice = "watch"
    else:
        advice = "use"
    use: PatientUse = "allowed"
    if bad or s.out_of_use:
        use = "not_until_cleared"
    elif s.repeat_requested or s.overdue or s.unread_since or not s.ever_read or "background" in e.open_rules:
        use = "repeat_first"
    return Verdict(
        advice,
        use,
        cause,
        round(probability, 4) if cause != "none" else None,
        probabilities,
        tuple(reasons),
        tuple(missing),
    )


def _missing(s: Situation) -> list[str]:
    out = list(s.overdue)
    if s.unread_since is not None:
        out.append(f"Not read again since {s.unread_since}: a check on the source is missing.")
    elif not s.ever_read:
        out.append("No check on a source has been recorded for this probe.")
    elif s.checks_in_force < s.least_checks and not s.evidence.no_signal:
        lack = s.least_checks - s.checks_in_force
        out.append(
            f"Only {s.checks_in_force} check{'' if s.checks_in_force == 1 else 's'} since its reference began: "
            f"{lack} more {'is' if lack == 1 else 'are'} needed."
        )
    return out


def _leaves_soon(s: Situation) -> bool:
    return (
        s.crossing is not None
        and s.crossing.probability_within_days.get(365, 0.0) >= 0.5
        and bool(s.evidence.open_rules)
    )


def _did_not_hold(s: Situation, reasons: list[str]) -> bool:
    recent = [one for one in s.services if s.now_days - one[0] <= REPEAT_SERVICE_DAYS]
    if len(recent) >= 2:
        reasons.append(f"{len(recent)} services within two years, and an alarm is open again.")
        return True
    if recent and s.earlier_alarm_before_service:
        reasons.append("The last service did not hold: the same kind of alarm was open before it and is open again.")
        return True
    return False


def _reasons(  # noqa: C901, PLR0912, PLR0915 -- one sentence a finding, in the order they are read
    s: Situation, cause: str, probability: float) -> list[str]:
    e, out = s.evidence, []
    level = e.open_rules & {
        "change_point",
        "cusum",
        "action_level",
        "tolerance",
        "ewma",
        "outside_limits",
        "same_side",
        "drift",
    }
    if level and e.change_interval_pct is not None:
        low, high = e.change_interval_pct
        since = f" since about {e.onset}" if e.onset else ""
        out.append(
            f"The response stands at {100 + e.change_pct:.1f} % of its reference (90 % interval {100 + low:.1f} to {100 + high:.1f} %){since}."
        )
        if e.probability_ramp >= 0.5 and e.slope_interval_pct is not None:
            a, b = e.slope_interval_pct
            out.append(f"It drifts by {signed_pct(e.slope_pct_per_year)} of its reference a year ({signed_pct(a)} to {signed_pct(b)}).")
        elif e.probability_step >= 0.5:
            out.append(f"It stepped by {signed_pct(e.step_pct)} rather than drifted.")
    if "tolerance" in e.open_rules:
        out.append(f"It is beyond the tolerance limit of {s.tolerance_pct:g} %: not for patient use until cleared.")
    if e.no_signal:
        out.append(
            "Two checks in a row showed no net counts above the decision limit: dead cable, or no source in place."
        )
    if (
        s.crossing is not None
        and s.crossing.p50 is not None
        and (level or s.crossing.p95 is not None)
        and s.uncleared is None
    ):
        c = s.crossing
        by = f"between {c.p05} and {c.p95}" if c.p95 is not None else f"not before {c.p05}"
        out.append(f"It is expected to pass {c.limit_pct:g} % of its reference about {c.p50} (90 %: {by}).")
    if e.window_moved and e.window_shift_pct is not None:
        out.append(
            f"The photopeak moved by {signed_pct(e.window_shift_pct)} of its energy in the window (z = {e.window_shift_z:+.1f}).".replace(
                "-", "−"
            )
        )
    elif e.window_moved:
        out.append("The counts below and above the photopeak no longer stand as they did.")
    elif e.window_moved is False and level and e.window_after_onset:
        out.append("The window check since then shows the photopeak where it was.")
    if e.windows_disagree and level:
        out.append("The response in its two windows moved by different amounts, as a shift of the gain does.")
    if e.background_high and e.background_factor is not None:
        out.append(
            f"The background is {e.background_factor:.1f} times its usual level: clean the tip and read the background again."
        )
    if e.scatter_high:
        out.append(
            f"Its checks scatter beyond counting and placing; {e.outliers} of the newest 30 lie far off, {e.outliers_low} of them low."
        )
    if e.side_high and e.side_factor is not None:
        out.append(f"The side reading is {e.side_factor:.2f} times its usual share: the shield may have moved.")
    if "below_side_readings" in e.open_rules:
        out.append("The centred window does not count more than the windows set below and above it.")
    if e.companion is not None:
        out.append(e.companion_text)
    if s.silent_once and not e.no_signal:
        out.append("The newest check shows no net counts above the decision limit: see that the source is in place and repeat it.")
    elif s.repeat_requested and not s.silent_once:
        out.append("The newest check lies far from its neighbours: repeat it with the probe taken out and put back.")
        if s.slip is not None:
            out.append(f"{s.slip} Nothing is changed by itself.")
    if s.uncleared is not None and not e.open_rules & {"tolerance", "no_signal"}:
        out.append(
            f"It was beyond the tolerance limit or without signal on {s.uncleared}, and nobody has cleared it since on a check that verifies it."
        )
    if s.withdrawn is not None:
        out.append(f"Withdrawn on {s.withdrawn}; it is not asked for checks until it is cleared.")
    elif s.out_of_use:
        out.append("It was taken out of use and has not been cleared since.")
    if cause not in ("none", "unknown"):
        out.append(f"Likely cause: {cause.replace('_', ' ')} (probability {pct(100 * probability)}).")
    elif cause == "unknown":
        out.append("No known pattern of faults fits well enough to name a cause.")
    out.extend(s.remarks)
    if not (set(out) - set(s.remarks)) and s.ever_read:
        out.insert(0, "All charts are within their limits.")
    return out


def outside_now(probability: float) -> bool:
    """Whether a probe counts as outside tolerance at this probability."""
    return bool(np.isfinite(probability) and probability > 0.5)
