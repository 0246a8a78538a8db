"""Which fault left this pattern: probabilities of causes from all quantities together.

Naive Bayes over evidence: P(pattern | evidence) ∝ P(pattern) · Π P(evidence | pattern), summed over the
patterns of a cause; an item that is itself uncertain (fell,
gradual) entering as q · P(yes | pattern) + (1 − q) · P(no | pattern). The tables are the trade's knowledge of how probes go
wrong, written as odds (common practice, no source) and held against simulated fleets with known truth. Evidence that was
not measured is left out. ``unknown`` is a cause among the others, whose pattern is any: it wins where nothing fits.
Items are not independent as Bayes takes them, so the sum is tempered before it becomes a probability.
"""

from __future__ import annotations

import math

from analytics.advice.evidence import Evidence

# Patterns, each with the cause that leaves it and how often it comes (common practice, no source). A cause may leave several:
# a contact that cuts out or is gone, pulses that come twice or by the clock.
PATTERNS: dict[str, tuple[str, float]] = {
    "window_slip": ("window_slip", 0.20),
    "efficiency_loss": ("efficiency_loss", 0.30),
    "sudden_loss": ("sudden_loss", 0.15),
    "contamination": ("contamination", 0.08),
    "contact_cuts_out": ("intermittent", 0.08),
    "contact_gone": ("intermittent", 0.02),
    "shield": ("shield", 0.04),
    "extra_pulses": ("electronics", 0.04),
    "clocked_pulses": ("electronics", 0.02),
    "battery_or_temperature": ("battery_or_temperature", 0.05),
    "check_source": ("check_source", 0.01),
    "any": ("unknown", 0.01),
}
CAUSES = tuple(dict.fromkeys(cause for cause, _ in PATTERNS.values()))
# P(evidence is "yes" | pattern), in the order of PATTERNS.
YES = {
    #                  window  effic  sudden contam cuts   gone   shield extra  clock  batt   source any
    "level_moved":    (0.90,   0.98,  0.98,  0.05,  0.45,  0.10,  0.05,  0.85,  0.10,  0.55,  0.95,  0.60),
    "fell":           (0.65,   0.985, 0.97,  0.50,  0.93,  0.97,  0.50,  0.03,  0.30,  0.70,  0.50,  0.50),
    "gradual":        (0.85,   0.94,  0.06,  0.30,  0.35,  0.30,  0.30,  0.40,  0.30,  0.45,  0.60,  0.50),
    "came_back":      (0.02,   0.01,  0.02,  0.30,  0.50,  0.05,  0.30,  0.05,  0.30,  0.50,  0.05,  0.40),
    "window_moved":   (0.93,   0.03,  0.04,  0.03,  0.04,  0.02,  0.02,  0.03,  0.03,  0.04,  0.02,  0.10),
    "windows_differ": (0.95,   0.60,  0.10,  0.10,  0.15,  0.05,  0.05,  0.15,  0.10,  0.15,  0.05,  0.30),
    "width_grew":     (0.20,   0.30,  0.10,  0.03,  0.05,  0.02,  0.02,  0.10,  0.05,  0.10,  0.02,  0.10),
    "background":     (0.02,   0.02,  0.02,  0.98,  0.02,  0.02,  0.02,  0.08,  0.40,  0.02,  0.02,  0.15),
    "background_steady": (0.02, 0.02, 0.02,  0.003, 0.02,  0.02,  0.02,  0.10,  0.80,  0.02,  0.02,  0.02),
    "scatter_high":   (0.30,   0.08,  0.08,  0.05,  0.75,  0.20,  0.03,  0.40,  0.05,  0.40,  0.05,  0.30),
    "scatter_low":    (0.01,   0.01,  0.01,  0.01,  0.01,  0.01,  0.01,  0.01,  0.45,  0.01,  0.01,  0.03),
    "repeats_off":    (0.01,   0.01,  0.01,  0.01,  0.20,  0.03,  0.01,  0.30,  0.85,  0.02,  0.01,  0.03),
    "low_outliers":   (0.15,   0.06,  0.06,  0.03,  0.92,  0.20,  0.03,  0.10,  0.04,  0.35,  0.03,  0.20),
    "many_low":       (0.05,   0.015, 0.015, 0.01,  0.60,  0.10,  0.01,  0.03,  0.01,  0.15,  0.01,  0.08),
    "no_signal":      (0.005,  0.005, 0.02,  0.005, 0.10,  0.98,  0.005, 0.01,  0.01,  0.02,  0.005, 0.02),
    "side_high":      (0.02,   0.02,  0.06,  0.05,  0.02,  0.02,  0.97,  0.02,  0.02,  0.02,  0.02,  0.10),
    "not_centred":    (0.40,   0.02,  0.02,  0.02,  0.03,  0.02,  0.02,  0.04,  0.02,  0.03,  0.02,  0.10),
    "dropped":        (0.03,   0.02,  0.35,  0.02,  0.08,  0.15,  0.20,  0.03,  0.02,  0.02,  0.02,  0.05),
    "companion":      (0.01,   0.01,  0.01,  0.01,  0.01,  0.01,  0.01,  0.02,  0.01,  0.70,  0.01,  0.01),
    "companion_explains": (0.15, 0.25, 0.25, 0.50,  0.50,  0.50,  0.50,  0.25,  0.50,  0.95,  0.25,  0.50),
    "source_suspect": (0.004,  0.004, 0.004, 0.004, 0.004, 0.004, 0.004, 0.004, 0.004, 0.004, 0.98, 0.02),
}  # fmt: skip
LEVEL_RULES = frozenset({"change_point", "cusum", "ewma", "drift", "action_level", "tolerance", "outside_limits", "same_side"})
TEMPER = 1.15  # of the sum of log likelihoods; fitted on simulated fleets with the reliability picture
LEAST_SPREAD = 1.5  # mean square in variances from which an alarm of scatter is scatter and not a steep course
# An alarm stands until it is settled, though the response may be back: then its course no longer tells.
BACK_PROBABILITY, BACK_PCT = 0.3, 1.5
SHAPE_DOUBT = 0.05  # however sure step or ramp is, the shape of the fault may be another
# A change may be plain before it has used up the budget for an alarm: likelier than not, and so large (in per cent) that
# what the shared movement leaves over does not make it.
EARLY_PROBABILITY, EARLY_PCT = 0.5, -2.0
FAR_CHECKS = 4  # newest checks far below their course that need no alarm: of three, as many were blunders as were a contact
BLUNDERED = 0.5  # odds that four were blunders, against a fault; each further one divides them by four (simulated fleets)
NOT_HELD = 0.5  # probability that the last service did not hold, from which what it was for is named as the cause
AS_BEFORE = 0.9  # of those, that it is the same fault as before and no other (simulated fleets: hardly ever another)


