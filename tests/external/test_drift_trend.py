"""Level and slope against certified data, a reference library, and numerical integration of the same mixture."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from analytics.advice.line_core import line_fit
from analytics.drift.slopes import shrunk_middle
from analytics.drift.trend import (
    ONSETS,
    PRIOR_RAMP,
    PRIOR_STEP,
    RAMP_SD_PER_YEAR,
    STEP_SD,
    YEAR_DAYS,
    fit_trends,
    step_evidence,
)

DATA = Path(__file__).parent / "data"
INTERCEPT, SLOPE, RESIDUAL_SD = -0.262323073774029, 1.00211681802045, 0.884796396144373
SLOPE_SD = 0.429796848199937e-03
STEPS, RAMPS = slice(1, 1 + ONSETS), slice(1 + ONSETS, 1 + 2 * ONSETS)


@pytest.fixture(scope="module")
def norris():
    """The 36 calibrations of ozone monitors, in order of x."""
    with (DATA / "nist_norris.csv").open(encoding="utf-8") as file:
        rows = sorted(((float(r["x"]), float(r["y"])) for r in csv.DictReader(file)), key=lambda one: one[0])
    return np.array(rows).T


def one_unit(at, x, variance, **how):
    """The fit of a single unit."""
    return fit_trends(np.zeros(len(at), np.int64), np.asarray(at, float), np.asarray(x, float), variance, 1, **how)


def test_the_line_of_a_trend_on_norris(norris):
    """NIST StRD Norris: slope 1.00211681802045, intercept −0.262323073774029, with no prior to speak of."""
    x, y = norris
    fit = one_unit(x, y, np.full(36, 1e6), ramp_sd_per_year=1e9)
    assert fit.linear_slope[0] == pytest.approx(SLOPE, rel=1e-11)
    intercept = fit.level[0, RAMPS.start] - fit.linear_slope[0] * x[-1]
    assert intercept == pytest.approx(INTERCEPT, rel=1e-9)
    # The stated variance is 1e6, far above the residuals: the error scales with it.
    assert np.sqrt(fit.linear_slope_var[0]) * RESIDUAL_SD / 1e3 == pytest.approx(SLOPE_SD, rel=1e-9)


def test_the_line_of_a_device_on_norris(norris):
    """NIST StRD Norris: slope and its standard error as certified, the error taken from the misfit."""
    x, y = norris
    level, slope, _, slope_sd = line_fit(x, y, np.full(36, 0.1))
    assert slope == pytest.approx(SLOPE, rel=1e-12)
    assert level - slope * x[0] == pytest.approx(INTERCEPT, rel=1e-10)
    assert slope_sd == pytest.approx(SLOPE_SD, rel=1e-10)


def test_the_line_of_a_device_against_weighted_least_squares():
    """The WLS of statsmodels with unequal variances: level at the first instant, slope, and both errors."""
    rng = np.random.default_rng(4)
    at, sd = np.sort(rng.uniform(0.0, 400.0, 15)), rng.uniform(0.002, 0.02, 15)
    value = 0.03 - 2e-4 * at + 1.7 * sd * rng.standard_normal(15)
    fit = sm.WLS(value, sm.add_constant(at - at[0]), weights=1.0 / sd**2).fit()
    assert fit.scale > 1.0
    assert line_fit(at, value, sd) == pytest.approx((*fit.params, *fit.bse), rel=1e-9)


@pytest.fixture(scope="module")
def quiet():
    """Fourteen checks of unequal variance that scatter no more than stated, with a fall in their second half."""
    rng = np.random.default_rng(11)
    at = np.cumsum(rng.uniform(5.0, 25.0, 14))
    variance = rng.uniform(0.005, 0.015, 14) ** 2
    x = 1.6 - 3e-4 * np.maximum(at - 110.0, 0.0) + 0.3 * np.sqrt(variance) * rng.standard_normal(14)
    return at, x, variance


def regressors(fit, at):
    """(component, f(t), prior sd) of every step and ramp of a fit of one unit."""
    for k in range(1, 1 + 2 * ONSETS):
        onset = fit.onset_days[0, k]
        if k < RAMPS.start:
            yield k, (at >= onset - 1e-9).astype(float), STEP_SD
        else:
            yield k, np.maximum(at - onset, 0.0), RAMP_SD_PER_YEAR / YEAR_DAYS


def test_every_component_is_the_least_squares_fit_with_its_prior(quiet):
    """The WLS of statsmodels with the prior as one more row (mixed estimation): level, slope and covariance."""
    at, x, variance = quiet
    fit = one_unit(at, x, variance)
    for k, f, prior_sd in regressors(fit, at):
        design = np.vstack([np.column_stack([np.ones(len(at)), f]), [0.0, 1.0]])
        known = np.append(1.0 / variance, prior_sd**-2)
        reference = sm.WLS(np.append(x, 0.0), design, weights=known).fit(cov_type="fixed scale")
        now = np.array([1.0, f[-1]])
        covariance = np.asarray(reference.cov_params())
        assert fit.level[0, k] == pytest.approx(float(now @ reference.params), rel=1e-10)
        assert fit.level_var[0, k] == pytest.approx(float(now @ covariance @ now), rel=1e-7)
        if k >= RAMPS.start:
            assert fit.slope[0, k] == pytest.approx(reference.params[1], rel=1e-7)
            assert fit.slope_var[0, k] == pytest.approx(covariance[1, 1], rel=1e-7)
            assert fit.cross[0, k] == pytest.approx(float(now @ covariance[:, 1]), rel=1e-6)


def test_the_weights_are_the_evidence_by_numerical_integration(quiet):
    """Probabilities of all models, each coefficient integrated out by quadrature, the level by its flat prior."""
    at, x, variance = quiet
    fit = one_unit(at, x, variance)
    w = 1.0 / variance

    def misfit(residual):
        mean = (w * residual).sum() / w.sum()
        return (w * (residual - mean) ** 2).sum()

    none = misfit(x)
    evidence = np.empty(1 + 2 * ONSETS)
    evidence[0] = 1.0 - PRIOR_STEP - PRIOR_RAMP
    for k, f, prior_sd in regressors(fit, at):
        def density(b, f=f, prior_sd=prior_sd):
            likelihood = np.exp(-0.5 * (misfit(x - b * f) - none))
            return likelihood * np.exp(-0.5 * (b / prior_sd) ** 2) / (prior_sd * np.sqrt(2 * np.pi))

        about = f - (w * f).sum() / w.sum()
        peak = (w * about * x).sum() / max((w * about**2).sum(), 1e-12)
        places = sorted({0.0, float(np.clip(peak, -5 * prior_sd, 5 * prior_sd))})
        value, _ = integrate.quad(density, -6 * prior_sd, 6 * prior_sd, points=places, limit=300)
        evidence[k] = value * (PRIOR_STEP / (len(at) - 2) if k < RAMPS.start else PRIOR_RAMP / ONSETS)
    # Twelve places for a step lie in cells of their own; the other cells hold none.
    held = np.isfinite(fit.log_weight[0, STEPS])
    assert np.unique(fit.onset_days[0, STEPS][held]).tolist() == pytest.approx(at[1:-1].tolist())
    evidence[STEPS][~held] = 0.0
    evidence /= evidence.sum()
    assert fit.weight[0].sum() == pytest.approx(1.0, abs=1e-12)
    assert fit.weight[0] == pytest.approx(evidence, rel=1e-4, abs=1e-9)
    assert fit.probability_step[0] == pytest.approx(evidence[STEPS].sum(), rel=1e-4)
    assert fit.probability_ramp[0] == pytest.approx(evidence[RAMPS].sum(), rel=1e-4)


def test_the_nile_stepped_down_after_1898():
    """Nile flow (statsmodels' data set; Durbin & Koopman): a step and no ramp, dated to the grid's onset at 1898/99."""
    nile = sm.datasets.nile.load_pandas().data
    year, flow = nile["year"].to_numpy(float), np.log(nile["volume"].to_numpy(float))
    spread = np.median(np.diff(flow) ** 2) / 0.4549 / 2.0  # 0.4549: median of chi-square with one degree of freedom
    fit = one_unit(year * YEAR_DAYS, flow, np.full(100, spread))
    assert fit.probability_step[0] > 0.99
    onset = fit.onset_days[0, STEPS] / YEAR_DAYS
    weight = fit.weight[0, STEPS] / fit.weight[0, STEPS].sum()
    assert np.abs(onset - 1898.5).min() <= 2.5  # the grid has an onset there
    assert np.abs(onset[np.argmax(weight)] - 1898.5) == np.abs(onset - 1898.5).min()
    before, after = flow[year <= 1898].mean(), flow[year > 1898].mean()
    assert fit.step_size[0] == pytest.approx(after - before, abs=0.03)


def test_the_slope_interval_holds_its_ninety_per_cent():
    """Of 400 simulated lines whose slopes follow the prior, the 90 % interval holds the true slope in 90 %."""
    rng = np.random.default_rng(8)
    units, checks = 400, 30
    at = np.tile(7.0 * np.arange(checks), units)
    slope = rng.normal(0.0, RAMP_SD_PER_YEAR / YEAR_DAYS, units)
    sd = 0.012
    x = np.repeat(slope, checks) * at + sd * rng.standard_normal(units * checks)
    fit = fit_trends(np.repeat(np.arange(units), checks), at, x, np.full(units * checks, sd**2), units)
    held = np.abs(fit.linear_slope - slope) < 1.6449 * np.sqrt(fit.linear_slope_var)
    # 0.90 ± 3 standard errors of a share of 400.
    assert 0.855 < held.mean() < 0.945


def test_shrinking_to_the_kind_is_the_random_intercept_of_a_mixed_model():
    """The MixedLM of statsmodels: the middle of each kind is its intercept by best linear unbiased prediction.

    With the middle of all and the ratio of the two variances as MixedLM estimates them, the middle told to a newcomer
    of a kind (one that itself does not drift) is MixedLM's fixed plus random intercept of that kind.
    """
    rng = np.random.default_rng(3)
    kind = np.repeat(np.arange(6), [4, 6, 9, 12, 15, 30])
    log_size = -2.5 + 0.4 * rng.standard_normal(6)[kind] + 0.5 * rng.standard_normal(len(kind))
    model = sm.MixedLM(log_size, np.ones((len(kind), 1)), groups=kind).fit(reml=True)
    assert model.converged
    between, within, middle = float(model.cov_re[0, 0]), float(model.scale), float(model.fe_params[0])
    assert between > 0.02
    newcomers = np.arange(6)
    made = shrunk_middle(
        np.append(kind, newcomers), np.append(np.ones(len(kind)), np.zeros(6)), np.append(log_size, np.zeros(6)),
        middle, within / between,
    )
    wanted = [middle + float(np.asarray(model.random_effects[k])[0]) for k in range(6)]
    assert made[len(kind):] == pytest.approx(wanted, rel=1e-6)


def test_the_evidence_for_a_step_is_that_of_every_place_by_least_squares(quiet):
    """Each place of a step by its marginal likelihood as one normal density (scipy), the level with a flat prior."""
    at, x, variance = quiet
    n = len(at)
    inflated = variance * one_unit(at, x, variance).inflation[0]

    def density(extra):
        # A level known to ±1 stands for a flat prior, for the checks tell it to a thousandth; it cancels between the two.
        return multivariate_normal(np.zeros(n), np.diag(inflated) + 1.0 + extra).logpdf(x - x[0])

    base = density(np.zeros((n, n)))
    each = []
    for place in range(1, n - 1):
        after = (np.arange(n) >= place).astype(float)
        each.append(density(STEP_SD**2 * np.outer(after, after)) - base)
    made = step_evidence(one_unit(at, x, variance))
    assert made[0] == pytest.approx(float(logsumexp(each) - np.log(n - 2)), abs=1e-3)
