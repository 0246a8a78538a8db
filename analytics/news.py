"""What one answer says that an earlier one did not: alarms that were not there, and advice that has changed."""

from __future__ import annotations

from collections.abc import Iterator

from analytics.results import Alert, DeviceResult, FleetAssessment, SeriesResult

Key = tuple[object, ...]


def news(before: FleetAssessment, now: FleetAssessment) -> tuple[str, ...]:
    """One sentence for each new alarm and each changed advice, alarms first; empty where nothing is new.

    An alarm is the same as an earlier one where series, rule, direction and the counting that tipped it are the same.
    Probes and devices that the earlier answer did not know are new only where their advice is not `use`.
    """
    return (*new_alarms(before, now), *_changed_probes(before, now), *_changed_devices(before, now))


def new_alarms(before: FleetAssessment, now: FleetAssessment) -> tuple[str, ...]:
    """The alarms alone, as ``news`` tells them; with the answers the other way round, those that are gone."""
    known = {key for key, _ in _alarms(before)}
    return tuple(sentence for key, sentence in _alarms(now) if key not in known)


def _alarms(assessment: FleetAssessment) -> Iterator[tuple[Key, str]]:
    for series in assessment.series:
        for alert in series.alerts:
            yield (*_identity(series), *_tipped(alert)), f"{series.probe}: {alert.detail}"
    for device in _devices(assessment):
        for alert in device.alerts:
            yield (device.kind, device.name, *_tipped(alert)), f"{device.kind} {device.name}: {alert.detail}"


def _identity(series: SeriesResult) -> Key:
    return series.probe, series.window, series.jig, series.collimator, series.nuclide, series.quantity


def _tipped(alert: Alert) -> Key:
    return alert.rule, alert.direction, alert.signalled_at


def _devices(assessment: FleetAssessment) -> tuple[DeviceResult, ...]:
    return (*assessment.sources, *assessment.jigs, *assessment.readouts)


def _changed_probes(before: FleetAssessment, now: FleetAssessment) -> Iterator[str]:
    earlier = {one.probe: (one.advice, one.patient_use) for one in before.probes}
    for one in now.probes:
        advice, patient_use = earlier.get(one.probe, ("use", "allowed"))
        known = one.probe in earlier
        if one.advice != advice:
            yield f"{one.probe}: the advice is {one.advice}, {_before(advice, known)}."
        if one.patient_use != patient_use:
            yield f"{one.probe}: patient use is {_words(one.patient_use)}, {_before(_words(patient_use), known)}."


def _changed_devices(before: FleetAssessment, now: FleetAssessment) -> Iterator[str]:
    earlier = {(one.kind, one.name): one.advice for one in _devices(before)}
    for one in _devices(now):
        advice = earlier.get((one.kind, one.name), "use")
        if one.advice != advice:
            yield f"{one.kind} {one.name}: the advice is {one.advice}, {_before(advice, (one.kind, one.name) in earlier)}."


def _before(said: str, known: bool) -> str:
    return f"it was {said}" if known else "it was not on record then"


def _words(label: str) -> str:
    return label.replace("_", " ")