def early_loss(e: Evidence) -> bool:
    """Whether the response has likely fallen although no alarm of its level stands yet."""
    return not e.open_rules & LEVEL_RULES and e.moved > EARLY_PROBABILITY and e.change_pct < EARLY_PCT


def speaks(e: Evidence) -> bool:
    """Whether anything asks for a cause: an open alarm, or a sign so sure that it need not wait for one."""
    return bool(e.open_rules) or e.companion is not None or bool(e.window_moved) or e.outliers_low >= FAR_CHECKS or early_loss(e)


def findings(e: Evidence) -> dict[str, float]:
    """The evidence as items between 0 (no) and 1 (yes); what was not measured is missing.

    The shape (fell, gradual) counts only where the level moved; a window that was not looked at since the change says
    nothing about it.
    """
    moved = bool(e.open_rules & LEVEL_RULES) or early_loss(e)
    out: dict[str, float] = {
        "level_moved": moved,
        "background": e.background_high,
        "scatter_high": e.scatter_high and not (moved and steep_only(e)),
        "scatter_low": e.scatter_low,
        "low_outliers": e.outliers_low >= 2,
        "many_low": e.outliers_low >= 4,
        "no_signal": e.no_signal,
        "companion": e.companion is not None,
    }
    if e.no_signal:
        # A dead cable need not have warned by scatter before.
        out = {name: yes for name, yes in out.items() if yes or name not in ("scatter_high", "low_outliers", "many_low")}
    if e.repeats_off or e.repeats_made:
        out["repeats_off"] = e.repeats_off
    if e.background_steady is not None:
        out["background_steady"] = e.background_steady
    if e.companion is not None and moved:
        out["companion_explains"] = e.companion_explains
    out |= _shape(e) if moved else {}
    out |= _window(e, moved)
    if e.side_high is not None:
        out["side_high"] = e.side_high
    if moved or e.side_high or e.scatter_high:
        out["dropped"] = e.dropped is not None
    if e.source_suspect is not None:
        out["source_suspect"] = True
    return {name: float(q) for name, q in out.items()}


