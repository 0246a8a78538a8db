"""All charts of one probe brought together as evidence."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from analytics.advice.companions import Companion
from analytics.advice.courses import Courses, about_courses
from analytics.advice.evidence import Evidence
from analytics.baseline.rows import Ints
from analytics.charts.quantities import QuantityChart
from analytics.charts.response import ResponseCharts
from analytics.drift.state import Z90, DriftState, per_year
from analytics.drift.trend import PRIOR_RAMP, PRIOR_STEP
from analytics.results import Alert
from analytics.words import day

LEVEL_RULES = ("change_point", "cusum", "ewma", "drift", "action_level", "tolerance", "outside_limits", "same_side")
WINDOW_MOVED_Z, WINDOW_MOVED_PCT = 3.0, 0.6
ONE_SITTING_DAYS = 0.5  # countings of a check are no further apart
AFTER_SERVICE_PCT = 0.5  # how well a service can be expected to bring the photopeak back (common practice, no source)
WIDTH_GREW_Z, WIDTH_GREW_PCT = 3.0, 0.7
STEADY_READINGS, LEAST_STEADY, STEADY_CHANCE = 40, 4, 0.003  # high backgrounds compared, and what chance seldom does
OPPOSED_SD = 3.0  # standard deviations by which each of two windows must have moved, one up and one down
DROP_DAYS = 45.0  # a recorded drop so long before the estimated onset belongs to it


def gather(
    probe: int,
    name: str,
    charts: ResponseCharts,
    state: DriftState,
    quantities: list[QuantityChart],
    units: Ints,
    open_alerts: list[Alert],
    companion: dict[int, Companion],
    not_silent: bool,
    events: Sequence[tuple[float, str]] = (),
    courses: Courses | None = None,
) -> Evidence:
    """Evidence for one probe. units: its response units in force (one a series). events: (day, kind) of the probe.

    courses: of at least these units, where they were made for many probes at once; None: they are made here.
    """
    e = Evidence(name, open_rules={a.rule for a in open_alerts}, no_signal=not not_silent)
    scatter = {a.direction for a in open_alerts if a.rule == "scatter"}
    e.scatter_high, e.scatter_low, e.repeats_off = "high" in scatter, "low" in scatter, "both" in scatter
    e.background_high = "background" in e.open_rules
    _level(e, charts, state, units, open_alerts)
    _spread(e, courses if courses is not None else about_courses(charts, state, units), units)
    for unit in units.tolist():
        if unit in companion:
            _companion(e, companion[unit])
    _windows_differ(e, charts, state, units)
    since = reference_since(charts, units)
    for chart in quantities:
        mine = chart_rows(chart, probe)
        if len(mine):
            newest = int(mine[np.argmax(chart.at_days[mine])])
            if chart.quantity in ("window_shift", "window_width") and chart.at_days[newest] < since:
                continue  # before a service that was to mend it
            if chart.quantity == "window_shift":
                _window(e, chart, mine, newest)
            else:
                _quantity(e, chart, newest, mine[chart.unit[mine] == chart.unit[newest]])
    _dropped(e, open_alerts, events)
    return e


def reference_since(charts: ResponseCharts, units: Ints) -> float:
    """Day from which the references in force hold: what was seen before belongs to a state that is no more; −inf for none."""
    if not len(units):
        return -np.inf
    ends = charts.unit_ends[units]
    begins = charts.rows.first_days[charts.rows.unit_first[units]] - ONE_SITTING_DAYS
    return float(np.where(np.isfinite(ends), ends, begins).max())


def chart_rows(chart: QuantityChart, probe: int) -> Ints:
    """Rows of a probe, which stand together: series are in the order of their probes, and rows in that of their series."""
    low, high = np.searchsorted(chart.series, np.searchsorted(chart.keys.probe, [probe, probe + 1]))
    return np.arange(low, high)


def _spread(e: Evidence, courses: Courses, units: Ints) -> None:
    """Outliers and spread of the probe's series about their likeliest courses."""
    e.repeats_made = bool(courses.repeats_made[units].any())
    e.outliers = int(courses.lone[units].sum())
    e.outliers_low = int(courses.far_below[units].sum())
    widest = courses.spread[units].max(initial=-np.inf, where=np.isfinite(courses.spread[units]))
    e.spread_about_course = float(widest) if np.isfinite(widest) else None


