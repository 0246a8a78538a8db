"""How narrow can a crossing interval be at all? ``python -m tests.bench.forecast_bound --seeds 1-8``.

Beside each interval that the tool gives for a falling response stands that of an oracle: one who is told the level before the
fault, the very day it began, the true spread of each reading, that no source or jig moved, that the fault goes on, how slopes
are spread over the fleet and how much a probe wanders. It sees readings on the same days, each the true level with the
variance that the counts and the placing gave it. All that is left to it is the slope, the present level and the walk to come:

    y_i = L₀ + b·(t_i − τ) + W(t_i) + ε_i,   b by its true prior on a grid,  W a random walk,  ε_i ~ N(0, v_i)

and first passage from there. A second oracle is told all this but the day on which the fault began: each day since the first
check is as likely to it as any other. The target is a median of ratios, which no theorem makes least for the oracle, and it may be met
at 85 % coverage too; so its shortest intervals at 90 and at 85 % are printed as well. Where those are above the target, a
method that knows less is not to be expected to reach it on such checks.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics import settings
from analytics.drift.crossing import first_passage
from analytics.fleet import work_out
from analytics.simulate import to_records
from tests.bench.score_common import Case, Figure, score_all
from tests.bench.score_forecasts import AT_SHARES, CROSSES_WITHIN_DAYS, FAULT_AGE_DAYS

Floats = NDArray[np.float64]

YEAR_DAYS = 365.25
LEAST_LOSS, MOST_LOSS = 0.02, 0.15  # of a fault, a year: analytics/simulate/breakdowns.py
WANDER_PER_DAY = 0.005**2 / YEAR_DAYS  # the same
LIMIT = math.log(0.9)
DAYS = np.concatenate([np.linspace(1.0, 200.0, 200), np.geomspace(201.0, 20 * YEAR_DAYS, 800)])


@dataclass
class Score:
    """Figures of one fleet, and each pair of widths."""

    figures: dict[str, Figure] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def add_width(self, name: str, value: float) -> None:
        """One width over the true time left."""
        self.figures.setdefault(name, Figure(name, 1.5, at_most=True, unit="")).values.append(value)

    def add_inside(self, name: str, inside: bool) -> None:
        """Whether one interval held the true crossing."""
        self.figures.setdefault(name, Figure(name, 85)).add(inside)


def oracle_interval(
    age_days: Floats, level: Floats, variance: Floats, now_days: float, distance: float
) -> tuple[float, float, dict[int, float]]:
    """5 % and 95 % day of first passage from now, and the length of the shortest 90 % and 85 % interval, told all but slope and walk.

    age_days: of each reading since the onset. level: natural log, against the level before the onset. variance: of each.
    now_days: age of the fault now. distance: from the level before the onset to the limit, natural log, negative.

    >>> t = np.arange(1.0, 401.0, 7.0)
    >>> sure = oracle_interval(t, -0.1 * t / 365.25, np.full(len(t), 1e-8), 400.0, -0.2)
    >>> [round(one, -1) for one in sure[:2]]  # at 10 % a year 330 days are left, give or take the walk, seen and to come
    [290.0, 370.0]
    """
    slopes = prior_slopes()
    log_likelihood, present, left_var = seen_since(age_days, level, variance, now_days, slopes)
    weight = np.exp(log_likelihood - log_likelihood.max())
    passed = weight @ first_passage(
        DAYS[None, :], (present - distance)[:, None], -slopes[:, None], WANDER_PER_DAY, max(left_var, 1e-12)
    )
    return ends(passed / weight.sum())


def oracle_not_told_onset(
    at_days: Floats, level: Floats, variance: Floats, now_days: float, distance: float
) -> tuple[float, float, dict[int, float]]:
    """The same where the onset is not told: at_days from the first check on, level and variance of every check since.

    >>> t = np.arange(0.0, 801.0, 7.0)
    >>> sure = oracle_not_told_onset(t, -0.1 * np.maximum(t - 400.0, 0.0) / 365.25, np.full(len(t), 1e-8), 800.0, -0.2)
    >>> [round(one, -1) for one in sure[:2]]
    [290.0, 370.0]
    """
    slopes, found = prior_slopes(80), []
    for onset in np.linspace(at_days[0], at_days[-1], 80):
        age = np.maximum(at_days - onset, 0.0)
        since = age > 0.0
        calm = -0.5 * float((level[~since] ** 2 / variance[~since]).sum() + np.log(variance[~since]).sum())
        log_likelihood, present, left_var = seen_since(age[since], level[since], variance[since], now_days - onset, slopes)
        found.append((log_likelihood + calm, present, left_var))
    peak = max(float(one[0].max()) for one in found)
    total, passed = 0.0, np.zeros(len(DAYS))
    for log_likelihood, present, left_var in found:
        weight = np.exp(log_likelihood - peak)
        some = weight > 1e-6
        total += float(weight[some].sum())
        passed += weight[some] @ first_passage(
            DAYS[None, :], (present[some] - distance)[:, None], -slopes[some][:, None], WANDER_PER_DAY, max(left_var, 1e-12)
        )
    return ends(passed / total)


def prior_slopes(number: int = 400) -> Floats:
    """Slopes that are as probable as each other, log response a day."""
    return np.asarray(np.log1p(-np.linspace(LEAST_LOSS, MOST_LOSS, number)) / YEAR_DAYS)


def seen_since(
    age_days: Floats, level: Floats, variance: Floats, now_days: float, slopes: Floats
) -> tuple[Floats, Floats, float]:
    """By slope: log likelihood of the readings since an onset, and the present level; and the variance of the latter."""
    if not len(age_days):
        return np.zeros(len(slopes)), slopes * now_days, WANDER_PER_DAY * now_days
    covariance = np.diag(variance) + WANDER_PER_DAY * np.minimum.outer(age_days, age_days)
    inverse = np.linalg.inv(covariance)
    off = level - slopes[:, None] * age_days
    log_likelihood = -0.5 * np.einsum("ki,ij,kj->k", off, inverse, off) - 0.5 * np.linalg.slogdet(covariance)[1]
    # The walk so far, given the readings and the slope.
    so_far = WANDER_PER_DAY * np.minimum(age_days, now_days)
    gain = so_far @ inverse
    return log_likelihood, slopes * now_days + off @ gain, WANDER_PER_DAY * now_days - float(gain @ so_far)


def ends(passed: Floats) -> tuple[float, float, dict[int, float]]:
    """5 % and 95 % day of a distribution over ``DAYS``, and the length of its shortest 90 % and 85 % interval."""
    low, high = np.interp([0.05, 0.95], passed, DAYS)
    shortest = {}
    for held in (90, 85):
        begins = np.linspace(0.0, 1.0 - held / 100.0, 41)
        shortest[held] = float((np.interp(begins + held / 100.0, passed, DAYS) - np.interp(begins, passed, DAYS)).min())
    return float(low), float(high), shortest


def score(case: Case) -> Score:
    """Every forecast of a falling response at four earlier dates of one fleet, beside the oracle's."""
    fleet, result = case.fleet(), Score()
    checks = fleet.truth.checks[fleet.truth.checks["window"] == "Co-57"].drop_duplicates(["probe", "taken_at"])
    faults = fleet.truth.faults[fleet.truth.faults["kind"] == "efficiency_loss"]
    records = to_records(fleet)
    rng = np.random.default_rng(case.seed)
    for share in AT_SHARES:
        as_of = (fleet.starts_at + (fleet.ends_at - fleet.starts_at) * share).replace(hour=23, minute=0, second=0)
        began = time.perf_counter()
        worked, moment = work_out(records, settings.load(), as_of), pd.Timestamp(as_of)
        result.seconds += (time.perf_counter() - began) / len(AT_SHARES)
        made = {
            one.probe: one.crossing
            for one in worked.answer.series
            if one.quantity == "response" and one.window == "Co-57" and one.crossing is not None
        }
        noise = _noise_by_check(worked)
        for one in faults[(faults["onset_at"] <= moment) & (faults["until"].isna() | (faults["until"] > moment))].itertuples():
            left = (one.crosses_10_at - moment).total_seconds() / 86_400
            age = (moment - one.onset_at).total_seconds() / 86_400
            crossing = made.get(one.probe)
            if not 0 < left < math.inf or crossing is None:
                continue
            own = checks[(checks["probe"] == one.probe) & (checks["taken_at"] <= moment)].sort_values("taken_at")
            true = np.log(own["since_reference_pct"].to_numpy() / 100.0)
            after = (own["taken_at"] >= one.onset_at).to_numpy()
            if after.sum() < 2:
                continue
            before = float(true[~after][-1]) if (~after).any() and not one.goes_on_from else 0.0
            known = noise.get(one.probe)
            variance = np.array([_nearest(known, taken) for taken in own["taken_at"][after]])
            at = (own["taken_at"][after] - one.onset_at).dt.total_seconds().to_numpy() / 86_400
            level = true[after] - before + np.sqrt(variance) * rng.standard_normal(int(after.sum()))
            low, high, shortest = oracle_interval(at, level, variance, age, LIMIT - before)
            days = (own["taken_at"] - own["taken_at"].iloc[0]).dt.total_seconds().to_numpy() / 86_400
            began_day = (one.onset_at - own["taken_at"].iloc[0]).total_seconds() / 86_400
            every = np.array([_nearest(known, taken) for taken in own["taken_at"]])
            noisy = np.sqrt(every) * rng.standard_normal(len(days))
            noisy[after] = level
            vague_low, vague_high, vague = oracle_not_told_onset(days, noisy, every, began_day + age, LIMIT - before)
            ours_low, ours_high = (
                0.0 if crossing.p05 is None else (pd.Timestamp(crossing.p05) - moment).total_seconds() / 86_400,
                math.inf if crossing.p95 is None else (pd.Timestamp(crossing.p95) - moment).total_seconds() / 86_400,
            )
            old = age >= FAULT_AGE_DAYS and left <= CROSSES_WITHIN_DAYS
            for which in ("every forecast", "faults 120 days old that cross within 3 years") if old else ("every forecast",):
                result.add_width(f"{which}: oracle's width over the true time left", (high - low) / left)
                for held, length in shortest.items():
                    result.add_width(f"{which}: the oracle's shortest that holds {held} %, over it", length / left)
                result.add_width(f"{which}: not told the onset, an oracle's width over it", (vague_high - vague_low) / left)
                for held, length in vague.items():
                    result.add_width(f"{which}: not told the onset, its shortest that holds {held} %, over it", length / left)
                result.add_inside(f"{which}: true crossing inside that not told the onset", vague_low - 1.0 <= left <= vague_high + 1.0)
                result.add_width(f"{which}: our width over it", (ours_high - ours_low) / left)
                if math.isfinite(ours_high):
                    result.add_width(f"{which}: our width over it, where there is a late end", (ours_high - ours_low) / left)
                result.add_inside(f"{which}: true crossing inside the oracle's", low - 1.0 <= left <= high + 1.0)
                result.add_inside(f"{which}: true crossing inside ours", ours_low - 1.0 <= left <= ours_high + 1.0)
            result.remarks.append(
                f"seed {case.seed} {moment:%Y-%m-%d} {one.probe} {one.rate_pct_per_year:+.1f} %/a, {age:.0f} d old, {left:.0f} d left"
                f": oracle {low:.0f} to {high:.0f}, ours {ours_low:.0f} to {ours_high:.0f}"
            )
    return result


def _noise_by_check(worked: object) -> dict[str, pd.Series]:
    """Variance of every check of every probe, by its day; of several series of a probe the best known."""
    rows, charts = worked.charts.rows, worked.charts  # type: ignore[attr-defined]
    last = rows.last
    table = pd.DataFrame(
        {
            "probe": np.array(worked.counted.names.probe, object)[rows.probe[last]],  # type: ignore[attr-defined]
            "at": pd.to_datetime((rows.first_days[last] * 86_400e6).astype(np.int64), unit="us"),
            "variance": charts.corrected.noise[last],
        }
    )
    best = table.sort_values("variance").drop_duplicates(["probe", "at"]).sort_values("at")
    return {str(probe): own.set_index("at")["variance"] for probe, own in best.groupby("probe")}


def _nearest(series: pd.Series | None, at: pd.Timestamp) -> float:
    """The variance of the check nearest in time; 4e-4 (2 %) where a probe has none."""
    if series is None or series.empty:
        return 4e-4
    return float(series.iloc[series.index.get_indexer([at], method="nearest")[0]])


def main() -> None:
    """Run and print."""
    score_all("Crossing intervals beside those of an oracle.", score, years=4.0)


if __name__ == "__main__":
    main()
