"""Whether a probe goes anywhere: one that stepped does not, whatever a line through the step would say."""

from __future__ import annotations

from analytics.results import ProbeResult, SeriesResult

LEAST_CHECKS = 3


def goes(probe: ProbeResult, series: SeriesResult) -> bool:
    """Whether a direction can be drawn: a slope that checks tell, and not that of a line through a step."""
    return series.drift_pct_per_year is not None and told(series) and not stepped(probe, series)


def told(series: SeriesResult) -> bool:
    """Whether the checks tell of a trend at all: before the third, the slope is only what is usual of its kind."""
    return series.readings >= LEAST_CHECKS


def stepped(probe: ProbeResult, series: SeriesResult) -> bool:
    """Whether the likeliest cause is a sudden loss, and no limit is forecast to be reached by going on."""
    return probe.cause == "sudden_loss" and series.crossing is None