def _quantity(e: Evidence, chart: QuantityChart, newest: int, in_force: Ints) -> None:
    """What background, side and width say. newest: the newest row of the probe; in_force: the rows of its unit."""
    if chart.quantity == "background":
        base = float(chart.centre[newest])
        e.background_factor = float(chart.value[newest]) / base if base > 0 else None
        if e.background_high:
            e.background_steady = _steadier_than_chance(chart, in_force, base)
    elif chart.quantity == "side":
        e.side_high = "side" in e.open_rules
        e.side_factor = float(chart.value[newest] / chart.centre[newest]) if chart.centre[newest] > 0 else None
    elif chart.quantity == "window_width" and len(in_force) >= 2:
        z, grew = float(chart.chart.z[newest]), float(chart.value[newest] - chart.centre[newest])
        e.width_grew = z > WIDTH_GREW_Z and grew > WIDTH_GREW_PCT


def _window(e: Evidence, chart: QuantityChart, mine: Ints, newest: int) -> None:
    """Where the photopeak lies, by the newest look that can be compared with an earlier one.

    A photopeak that has left the window cannot be fitted; the looks before it still say that it was on its way. The first look
    after a service is compared with what the window was before, since a service is to bring it back there.
    """
    looks = mine[chart.unit[mine] == chart.unit[newest]]
    fitted = mine[chart.unit[mine] == chart.unit[newest] - 1] if chart.log_scale[newest] else looks[:0]
    if len(looks) < 2 <= len(fitted):  # the same reference, on the scale on which it was fitted
        looks = fitted
    at = int(looks[-1])
    centre, sd = float(chart.centre[at]), float(chart.sd[at])
    if len(looks) < 2:
        # Only what was fitted: how well a service brings it back is known in per cent of the energy, and not on another scale.
        fits = ~chart.log_scale[mine] & ~chart.log_scale[at] & np.isfinite(chart.centre[mine])
        before = mine[(mine < at) & (chart.series[mine] == chart.series[at]) & fits]
        if not len(before):
            if "window_shift" in e.open_rules:
                e.window_moved = True
            return
        centre = float(chart.centre[before[-1]])
    shift = float(chart.value[at]) - centre
    z = float(chart.chart.z[at]) if len(looks) >= 2 else shift / float(np.hypot(sd, AFTER_SERVICE_PCT))
    least = 0.06 if chart.log_scale[at] else WINDOW_MOVED_PCT
    e.window_moved = bool("window_shift" in e.open_rules or (abs(z) > WINDOW_MOVED_Z and abs(shift) > least))
    e.window_shift_z, e.window_shift_pct = z, None if chart.log_scale[at] else shift
    e.window_after_onset = e.onset_days is not None and chart.at_days[newest] >= e.onset_days + 20.0


def _companion(e: Evidence, one: Companion) -> None:
    """The surer companion where two series of a probe have one."""
    if e.companion is None or one.nats > e.companion_nats:
        e.companion, e.companion_text = one.name, one.text
        e.companion_nats, e.companion_explains = one.nats, one.explains


def _steadier_than_chance(chart: QuantityChart, mine: Ints, base_cps: float) -> bool | None:
    """Whether the newest high backgrounds agree better than Poisson counts can: pick-up and pulsers come clocked.

    χ² of the newest high readings in a row against their mean, below the 0.3 % point. None for fewer than four.
    """
    from scipy.special import gammainc

    high = chart.value[mine] > 2.0 * base_cps
    run = mine[len(mine) - int(np.argmin(high[::-1])) if not high.all() else 0 :][-STEADY_READINGS:]
    variance = chart.sd[run] ** 2
    if len(run) < LEAST_STEADY or not (variance > 0).all():
        return None
    seconds = chart.value[run] / variance  # a count N has the rate N/T and the variance N/T²
    mean = float((chart.value[run] * seconds).sum() / seconds.sum())
    expected = mean / seconds
    chi_square = float(((chart.value[run] - mean) ** 2 / expected).sum())
    return bool(gammainc(0.5 * (len(run) - 1), 0.5 * chi_square) < STEADY_CHANCE)


