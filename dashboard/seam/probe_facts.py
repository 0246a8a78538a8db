"""What is known of a probe in a dozen lines: term and value, a dash with its reason where nothing is known."""

from __future__ import annotations

from datetime import datetime

from analytics.results import ProbeResult, SeriesResult
from dashboard.figures.forecast import says
from dashboard.parts.direction import told
from dashboard.parts.values import DASH, ago, chance, count, day, interval, moment, number, tenths
from dashboard.parts.words import CAUSE

Fact = tuple[str, str]


def facts(
    probe: ProbeResult, series: SeriesResult | None, as_of: datetime, tolerance_pct: float | None = None
) -> list[Fact]:
    """The facts on a probe and on the series that is looked at (None: no response was ever charted).

    tolerance_pct: the tolerance limit, by which a response beyond it is told from one that nears no limit.
    """
    return [*(_series_facts(series, tolerance_pct) if series is not None else ()), *_cause(probe), ("Last check", _last(probe, as_of))]


def _series_facts(series: SeriesResult, tolerance_pct: float | None) -> list[Fact]:
    return [
        ("Response now", _now(series)),
        ("Reference", _reference(series)),
        ("Drift", _drift(series)),
        ("Reaches a limit", _reaches(series, tolerance_pct)),
    ]


def _reaches(series: SeriesResult, tolerance_pct: float | None) -> str:
    if series.crossing:
        return says(series.crossing)
    now = series.current_pct
    if now is not None and tolerance_pct is not None and abs(now - 100) >= tolerance_pct:
        return f"{DASH} (already beyond the tolerance limit of {tolerance_pct:g} %)"
    return f"{DASH} (no crossing is forecast)"


def _now(series: SeriesResult) -> str:
    if series.current is None:
        return f"{DASH} (no usable check yet, or none lately)"
    share = f" ({number(series.current_pct, '% of reference', digits=4)})" if series.current_pct is not None else ""
    return f"{number(series.current, series.unit)}{share}; 90 %: {interval(series.current_interval, series.unit)}"


def _reference(series: SeriesResult) -> str:
    one = series.reference
    if one is None:
        return f"{DASH} (too few checks)"
    value = f"{number(one.value, one.unit)} ± {number(one.value_sd, digits=1)} (k=1)"
    return f"{value} from {count(one.readings, 'check')}, {day(one.from_at)} to {day(one.to_at)}"


def _drift(series: SeriesResult) -> str:
    if not told(series):
        return f"{DASH} (no trend can be told from {count(series.readings, 'check')})"
    if series.drift_per_year is None:
        return f"{DASH} (no trend can be told yet)"
    unit = f"{series.unit} a year"
    if series.drift_pct_per_year is None or series.reference is None or not series.reference.value:
        bounds = interval(series.drift_interval, unit, digits=2)
        return f"{number(series.drift_per_year, unit, digits=2, sign=True)}; 90 %: {bounds}"
    share = [tenths(100 * end / series.reference.value) for end in series.drift_interval or ()]
    range_ = f"; 90 %: {' to '.join(share)} %" if share else ""
    own = number(series.drift_per_year, unit, digits=2, sign=True)
    return f"{tenths(series.drift_pct_per_year, '% of the reference a year')}{range_} ({own})"


def _cause(probe: ProbeResult) -> list[Fact]:
    if probe.cause == "none":
        return []
    likely = sorted(probe.cause_probabilities.items(), key=lambda one: -one[1])[:3]
    words: dict[str, str] = {str(cause): word for cause, word in CAUSE.items()}
    shares = [f"{words.get(name, name)} {chance(share)}" for name, share in likely if share >= 0.005]
    return [("Likely cause", ", ".join(shares) or words[probe.cause])]


def _last(probe: ProbeResult, as_of: datetime) -> str:
    if probe.latest_check_at is None:
        return f"{DASH} (none so far)"
    due = f"; next due {day(probe.next_check_due_on)}" if probe.next_check_due_on else ""
    return f"{moment(probe.latest_check_at)} ({ago(probe.latest_check_at, as_of)}){due}"
