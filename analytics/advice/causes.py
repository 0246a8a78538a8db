"""Which fault left this pattern: probabilities of causes from all quantities together.

Naive Bayes over evidence: P(cause | evidence) ∝ P(cause) · Π P(evidence | cause). The tables are the trade's knowledge of
how probes go wrong, written as odds (common practice, no source) and held against simulated fleets with known truth.
Evidence that was not measured is left out. A pattern that no cause explains well is ``unknown``.
"""

from __future__ import annotations

import math

from analytics.advice.evidence import Evidence

CAUSES = (
    "window_slip",
    "efficiency_loss",
    "sudden_loss",
    "contamination",
    "intermittent",
    "shield",
    "electronics",
    "battery_or_temperature",
    "check_source",
)
PRIOR = {
    "window_slip": 0.22,
    "efficiency_loss": 0.32,
    "sudden_loss": 0.14,
    "contamination": 0.09,
    "intermittent": 0.10,
    "shield": 0.05,
    "electronics": 0.05,
    "battery_or_temperature": 0.04,
    "check_source": 0.01,
}
# P(evidence is "yes" | cause), in the order of CAUSES.
YES = {
    "level_moved": (0.90, 0.98, 0.98, 0.05, 0.35, 0.05, 0.55, 0.40, 0.30),
    "fell": (0.70, 0.99, 0.97, 0.50, 0.92, 0.50, 0.15, 0.80, 0.50),
    "gradual": (0.85, 0.95, 0.06, 0.30, 0.30, 0.30, 0.30, 0.50, 0.60),
    "window_moved": (0.93, 0.03, 0.05, 0.03, 0.05, 0.02, 0.06, 0.10, 0.02),
    "windows_differ": (0.90, 0.05, 0.08, 0.10, 0.20, 0.05, 0.15, 0.20, 0.05),
    "width_grew": (0.20, 0.30, 0.10, 0.03, 0.05, 0.02, 0.10, 0.10, 0.02),
    "background": (0.02, 0.02, 0.02, 0.97, 0.02, 0.02, 0.03, 0.02, 0.02),
    "scatter_high": (0.30, 0.10, 0.12, 0.05, 0.85, 0.03, 0.40, 0.55, 0.05),
    "scatter_low": (0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.35, 0.01, 0.01),
    "repeats_off": (0.01, 0.01, 0.01, 0.01, 0.10, 0.01, 0.50, 0.03, 0.01),
    "low_outliers": (0.20, 0.08, 0.08, 0.03, 0.90, 0.03, 0.10, 0.20, 0.03),
    "no_signal": (0.005, 0.005, 0.02, 0.005, 0.45, 0.005, 0.05, 0.03, 0.005),
    "side_high": (0.02, 0.02, 0.08, 0.05, 0.02, 0.97, 0.02, 0.02, 0.02),
    "not_centred": (0.50, 0.02, 0.02, 0.02, 0.03, 0.02, 0.04, 0.04, 0.02),
    "companion": (0.03, 0.03, 0.03, 0.02, 0.04, 0.02, 0.05, 0.95, 0.02),
    "source_suspect": (0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.98),
}
# Sum over the items of ln(probability of what was seen / probability of the likelier outcome) below which doubt grows.
LEAST_FIT = -3.0


def findings(e: Evidence) -> dict[str, bool]:  # noqa: C901 -- one item after the other
    """The evidence as yes/no items; what was not measured is missing.

    The shape (fell, gradual) counts only where the level moved; a window that was not looked at since the change says
    nothing about it.
    """
    level_rules = {"change_point", "cusum", "ewma", "drift", "action_level", "tolerance", "outside_limits", "same_side"}
    moved = bool(e.open_rules & level_rules)
    out = {
        "level_moved": moved,
        "background": e.background_high,
        "scatter_high": e.scatter_high,
        "scatter_low": e.scatter_low,
        "repeats_off": e.repeats_off,
        "low_outliers": e.outliers_low >= 2,
        "no_signal": e.no_signal,
    }
    if e.no_signal:
        # A dead cable need not have warned by scatter before.
        out = {name: yes for name, yes in out.items() if yes or name not in ("scatter_high", "low_outliers")}
    if moved:
        out["fell"] = e.change_pct < 0
        total = e.probability_ramp + e.probability_step
        if total > 0.3 and abs(e.probability_ramp - e.probability_step) > 0.2 * total:
            out["gradual"] = e.probability_ramp > e.probability_step
    if e.window_moved is not None and (e.window_moved or e.window_after_onset or not moved):
        out["window_moved"] = e.window_moved
    if e.windows_disagree is not None and moved:
        out["windows_differ"] = e.windows_disagree
    if e.width_grew is not None and (e.window_after_onset or e.width_grew):
        out["width_grew"] = e.width_grew
    if e.side_high is not None:
        out["side_high"] = e.side_high
    if e.companion is not None:
        out["companion"] = True
    if e.window_moved is not None:
        out["not_centred"] = "below_side_readings" in e.open_rules
    if e.source_suspect is not None:
        out["source_suspect"] = True
    return out


def cause_probabilities(e: Evidence) -> dict[str, float]:
    """Probabilities of the causes, ``none`` where no alarm is open, ``unknown`` where no pattern fits.

    >>> p = cause_probabilities(Evidence("GP-1", open_rules={"background"}, background_high=True))
    >>> max(p, key=p.get)
    'contamination'
    >>> cause_probabilities(Evidence("GP-1"))
    {'none': 1.0}
    """
    if not e.open_rules and e.companion is None:
        return {"none": 1.0}
    items = findings(e)
    score: dict[str, float] = {}
    for i, cause in enumerate(CAUSES):
        total = math.log(PRIOR[cause])
        for name, yes in items.items():
            p = YES[name][i]
            total += math.log(p if yes else 1.0 - p)
        score[cause] = total
    best = max(score, key=lambda c: score[c])
    i = CAUSES.index(best)
    misfit = sum(
        math.log((YES[n][i] if yes else 1.0 - YES[n][i]) / max(YES[n][i], 1.0 - YES[n][i])) for n, yes in items.items()
    )
    weights = {c: math.exp(s - score[best]) for c, s in score.items()}
    # The more the items contradict even the best cause, the more weight goes to "unknown".
    weights["unknown"] = min(0.02 * math.exp(max(LEAST_FIT - misfit, 0.0)), 3.0)
    total = sum(weights.values())
    return {c: w / total for c, w in sorted(weights.items(), key=lambda kv: -kv[1])}
