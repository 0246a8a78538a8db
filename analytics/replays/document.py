"""The replay as the JSON document of the contract: ten significant digits, null for what is not known."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, datetime
from typing import Any

from analytics.answer import number
from analytics.replays.coverage import Coverage
from analytics.replays.results import Forecast, Replay

HELD = {"held": True, "sooner": False, "later": False}


def as_json(replay: Replay) -> dict[str, Any]:
    """The whole document."""
    rate = replay.alarm_rate
    return {
        "until": _plain(replay.until),
        "version": replay.version,
        "revision": replay.revision,
        "config": replay.config,
        "tolerance_pct": number(replay.tolerance_pct),
        "month_ends": [one.date().isoformat() for one in replay.month_ends],
        "forecasts": [forecast_json(one) for one in replay.forecasts],
        "coverage": coverage_json(replay.coverage),
        "early_ends": coverage_json(replay.early_ends),
        "recalibration": _fields(replay.recalibration),
        "passings": [_fields(one) for one in replay.passings],
        "lead_times": _fields(replay.lead_times),
        "alerts": [_fields(one) for one in replay.leads],
        "alarms": {
            "confirmed": {
                "alarms": rate.confirmed_alarms,
                "probes": rate.confirmed_probes,
                "probe_years": number(rate.confirmed_probe_years),
                "per_probe_year": number(rate.confirmed_per_probe_year),
            },
            "unconfirmed": {
                "alarms": rate.unconfirmed_alarms,
                "probes": rate.unconfirmed_probes,
                "probe_years": number(rate.unconfirmed_probe_years),
                "per_probe_year": number(rate.unconfirmed_per_probe_year),
            },
            "open_probes": rate.open_probes,
        },
        "causes": [_fields(one) | {"right": one.right} for one in replay.causes],
        "reliability": {
            "named": replay.reliability.named,
            "right": replay.reliability.right,
            "bins": [_fields(one) | {"share": number(one.share)} for one in replay.reliability.bins],
        },
    }


def forecast_json(one: Forecast) -> dict[str, Any]:
    """One forecast; ``held`` is null while it is open, and where the limit had been passed already."""
    return _fields(one) | {"held": HELD.get(one.verdict)}


def coverage_json(one: Coverage) -> dict[str, Any]:
    """One coverage with its counts."""
    return {"coverage_pct": number(one.coverage_pct)} | _fields(one) | {"bounds_pct": _plain(one.bounds_pct)}


def _fields(one: Any) -> dict[str, Any]:
    return {field.name: _plain(getattr(one, field.name)) for field in fields(one)}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds" if value.microsecond in (0, 999_999) else "microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return number(value)
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return value
