"""Is there a drift, since when and how fast: flat, step and ramp weighed against each other, slopes as fleets show them.

Slopes of drifts that are real are not spread about 0: they are taken as log-normal in size, so that a young series is
drawn to what drifts of its kind of detector were like (empirical Bayes, parametric; Morris 1983 [from memory]). The
middle of ln|slope| of a kind is re-estimated from the other series of that kind as far as they are known to drift:

    m_kind = (A m₀ + Σ P_u ln|b|_u) / (A + Σ P_u),

P_u the probability that series u drifts, ln|b|_u its posterior mean, A = ``PRIOR_DRIFTS`` drifts' worth of m₀. This is the
best linear unbiased prediction of a random intercept by kind with A = residual over intercept variance.
For a ramp from τ the evidence for slope b against a constant level is b S_fx − ½ b² S_ff (``drift.trend``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analytics.baseline.rows import Floats, Ints
from analytics.drift.trend import ONSETS, PRIOR_RAMP, PRIOR_STEP, RAMP_SD_PER_YEAR, YEAR_DAYS, Trends, step_evidence

# What is taken before anything is seen [chosen on simulated fleets, no source]: half of all drifts lie between 6 and
# 12 % a year, nine of ten between 3.7 and 19 %; a response hardly ever rises by itself.
MIDDLE_PER_YEAR, LOG_SD = 0.085, 0.5
FALLS = 0.95
PRIOR_DRIFTS = 20.0
LEAST_PER_YEAR, MOST_PER_YEAR, SIZES = 0.004, 0.60, 40
KEPT = 1e-3  # components below this share of the largest are left out of the passage


@dataclass(frozen=True)
class Ramps:
    """Ramps of every unit on a grid of onset and slope; arrays [units, onsets, slopes] unless said otherwise."""

    slope: Floats  # [slopes] per day
    posterior: Floats  # probability among flat, steps and ramps
    step: Floats  # [units] probability of a step
    flat: Floats  # [units] of neither
    since_onset: Floats  # [units, onsets] days from the onset to the newest check
    level_var: Floats  # [units] of the level before the onset, were the ramp known
    alone_ramp: Floats  # [units] probabilities of a ramp and of a step with slopes about ``MIDDLE_PER_YEAR``, whatever
    alone_step: Floats  # other units showed: what a cause is named by may not move with them

    @property
    def probability(self) -> Floats:
        """[units] that there is a ramp."""
        return np.asarray(self.posterior.sum(axis=(1, 2)))


def sizes_per_year() -> Floats:
    """Sizes of slope that are tried, as fractions a year."""
    return np.geomspace(LEAST_PER_YEAR, MOST_PER_YEAR, SIZES)


def shrunk_middle(
    kind: Ints,
    probability: Floats,
    log_size: Floats,
    prior_middle: float,
    prior_drifts: float = PRIOR_DRIFTS,
    totals: tuple[Floats, Floats] | None = None,
) -> Floats:
    """[units] middle of ln|slope| for each unit, by its kind, from all *other* units of that kind.

    kind: [units] codes, any below 0 is a kind of its own. probability: that a unit drifts; log_size: mean ln|slope| if so.
    A kind of which nothing drifts keeps ``prior_middle``. totals: [units] Σ P and Σ P ln|b| of each unit's kind over a
    fleet of which these are a part; None: they are all of it.

    >>> shrunk_middle(np.array([0, 0, 1]), np.array([1.0, 1.0, 1.0]), np.array([-2.0, -4.0, 0.0]), -3.0, 1.0).tolist()
    [-3.5, -2.5, -3.0]
    """
    code = kind - kind.min(initial=0)
    if totals is None:
        totals = kind_totals(code, probability, log_size)
    n, total = totals[0] - probability, totals[1] - probability * log_size
    return np.asarray((prior_drifts * prior_middle + total) / (prior_drifts + np.maximum(n, 0.0)))


def kind_totals(code: Ints, probability: Floats, log_size: Floats) -> tuple[Floats, Floats]:
    """[units] Σ P and Σ P ln|b| of the kind of each unit."""
    some, total = np.bincount(code, probability), np.bincount(code, probability * log_size)
    return np.asarray(some[code], float), np.asarray(total[code], float)


def coarse(totals: Floats) -> Floats:
    """Sums rounded to two significant digits, and to halves where they are small.

    >>> coarse(np.array([152.6, -8.16, 0.2])).tolist()
    [150.0, -8.0, 0.0]
    """
    step = np.maximum(10.0 ** (np.floor(np.log10(np.maximum(np.abs(totals), 1.0))) - 1.0), 0.5)
    return np.asarray(np.round(totals / step) * step + 0.0)


def slope_votes(trends: Trends) -> tuple[Floats, Floats]:
    """[units] what each unit says of the slopes of its kind before it has heard the others: P and mean ln|slope|."""
    slope, evidence, log_step, _, _ = _evidence(trends)
    return _votes(slope, evidence, log_step)[:2]


def _votes(slope: Floats, evidence: Floats, log_step: Floats) -> tuple[Floats, Floats, Floats]:
    """Of each unit alone: probability of a ramp, its mean ln|slope|, and the probability of a step."""
    ramp, step, _ = _posterior(evidence, log_step, np.full(len(log_step), np.log(MIDDLE_PER_YEAR)))
    p = ramp.sum(axis=(1, 2))
    log_size = np.log(np.abs(slope) * YEAR_DAYS)
    return p, (ramp.sum(axis=1) * log_size).sum(axis=1) / np.where(p > 0, p, 1.0), step


def weigh_ramps(
    trends: Trends, kind: Ints | None = None, totals: tuple[Floats, Floats] | None = None
) -> Ramps:
    """The posterior of all units.

    kind: [units] kind of detector; None: all alike.
    totals: as in ``shrunk_middle``. The sums are taken coarsely, which moves the middle by a
    twentieth at most and it is known to a fifth at best, so that a check more on one series leaves the others alone.
    """
    slope, evidence, log_step, since_onset, level_var = _evidence(trends)
    middle = np.full(len(log_step), np.log(MIDDLE_PER_YEAR))
    p = alone_step = np.zeros(len(log_step))
    if len(log_step):
        p, mean, alone_step = _votes(slope, evidence, log_step)
        codes = np.zeros(len(p), np.int64) if kind is None else kind
        some, total = totals if totals is not None else kind_totals(codes - codes.min(initial=0), p, mean)
        rounded = coarse(some), coarse(total)
        middle = shrunk_middle(codes, p, mean, np.log(MIDDLE_PER_YEAR), totals=rounded)
    return Ramps(slope, *_posterior(evidence, log_step, middle), since_onset, level_var, p, alone_step)


def weighed_alike(trends: Trends, ramps: Ramps) -> Trends:
    """The mixture with its steps and ramps weighed as ``ramps`` has them, each unit by itself; what is inside either stays as it was.

    The mixture has its own prior of slopes: without this the level and the drift that are told would be those of another
    account than the forecast and the cause.
    """
    weight = trends.weight.copy()
    told = np.flatnonzero(ramps.alone_ramp + ramps.alone_step > 0)
    shares = (1.0 - ramps.alone_ramp - ramps.alone_step, ramps.alone_step, ramps.alone_ramp)
    for part, share in zip((slice(0, 1), slice(1, 1 + ONSETS), slice(1 + ONSETS, 1 + 2 * ONSETS)), shares, strict=True):
        inside = trends.log_weight[told, part]
        inside = np.exp(inside - inside.max(axis=1, keepdims=True))
        weight[told, part] = inside / inside.sum(axis=1, keepdims=True) * np.maximum(share[told], 0.0)[:, None]
    steps, grown = weight[:, 1 : 1 + ONSETS].sum(axis=1), weight[:, 1 + ONSETS :].sum(axis=1)
    return replace(trends, weight=weight, probability_ramp=grown, probability_step=steps)


def _evidence(trends: Trends) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Slopes, evidence of [units, onsets, slopes] and of a step, days since the onset, variance of the level before it."""
    ramps = slice(1 + ONSETS, 1 + 2 * ONSETS)
    posterior_var = trends.slope_var[:, ramps]
    safe = np.where(posterior_var > 0, posterior_var, 1.0)
    s_ff = np.where(posterior_var > 0, np.maximum(1.0 / safe - (YEAR_DAYS / RAMP_SD_PER_YEAR) ** 2, 0.0), 0.0)
    s_fx = np.where(posterior_var > 0, trends.slope[:, ramps] / safe, 0.0)
    sizes = sizes_per_year()
    slope = np.concatenate([-sizes[::-1], sizes]) / YEAR_DAYS
    evidence = slope * s_fx[..., None] - 0.5 * slope**2 * s_ff[..., None] + np.log(PRIOR_RAMP / ONSETS)
    since_onset = trends.at_days[:, None] - trends.onset_days[:, ramps]
    usable = (trends.checks >= 3) & (np.nan_to_num(since_onset) > 0).any(axis=1)
    evidence = np.where(usable[:, None, None], evidence, -np.inf)
    log_step = np.where(usable, step_evidence(trends) + np.log(PRIOR_STEP), -np.inf)
    reach = np.where(posterior_var > 0, trends.cross[:, ramps] / safe, 0.0)
    level_var = np.maximum(trends.level_var[:, ramps] - posterior_var * reach**2, 0.0)[:, 0]
    return slope, evidence, log_step, since_onset, level_var


def _posterior(evidence: Floats, log_step: Floats, middle: Floats) -> tuple[Floats, Floats, Floats]:
    """Probabilities of ramps, a step, and neither, with log-normal sizes about ``middle``."""
    size = np.exp(-0.5 * ((np.log(sizes_per_year()) - middle[:, None]) / LOG_SD) ** 2)
    size /= size.sum(axis=1, keepdims=True)
    prior = np.concatenate([FALLS * size[:, ::-1], (1.0 - FALLS) * size], axis=1)
    ramp = evidence + np.log(np.maximum(prior, 1e-300))[:, None, :]
    log_flat = np.log(1.0 - PRIOR_STEP - PRIOR_RAMP)
    peak = np.maximum(np.maximum(ramp.max(axis=(1, 2), initial=-np.inf), log_step), log_flat)
    weight, step, flat = np.exp(ramp - peak[:, None, None]), np.exp(log_step - peak), np.exp(log_flat - peak)
    total = weight.sum(axis=(1, 2)) + step + flat
    return weight / total[:, None, None], step / total, flat / total
