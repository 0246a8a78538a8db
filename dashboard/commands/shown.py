"""Entering in the store's log what the command line showed; that it cannot be entered is said and stops nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import UserError
from dashboard.commands.output import note

if TYPE_CHECKING:
    from analytics.results import FleetAssessment

LONGEST_WAIT_S = 5.0


def enter(store: Path, assessment: FleetAssessment) -> None:
    """Log alerts that the log does not know yet."""
    from analytics.records.alerts import alert_moments, log_alerts
    from analytics.records.reader import readings_at

    try:
        log_alerts(store, assessment, readings_at(store, alert_moments(assessment)), wait_s=LONGEST_WAIT_S)
    except UserError as error:
        note(f"What was shown could not be entered in the store's alert log: {error}")