def _dropped(e: Evidence, open_alerts: list[Alert], events: Sequence[tuple[float, str]]) -> None:
    """A drop on record from a little before the change seems to begin until it was signalled."""
    level = [one.signalled_at for one in open_alerts if one.rule in LEVEL_RULES or one.rule in ("side", "scatter", "no_signal")]
    if not level:
        return
    signalled = _days_of(min(level))
    onset = e.onset_days if e.onset_days is not None else signalled
    near = [when for when, kind in events if kind == "dropped" and min(onset, signalled) - DROP_DAYS <= when <= signalled]
    if near:
        e.dropped = day(near[-1])


def _days_of(when: datetime) -> float:
    return (when - datetime(1970, 1, 1)).total_seconds() / 86400.0


def _level(e: Evidence, charts: ResponseCharts, state: DriftState, units: Ints, open_alerts: list[Alert]) -> None:
    """Level and drift of the response series that moved most surely."""
    alpha = charts.corrected.alpha
    known = [int(u) for u in units if np.isfinite(state.level[u]) and np.isfinite(alpha[u])]
    if not known:
        return
    worst = max(known, key=lambda u: abs(state.level[u] - alpha[u]) / max(float(state.level_sd[u]), 1e-6))
    change, sd = float(state.level[worst] - alpha[worst]), float(state.level_sd[worst])
    e.level_unit = worst
    e.change_pct = 100.0 * float(np.expm1(change))
    e.change_interval_pct = (100.0 * float(np.expm1(change - Z90 * sd)), 100.0 * float(np.expm1(change + Z90 * sd)))
    e.direction = "low" if change < 0 else "high"
    # Of the reference, as the answer's field has it: per cent of what the probe was, not of what it is now.
    of_reference = 100.0 * float(np.exp(change))
    e.slope_pct_per_year = of_reference * per_year(float(state.slope[worst]))
    e.slope_interval_pct = (
        of_reference * per_year(float(state.slope_low[worst])),
        of_reference * per_year(float(state.slope_high[worst])),
    )
    e.probability_ramp = float(state.trends.probability_ramp[worst])
    e.probability_step = float(state.trends.probability_step[worst])
    ramp, step = float(state.ramp_share[worst]), float(state.step_share[worst])
    e.moved, ramp, step = ramp + step, ramp / PRIOR_RAMP, step / PRIOR_STEP
    e.gradual = ramp / (ramp + step) if ramp + step > 0 else None
    e.step_pct = 100.0 * float(np.expm1(state.trends.step_size[worst]))
    e.probability_outside = max(float(state.probability_outside[u]) for u in known)
    onsets = [a.onset_estimate for a in open_alerts if a.onset_estimate is not None and a.rule in LEVEL_RULES]
    if onsets:
        e.onset_days = _days_of(min(onsets))
        e.onset = day(e.onset_days)
    ways = {a.direction for a in open_alerts if a.rule in LEVEL_RULES}
    e.alarm_direction = next(iter(ways)) if len(ways) == 1 and ways <= {"low", "high"} else None


def _windows_differ(e: Evidence, charts: ResponseCharts, state: DriftState, units: Ints) -> None:
    """Two windows of one probe: a gain shift moves them by different amounts, a loss of efficiency by the same."""
    alpha, sets = charts.corrected.alpha, []
    for u in units:
        if np.isfinite(alpha[u]) and state.trends.checks[u] >= 5:
            sets.append(
                (
                    float(state.level[u] - alpha[u]),
                    float(np.hypot(state.level_sd[u], np.sqrt(charts.corrected.alpha_var[u]))),
                )
            )
    if len(sets) < 2:
        return
    low, high = min(sets), max(sets)
    e.windows_opposed = low[0] < -OPPOSED_SD * low[1] and high[0] > OPPOSED_SD * high[1]
    gap, sd = high[0] - low[0], float(np.hypot(low[1], high[1]))
    if gap > max(0.04, 4.0 * sd):
        e.windows_disagree = True
    elif sd < 0.012:
        e.windows_disagree = False
