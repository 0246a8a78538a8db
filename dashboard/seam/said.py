"""The log of alerts that were shown: entered once a revision and settings, and read for the Alerts page."""

from __future__ import annotations

import sys
from collections.abc import Hashable
from pathlib import Path
from threading import Lock

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from analytics.records.alerts import Shown
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from dashboard.parts.words import RULE
from dashboard.seam.place import store_path

WAIT_S = 2.0  # for others that have the store open; the next page tries again
_entered: set[tuple[str, int, str]] = set()
_logged: dict[tuple[str, int, int], tuple[int, set[Shown]]] = {}  # of the last file: its revision, and alerts that its log has
_gate = Lock()


def enter(assessment: FleetAssessment, records: Records) -> None:
    """Log what a page is about to show, where the log does not know it; a failure is said on standard error only."""
    from analytics.records.alerts import log_alerts

    key = (str(store_path()), assessment.revision, assessment.config)
    if key in _entered or not store_path().is_file() or not _gate.acquire(blocking=False):
        return
    try:
        log_alerts(store_path(), assessment, records.readings, wait_s=WAIT_S, known=_logged_in(store_path(), assessment.revision))
        _entered.add(key)
    except UserError as error:
        sys.stderr.write(f"What was shown could not be entered in the alert log: {error}\n")
    finally:
        _gate.release()


def _logged_in(path: Path, revision: int) -> set[Shown]:
    """What the log of this very file is known to hold; another file of that name, or an earlier state of it, begins anew."""
    stat = path.stat()
    place = (str(path), stat.st_dev, stat.st_ino)
    before, known = _logged.get(place, (revision, set()))
    if before > revision:
        known = set()
    _logged.clear()
    _logged[place] = revision, known
    return known


def table(assessment: FleetAssessment, records: Records) -> pd.DataFrame:
    """Everything said so far, newest first; ``stands`` says whether it still holds, or who took it back and why."""
    key = (*_print(), assessment.revision, assessment.config) if store_path().is_file() else ()
    log = _log(str(store_path()), key, assessment, records)
    return pd.DataFrame(
        {
            "shown": log["shown_at"],
            "what": log["subject"],
            "said": log["detail"],
            "signalled": log["signalled_at"],
            "stands": log["withdrawn"].where(log["withdrawn"].notna(), "stands"),
            "rule": [RULE.get(one, one) for one in log["rule"]],
            "episode": log["episode"],
            "revision": log["revision"],
            "settings": log["config"].str[:8],
        }
    )


@st.cache_resource(max_entries=4, show_spinner=False)
def _log(
    path: str,
    key: tuple[Hashable, ...],
    _assessment: FleetAssessment,
    _records: Records,
) -> pd.DataFrame:
    """The file's size and time are part of the key, since the log leaves the revision alone."""
    from analytics.records.alert_log import NO_LOG, said_so_far

    return said_so_far(path, _assessment, _records.readings) if key else NO_LOG


def _print() -> tuple[int, int]:
    stat = store_path().stat()
    return stat.st_size, stat.st_mtime_ns
