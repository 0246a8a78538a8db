"""How often the store is opened: each opening costs as much as a plain page."""

from __future__ import annotations

from datetime import timedelta

import pytest

from analytics.records.reader import snapshot
from analytics.records.store import Store, revision_in
from analytics.records.typed_in import record_check
from tests.dashboard import real_store


@pytest.fixture
def opened(monkeypatch):
    """The openings so far, each as whether it was for reading alone."""
    found: list[bool] = []
    plain = Store._connect

    def counted(self, *, read_only):
        found.append(read_only)
        return plain(self, read_only=read_only)

    monkeypatch.setattr(Store, "_connect", counted)
    return found


def test_who_reads_within_a_reading_shares_its_connection(opened):
    """One opening for both, the inner one's end leaves the outer one open, and after the outer one it is closed."""
    path = real_store.shared()
    opened.clear()
    with Store(path).reading() as con:
        with Store(path).reading() as inner:
            assert inner is con
        assert revision_in(con) >= 1
    with Store(path).reading() as later:
        assert later is not con
    assert opened == [True, True]


def test_a_failed_reading_leaves_no_connection_behind(opened):
    """Whatever ends the block, the next reading opens the store anew."""
    path = real_store.shared()
    opened.clear()
    with pytest.raises(ZeroDivisionError), Store(path).reading():
        raise ZeroDivisionError
    with Store(path).reading() as con:
        assert revision_in(con) >= 1
    assert opened == [True, True]


def test_a_check_whose_time_zone_is_known_opens_the_store_once(opened, tmp_path):
    """The check is stored by the one opening that writes it."""
    path = real_store.store(tmp_path)
    readings = snapshot(path).readings
    row = readings[(readings["probe"] == real_store.SOUND) & (readings["measurement"] == "source")].iloc[-1]
    at = row["taken_at"].to_pydatetime() + timedelta(minutes=5)
    typed = {name: row[name] for name in ("probe", "window", "source", "jig", "count_time_s", "counts")}
    opened.clear()
    report = record_check(path, [typed | {"measurement": "source", "taken_at": at}], by="A. Lind",
                          now=at + timedelta(hours=1), time_zone="UTC")  # fmt: skip
    assert (report.stored, report.held_count) == (1, 0)
    assert opened == [False]
