"""The log of alerts that were shown: appended once, by several at once, withdrawn with who and why, and checked."""

from __future__ import annotations

import dataclasses
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import pytest

from analytics import moment
from analytics.errors import UserError
from analytics.fleet import assess
from analytics.records import people
from analytics.records.alert_log import alert_log, said_so_far
from analytics.records.alerts import log_alerts
from analytics.records.check_store import check_store
from analytics.records.reader import snapshot
from analytics.records.store import revisions
from analytics.settings import load
from tests.dashboard import real_store

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def answer():
    """Records and answer of now of the five-probe fleet, one of which has an alarm."""
    records = snapshot(real_store.shared())
    return records, assess(records, load(), moment.now("UTC"))


@pytest.fixture
def store(tmp_path):
    """A store of the test's own."""
    return real_store.store(tmp_path)


def test_what_was_shown_is_entered_once_and_makes_no_new_answer(store, answer):
    """The first answer adds its alerts with revision, settings and tipping counting, and a change; the second adds none."""
    records, assessment = answer
    before = revisions(store)
    shown = sum(len(one.alerts) for one in assessment.series)
    assert shown > 0
    assert log_alerts(store, assessment, records.readings) == shown
    assert log_alerts(store, assessment, records.readings) == 0
    assert revisions(store) == (before.revision + 1, before.answering)
    assert snapshot(store).revision == before.answering
    log = alert_log(store)
    assert log["alert_id"].tolist() == list(range(1, shown + 1))
    assert set(log["revision"]) == {assessment.revision}
    assert set(log["config"]) == {assessment.config}
    tipped = records.readings.set_index("reading_id").loc[log["reading_id"].astype(int)]
    assert tipped["taken_at"].tolist() == log["signalled_at"].tolist()
    assert tipped["probe"].tolist() == log["subject"].tolist()
    assert check_store(store) == []


def test_nothing_is_written_where_nothing_is_new(store, answer):
    """With everything in the log the file is not opened for writing, so others are not kept waiting."""
    records, assessment = answer
    log_alerts(store, assessment, records.readings)
    before = store.stat().st_mtime_ns
    log_alerts(store, assessment, records.readings)
    assert store.stat().st_mtime_ns == before


def test_alerts_that_the_log_is_known_to_have_are_not_looked_up_again(store, answer):
    """With all of them known the store is not opened, be it there or not; a new one is entered all the same."""
    records, assessment = answer
    known: set = set()
    shown = log_alerts(store, assessment, records.readings, known=known)
    assert log_alerts(store.with_name("not there"), assessment, records.readings, known=known) == 0
    more = _twice(assessment)
    assert log_alerts(store, more, records.readings, known=known) == shown
    log = alert_log(store)
    assert log["signalled_at"].nunique() > 1
    assert len(log) == 2 * shown == len(known)
    assert check_store(store) == []


def test_several_at_once_enter_each_alert_once(store, answer):
    """Six threads that show the same answer leave one row an alert."""
    records, assessment = answer
    with ThreadPoolExecutor(6) as pool:
        counts = list(pool.map(lambda _: log_alerts(store, assessment, records.readings), range(6)))
    assert sum(counts) == len(alert_log(store)) == sum(len(one.alerts) for one in assessment.series)
    assert check_store(store) == []


def test_an_alert_that_a_correction_removes_reads_withdrawn(store, answer):
    """With its tipping counting excluded the alert is gone from the answer and stands in the log with who and why."""
    records, assessment = answer
    log_alerts(store, assessment, records.readings)
    log = alert_log(store)
    assert said_so_far(store, assessment, records.readings)["withdrawn"].isna().all()
    reading = int(log["reading_id"].iloc[0])
    people.exclude(store, reading, by="A. Lind", reason="source not seated")
    quiet = dataclasses.replace(
        assessment, series=tuple(dataclasses.replace(one, alerts=()) for one in assessment.series)
    )
    said = said_so_far(store, quiet, records.readings).set_index("alert_id")["withdrawn"]
    assert said[1] == "withdrawn: reading excluded by A. Lind: source not seated"
    assert len(alert_log(store)) == len(log)


