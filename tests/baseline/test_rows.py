"""Rows of the response: units between new references, increments of checks that come in parts."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from analytics.baseline.rows import build_rows, days, epoch_of, reference_epochs
from analytics.counting import count_records
from tests.baseline.logbook import SHIPPED, START, Log, weekly


def rows_of(log):
    """Rows of a log, with what was counted."""
    records = log.records()
    counted = count_records(records, SHIPPED)
    return build_rows(counted.response_states, records.events, counted.names), counted


def test_days_are_counted_from_1970():
    """Days with their fraction; a time that is missing is NaN."""
    made = days(np.array(["1970-01-02T06:00", "NaT", "1969-12-31"], "datetime64[us]"))
    assert made[0] == 1.25
    assert np.isnan(made[1])
    assert made[2] == -1.0


def test_a_new_reference_starts_a_new_unit():
    """Two repairs, one of them before the first check, make two units; a cleaning makes none."""
    log = Log().source().probe("P").checks("P", weekly(20))
    log.event("P", -5.0, "repair", new_reference=True).event("P", 60.0, "repair", new_reference=True)
    log.event("P", 100.0, "cleaned")
    rows, _ = rows_of(log)
    assert rows.units == 2
    assert np.bincount(rows.unit[rows.last]).tolist() == [9, 11]
    assert rows.ordinal[rows.unit_first[:-1]].tolist() == [0, 0]
    assert rows.unit_series.tolist() == [0, 0]


def test_rows_stand_in_order():
    """Rows are sorted by unit and time, the ordinal counts checks, each check has one first and one last row."""
    log = Log().source()
    for name in ("B", "A"):
        log.probe(name).checks(name, [*weekly(6), 36.0, 36.2])
    rows, counted = rows_of(log)
    assert [counted.names.probe[p] for p in rows.unit_probe] == ["A", "B"]
    for u in range(rows.units):
        mine = slice(rows.unit_first[u], rows.unit_first[u + 1])
        assert (np.diff(rows.at_days[mine]) >= 0).all()
        assert (np.diff(rows.ordinal[mine]) == rows.first[mine][1:]).all()
        assert rows.first[mine].sum() == rows.last[mine].sum() == 8


def test_a_background_counted_afterwards_makes_a_second_row_and_the_same_last_value():
    """Source first and background after it: the check has a row at either moment, the last one with its background."""
    log = Log().source().probe("P").checks("P", weekly(6))
    log.count("P", 42.0, "source", 15000).count("P", 42.01, "background", 300)
    rows, _ = rows_of(log)
    mine = np.flatnonzero(rows.ordinal == 6)
    assert rows.first[mine].tolist() == [True, False]
    assert rows.last[mine].tolist() == [False, True]
    assert rows.y[mine[1]] < rows.y[mine[0]]  # with its own high background less is left


def test_increments_add_up_to_what_was_known():
    """The running sum of increments is, at each row, the sum over checks of their value as known then."""
    log = Log().source().probe("P").checks("P", weekly(4))
    for day in (28.0, 35.0):
        log.count("P", day, "source", 15000).count("P", day + 0.01, "background", 300)
    rows, _ = rows_of(log)
    running = np.cumsum(rows.increment(rows.y))
    for i in range(len(rows.unit)):
        known = {}
        for j in range(i + 1):
            known[int(rows.check[j])] = rows.y[j]
        assert running[i] == pytest.approx(sum(known.values()), rel=1e-12)


def test_silent_and_refused_checks_have_no_row():
    """A check without signal has no logarithm, hence no row; the checks around it follow each other."""
    log = Log().source().probe("P").checks("P", weekly(5))
    log.count("P", 35.0, "background", 30).count("P", 35.002, "source", 28)
    log.checks("P", [42.0])
    rows, counted = rows_of(log)
    assert counted.response.no_signal.sum() == 1
    assert rows.ordinal.tolist() == [0, 1, 2, 3, 4, 5]
    assert np.isfinite(rows.y).all()


def test_epochs_of_unknown_probes_and_undated_events_are_left_out():
    """An event of a probe never read, or one without new reference, starts nothing."""
    log = Log().source().probe("P", "Q").checks("P", weekly(3))
    log.event("Q", 5.0, "repair", new_reference=True).event("P", 8.0, "dropped")
    log.event("P", 9.0, "repair", new_reference=True)
    _, counted = rows_of(log)
    probe, at = reference_epochs(log.records().events, counted.names)
    assert [counted.names.probe[p] for p in probe] in (["P"], ["P", "Q"])
    assert days(np.array([START + timedelta(days=9)], "datetime64[us]"))[0] in at
    epochs = epoch_of(np.zeros(3, int), np.array([1.0, 5.0, 9.0]), np.zeros(2, int), np.array([5.0, 7.0]))
    assert epochs.tolist() == [0, 1, 2]


def test_nothing_recorded_has_no_rows():
    """No reading, no row, no unit."""
    rows, _ = rows_of(Log().source().probe("P"))
    assert (len(rows.unit), rows.units) == (0, 0)
