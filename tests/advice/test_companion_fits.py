"""Many regressions side by side: each is the one that a reference library makes, whatever stands beside it."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from analytics.advice.companion_fits import CURVED_FROM, course, plain_t, quantiles, robust, stretches

COUNTS = np.array([15, 16, 19, 20, 22, 40, 41, 120])


@pytest.fixture(scope="module")
def told():
    """Rows of eight series one after the other: day, shape, log response and its variance."""
    rng = np.random.default_rng(8)
    day = np.concatenate([np.sort(rng.uniform(0.0, 900.0, n)) for n in COUNTS])
    c = rng.normal(0.0, 3.0, len(day))
    v = rng.uniform(0.5, 2.0, len(day)) * 1e-4
    return day, c, 0.001 * c + 1e-5 * day + rng.normal(0.0, 1.0, len(day)) * np.sqrt(v), v


def groups():
    """The eight series as stretches."""
    first = np.append(0, np.cumsum(COUNTS)[:-1])
    return list(stretches(np.arange(COUNTS.sum()), first, COUNTS))


def parts():
    """Each stretch with its group and its place in it."""
    return [(group, k, group.rows[: group.count[k], k]) for group in groups() for k in range(len(group.count))]


def test_every_stretch_stands_in_one_group_of_like_length():
    """Each row once; lengths of a group within a quarter, and none that may bend beside one that may not."""
    assert sorted(row for _, _, part in parts() for row in part) == list(range(COUNTS.sum()))
    for group in groups():
        assert group.count.max() <= 1.25 * group.count.min()
        assert (group.count >= CURVED_FROM).all() or (group.count < CURVED_FROM).all()
        assert (group.there.sum(axis=0) == group.count).all()


def test_quantiles_are_those_of_numpy(told):
    """What fills a shorter stretch up counts for nothing."""
    _, c, _, _ = told
    for group, k, part in parts():
        found = [float(q[k]) for q in quantiles(c[group.rows], group.there, group.count, 0.05, 0.5, 0.95)]
        assert found == pytest.approx(np.quantile(c[part], [0.05, 0.5, 0.95]).tolist(), rel=1e-12)


def test_the_t_value_is_that_of_weighted_least_squares(told):
    """WLS of statsmodels on the course and the shape, its scale at least 1."""
    day, c, x, v = told
    for group, k, part in parts():
        columns = course(day[group.rows], group.count)
        t = plain_t(columns, c[group.rows], x[group.rows], v[group.rows], group)[k]
        fit = sm.WLS(x[part], np.column_stack([columns[: len(part), k], c[part]]), weights=1.0 / v[part]).fit()
        assert t == pytest.approx(fit.tvalues[-1] * np.sqrt(fit.scale / max(fit.scale, 1.0)), rel=1e-8)


def test_a_shape_that_is_the_course_itself_has_no_t_value(told):
    """Straight in time, as a battery that is never charged: nothing is left of it beside the course."""
    day, _, x, v = told
    for group in groups():
        at = day[group.rows]
        assert (plain_t(course(at, group.count), 3.0 * at, x[group.rows], v[group.rows], group) == 0.0).all()


def test_the_robust_fit_does_not_depend_on_what_stands_beside_it(told):
    """Alone, a stretch has the same coefficients, covariance, likelihood and scale as among others, and leaves a blunder out."""
    day, c, x, v = told
    for group, k, part in parts():
        y = x.copy()
        y[part[3]] += 2.0
        design = np.concatenate([course(day[group.rows], group.count), c[group.rows][:, :, None]], axis=2)
        among = robust(design, y[group.rows], v[group.rows], group.there, np.ones(len(group.count)))
        own = design[: len(part), [k]]
        alone = robust(own, y[part, None], v[part, None], np.ones((len(part), 1)), np.ones(1))
        assert among.beta[k] == pytest.approx(alone.beta[0], rel=1e-9, abs=1e-14)
        assert among.covariance[k] == pytest.approx(alone.covariance[0], rel=1e-9, abs=1e-18)
        assert (among.likelihood[k], among.scale[k]) == pytest.approx((alone.likelihood[0], alone.scale[0]), rel=1e-9)
        without = np.delete(part, 3)
        fit = sm.WLS(y[without], np.delete(own[:, 0], 3, axis=0), weights=1.0 / v[without]).fit()
        assert abs(among.beta[k][-1] - fit.params[-1]) < fit.bse[-1]
