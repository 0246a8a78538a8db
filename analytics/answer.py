"""The assessment as the JSON document of the contract: ten significant digits, null for what is not known."""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import Any

from analytics.results import Alert, DeviceResult, FleetAssessment, ProbeResult, SeriesResult


def number(value: float | None) -> float | None:
    """Ten significant digits; NaN and infinities are not known.

    >>> number(1 / 3), number(float("nan"))
    (0.3333333333, None)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.10g}")


def _when(value: datetime | date | None) -> str | None:
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds" if value.microsecond == 0 else "microseconds")
    return None if value is None else value.isoformat()


def _pair(values: tuple[float, float] | None) -> list[float | None] | None:
    return None if values is None else [number(values[0]), number(values[1])]


def alert_json(alert: Alert) -> dict[str, Any]:
    """One opening of an alarm."""
    return {
        "episode": alert.episode,
        "rule": alert.rule,
        "signalled_at": _when(alert.signalled_at),
        "onset_estimate": _when(alert.onset_estimate),
        "settled_at": _when(alert.settled_at),
        "direction": alert.direction,
        "detail": alert.detail,
    }


def series_json(s: SeriesResult) -> dict[str, Any]:
    """One charted quantity."""
    return {
        "probe": s.probe,
        "window": s.window,
        "jig": s.jig,
        "collimator": s.collimator,
        "nuclide": s.nuclide,
        "quantity": s.quantity,
        "unit": s.unit,
        "readings": s.readings,
        "latest_at": _when(s.latest_at),
        "reference": None
        if s.reference is None
        else {
            "value": number(s.reference.value),
            "unit": s.reference.unit,
            "readings": s.reference.readings,
            "from": _when(s.reference.from_at),
            "to": _when(s.reference.to_at),
        },
        "current": number(s.current),
        "current_interval": _pair(s.current_interval),
        "current_pct": number(s.current_pct),
        "drift_per_year": number(s.drift_per_year),
        "drift_interval": _pair(s.drift_interval),
        "drift_pct_per_year": number(s.drift_pct_per_year),
        "crossing": None
        if s.crossing is None
        else {
            "limit_pct": number(s.crossing.limit_pct),
            "p05": _when(s.crossing.p05),
            "p50": _when(s.crossing.p50),
            "p95": _when(s.crossing.p95),
            "probability_within_days": {str(d): number(p) for d, p in s.crossing.probability_within_days.items()},
        },
        "repeat_requested": s.repeat_requested,
        "alerts": [alert_json(a) for a in s.alerts],
    }


def probe_json(p: ProbeResult) -> dict[str, Any]:
    """The answer for one probe."""
    return {
        "probe": p.probe,
        "advice": p.advice,
        "patient_use": p.patient_use,
        "cause": p.cause,
        "cause_probability": number(p.cause_probability),
        "reasons": [*p.missing, *p.reasons],
    }


def device_json(d: DeviceResult) -> dict[str, Any]:
    """The answer for a check source, a jig or a control unit, under its own key."""
    return {d.kind: d.name, "advice": d.advice, "reasons": list(d.reasons), "alerts": [alert_json(a) for a in d.alerts]}


def as_json(assessment: FleetAssessment, probe: str | None = None) -> dict[str, Any]:
    """The whole document, or that of one probe (sources, jigs and readouts stay whole)."""
    return {
        "as_of": _when(assessment.as_of),
        "version": assessment.version,
        "revision": assessment.revision,
        "config": assessment.config,
        "series": [series_json(s) for s in assessment.series if probe is None or s.probe == probe],
        "probes": [probe_json(p) for p in assessment.probes if probe is None or p.probe == probe],
        "sources": [device_json(d) for d in assessment.sources],
        "jigs": [device_json(d) for d in assessment.jigs],
        "readouts": [device_json(d) for d in assessment.readouts],
    }
