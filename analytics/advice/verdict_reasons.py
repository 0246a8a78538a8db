"""Why: the findings on a probe in sentences, each with its numbers."""

from __future__ import annotations

from analytics.advice.cause_signs import cause_signs
from analytics.advice.causes import FAR_CHECKS
from analytics.advice.decision_facts import Facts
from analytics.advice.level_words import crossing_sentence, level_sentences
from analytics.advice.situation import Situation
from analytics.words import likely, signed_pct

LIKELY_NOT_HELD = 0.6  # probability from which it is said so
SAME_ALARM = "The same kind of alarm was open before the last service"


def reasons(  # noqa: C901, PLR0912, PLR0915 -- one sentence a finding, in the order they are read
    s: Situation, facts: Facts, cause: str, probability: float
) -> list[str]:
    """One sentence a finding, in the order they are read."""
    e, named = s.evidence, s.windows
    out: list[str] = []
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
    out.extend(level_sentences(s, cause) if level else [])
    if "tolerance" in e.open_rules:
        it = f"In {' and '.join(named.beyond)} it" if named.beyond else "It"
        out.append(f"{it} is beyond the tolerance limit of {s.tolerance_pct:g} %: not for patient use until cleared.")
    elif s.likely_outside and s.uncleared is None:
        out.append(
            f"It is likely beyond the tolerance limit of {s.tolerance_pct:g} % now (probability {likely(e.probability_outside)}): "
            "repeat the check before it is used."
        )
    if e.no_signal:
        out.append(
            "Two checks in a row showed no net counts above the decision limit: dead cable, or no source in place."
        )
    if (passing := crossing_sentence(s, bool(level))) is not None:
        out.append(passing)
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
        alone = f"{e.outliers} lay alone and far off" if e.outliers else ""
        below = f"{e.outliers_low} {'' if alone else 'lay '}far below their likely course" if e.outliers_low else ""
        newest = f"; of the newest 30, {' and '.join(filter(None, (alone, below)))}" if alone or below else ""
        out.append(f"Its checks scatter beyond counting and placing{newest}.")
    elif e.outliers_low >= FAR_CHECKS:
        out.append(
            f"{e.outliers_low} of its newest 30 checks lay far below their likely course, and no alarm of scatter stands: "
            "watch for a contact that cuts out."
        )
    if e.side_high and e.side_factor is not None:
        out.append(f"The side reading is {e.side_factor:.3g} times its usual share: the shield may have moved.")
    if "below_side_readings" in e.open_rules:
        out.append("The centred window does not count more than the windows set below and above it.")
    if e.companion is not None:
        out.append(e.companion_text)
    out.extend(cause_signs(e))
    if s.silent_once and not e.no_signal:
        out.append("The newest check shows no net counts above the decision limit: see that the source is in place and repeat it.")
    elif s.repeat_requested and not s.silent_once:
        out.append("The newest check lies far from its neighbours: repeat it with the probe taken out and put back.")
        if s.slip is not None:
            out.append(f"{s.slip} Nothing is changed by itself.")
    if s.clearing:
        out.extend(s.clearing)
    elif s.uncleared is not None and not e.open_rules & {"tolerance", "no_signal"}:
        out.append(
            f"It was beyond the tolerance limit or without signal on {s.uncleared}, and nobody has cleared it since on a check that verifies it."
        )
    if s.withdrawn is not None:
        out.append(f"Withdrawn on {s.withdrawn}; it is not asked for checks until it is cleared.")
    elif s.out_of_use:
        out.append("It was taken out of use and has not been cleared since.")
    if cause not in ("none", "unknown"):
        out.append(f"Likely cause: {cause.replace('_', ' ')} (probability {likely(probability)}).")
    elif cause == "unknown":
        out.append("No known pattern of faults fits well enough to name a cause.")
    if not out and s.ever_read and s.not_judged is None:
        out.append("All charts are within their limits.")
    if s.unjudged is not None and not s.unjudged.newest:
        out.append(s.unjudged.sentence)
    out.extend(_history(s, facts))
    out.extend(s.fitness.sentences)
    out.extend(s.remarks)
    return out


def _history(s: Situation, facts: Facts) -> list[str]:
    """What services, age and costs add."""
    out: list[str] = []
    if s.last is not None and s.recent_services():
        out.extend(s.last.sentences())
    if facts["same_alarm_again"]:
        surely = s.last is None or s.last.not_held is None or s.last.not_held >= LIKELY_NOT_HELD
        it = "The last service did not hold: the same kind of alarm was open before it" if surely else SAME_ALARM
        out.append(f"{it} and is open again.")
    if s.recent_services() >= 2 and s.evidence.open_rules:
        within = "two years" if s.services_window_days == 730 else f"{s.services_window_days:g} days"
        out.append(f"{s.recent_services()} services within {within}, and an alarm is open again.")
    ratio = s.costs.ratio
    if ratio is not None and ratio > 1.0 and (said := s.costs.sentence()) is not None:
        out.append(said)
    return out