def test_the_same_alert_under_another_rule_still_stands(store, answer):
    """Who saw it hangs on series, direction and tipping counting, not on the rule that spoke first."""
    records, assessment = answer
    log_alerts(store, assessment, records.readings)
    renamed = dataclasses.replace(
        assessment,
        series=tuple(
            dataclasses.replace(one, alerts=tuple(dataclasses.replace(a, rule="ewma") for a in one.alerts))
            for one in assessment.series
        ),
    )
    assert said_so_far(store, renamed, records.readings)["withdrawn"].isna().all()


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        ("DELETE FROM alert WHERE alert_id = 1", "alert 1 is missing"),
        ("UPDATE alert SET revision = 99 WHERE alert_id = 1", "revision 99, which there never was"),
        ("UPDATE alert SET reading_id = 999999 WHERE alert_id = 1", "reading 999999, which there is not"),
        ("UPDATE alert SET detail = 'nothing much' WHERE alert_id = 2", "are not those that were shown"),
        ("DELETE FROM alert WHERE alert_id = (SELECT max(alert_id) FROM alert)", "are not those that were shown"),
        ("INSERT INTO alert SELECT * REPLACE (99 AS alert_id, 'x' AS subject) FROM alert LIMIT 1", "are not in the history"),
        ("INSERT INTO alert SELECT * REPLACE (alert_id + 2 AS alert_id) FROM alert", "is there 2 times"),
    ],
)
def test_check_store_sees_a_log_that_is_not_whole(store, answer, harm, said):
    """Missing, altered, added, doubled and impossible rows of the log are problems of the store."""
    records, assessment = answer
    log_alerts(store, _twice(assessment), records.readings)
    with duckdb.connect(str(store)) as con:
        con.execute(harm)
    assert any(said in one.what for one in check_store(store))


def _twice(assessment):
    """The answer with a second alert a day later, so that the log has two rows."""
    from datetime import timedelta

    def more(alerts):
        later = (dataclasses.replace(a, signalled_at=a.signalled_at + timedelta(days=1)) for a in alerts)
        return (*alerts, *later)

    return dataclasses.replace(
        assessment, series=tuple(dataclasses.replace(one, alerts=more(one.alerts)) for one in assessment.series)
    )


def test_a_store_that_cannot_be_written_is_said(store, answer):
    """A busy store is a UserError after the wait that was asked for, and nothing is entered."""
    records, assessment = answer
    holder = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(store)], stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert holder.stdout is not None
    try:
        assert holder.stdout.readline() == "held\n"
        started = time.monotonic()
        with pytest.raises(UserError, match="in use"):
            log_alerts(store, assessment, records.readings, wait_s=0.3)
        assert time.monotonic() - started < 5.0
    finally:
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        holder.stdout.close()
    assert log_alerts(store, assessment, records.readings) > 0
    assert check_store(store) == []


_HOLD = """
import sys, time
from analytics.records.store import Store
with Store(sys.argv[1]).writing() as con:
    con.execute("INSERT INTO alert SELECT 1, now()::TIMESTAMP, 1, 'x', 'P-1', NULL, NULL, NULL, NULL, 'response', 'E', 'cusum',"
                " 'low', now()::TIMESTAMP, NULL, 'half written'")
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_read_only_folder_is_no_place_to_enter_it(store, answer, monkeypatch):
    """Where nothing can be written the log says so in a UserError, and the store is as it was."""
    from analytics.records import alerts

    records, assessment = answer
    kept = store.with_name("kept.duckdb")
    shutil.copy(store, kept)

    def refused(*_given, **_named):
        raise UserError("the folder cannot be written to (Read-only file system)", where=str(store.parent))

    monkeypatch.setattr(alerts.Store, "writing", refused)
    with pytest.raises(UserError, match="cannot be written"):
        log_alerts(store, assessment, records.readings)
    assert store.read_bytes() == kept.read_bytes()