def steep_only(e: Evidence) -> bool:
    """Whether the newest checks spread about their course as they should: where the level moved, that raised the alarm of scatter."""
    return e.spread_about_course is not None and e.spread_about_course <= LEAST_SPREAD


def _shape(e: Evidence) -> dict[str, float]:
    """Way and shape of a level that moved, by how sure they are; none of them where it is back at its reference."""
    if max(e.probability_ramp + e.probability_step, e.moved) < BACK_PROBABILITY and abs(e.change_pct) < BACK_PCT:
        return {"came_back": 1.0}
    out = {"came_back": 0.0} | ({} if e.windows_opposed else {"fell": _fell(e)})
    if e.gradual is not None and max(e.moved, e.probability_ramp + e.probability_step) > 0.3:
        out["gradual"] = SHAPE_DOUBT + (1.0 - 2.0 * SHAPE_DOUBT) * e.gradual
    return out


def _fell(e: Evidence) -> float:
    if e.alarm_direction is not None:
        return float(e.alarm_direction == "low")
    if e.change_interval_pct is None:
        return float(e.change_pct < 0)
    sd = max((e.change_interval_pct[1] - e.change_interval_pct[0]) / 3.29, 1e-6)
    return 0.5 * math.erfc(e.change_pct / sd / math.sqrt(2.0))


def _window(e: Evidence, moved: bool) -> dict[str, float]:
    """What the looks at the photopeak say."""
    out: dict[str, float] = {}
    if e.window_moved is not None and (e.window_moved or e.window_after_onset or not moved):
        out["window_moved"] = e.window_moved
    if e.window_moved is not None or "below_side_readings" in e.open_rules:
        out["not_centred"] = "below_side_readings" in e.open_rules
    if e.windows_disagree is not None and moved:
        out["windows_differ"] = e.windows_disagree
    if e.width_grew is not None and (e.window_after_onset or e.width_grew):
        out["width_grew"] = e.width_grew
    return out


def cause_probabilities(e: Evidence) -> dict[str, float]:
    """Probabilities of the causes, the likeliest first; ``none`` where nothing asks for one.

    >>> p = cause_probabilities(Evidence("GP-1", open_rules={"background"}, background_high=True))
    >>> max(p, key=p.get)
    'contamination'
    >>> cause_probabilities(Evidence("GP-1"))
    {'none': 1.0}
    """
    if not speaks(e):
        return _goes_on(e) if e.goes_on is not None and e.not_held >= NOT_HELD else {"none": 1.0}
    items = findings(e)
    score = []
    for i, (_, prior) in enumerate(PATTERNS.values()):
        likelihood = sum(math.log(q * YES[name][i] + (1.0 - q) * (1.0 - YES[name][i])) for name, q in items.items())
        score.append(math.log(prior) + TEMPER * likelihood)
    best = max(score)
    weights = dict.fromkeys(CAUSES, 0.0)
    for (cause, _), one in zip(PATTERNS.values(), score, strict=True):
        weights[cause] += math.exp(one - best)
    if not e.open_rules and not e.window_moved and e.companion is None:
        if early_loss(e):  # the course of the response asks: it may as well have stayed where it was
            odds = (1.0 - e.moved) / e.moved
        else:  # checks far below ask: they may as well have been blunders
            odds = BLUNDERED * 0.25 ** (e.outliers_low - FAR_CHECKS)
        weights["none"] = sum(weights.values()) * odds
    total = sum(weights.values())
    return {c: w / total for c, w in sorted(weights.items(), key=lambda kv: -kv[1])}


def _goes_on(e: Evidence) -> dict[str, float]:
    """A service was to end something and did not: what it was goes on, though the charts began anew with the service."""
    found = {str(e.goes_on): AS_BEFORE * e.not_held, "unknown": (1.0 - AS_BEFORE) * e.not_held, "none": 1.0 - e.not_held}
    return dict(sorted(found.items(), key=lambda kv: -kv[1]))
