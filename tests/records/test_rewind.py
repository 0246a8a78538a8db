"""Records of an earlier revision: what was read then is read again now, whatever came later."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest

from analytics.errors import UserError
from analytics.records.load import load_files
from analytics.records.people import correct, decide, exclude, include
from analytics.records.reader import snapshot
from analytics.records.rewind import records_at
from analytics.records.store_settings import save_settings, settings_layer
from analytics.records.undo import undo

PROBES = "probe,site\nGP-1,North\nGP-2,North\n"
SOURCES = "source,nuclide,reference_at\nCK-1,Co-57,2024-01-01\n"
READINGS = """probe,taken_at,window,measurement,counts,count_time_s,source
GP-1,2024-02-01T08:00:00,Co-57,background,30,10,
GP-1,2024-02-01T08:01:00,Co-57,source,30000,10,CK-1
GP-2,2024-02-01T08:05:00,Co-57,source,31000,10,CK-1
"""
MORE = """probe,taken_at,window,measurement,counts,count_time_s,source,jig
GP-1,2024-02-08T08:01:00,Co-57,source,29500,10,CK-1,J9
"""
NOW = datetime(2024, 3, 1, 8, 0)


def file(folder: Path, name: str, text: str) -> Path:
    """A file with that text."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    """A store with a life: every kind of write, and what was read after each; by revision. The tests only read it."""
    tmp_path = tmp_path_factory.mktemp("lived")
    store = tmp_path / "lived.duckdb"
    seen: dict[int, tuple[object, object]] = {}

    def look() -> None:
        now = snapshot(store)
        seen[now.revision] = (now, settings_layer(store))

    first = [file(tmp_path, "p.csv", PROBES), file(tmp_path, "s.csv", SOURCES), file(tmp_path, "r.csv", READINGS)]
    more = file(tmp_path, "m.csv", MORE)
    steps = [
        lambda: load_files(store, first, by="T", create=True, now=NOW),
        lambda: exclude(store, [2, 3], by="T", reason="trial"),
        lambda: load_files(store, [more], by="T", now=NOW),
        lambda: include(store, [3], by="T", reason="trial over"),
        lambda: correct(store, 2, "counts", 30100, by="T", reason="misread", now=NOW),
        lambda: decide(store, "out_of_use", probe="GP-2", by="T", reason="dropped", now=NOW),
        lambda: undo(store, 2, by="T", reason="wrong file"),
        lambda: save_settings(store, {"limits": {"tolerance_pct": 8}}, by="T", reason="site choice"),
        lambda: exclude(store, [3], by="T", reason="after all"),
        lambda: load_files(store, [more], by="T", now=NOW),
        lambda: decide(store, "cleared", probe="GP-2", by="T", reason="checked", now=NOW),
        lambda: save_settings(store, {"limits": {"tolerance_pct": 9}}, by="T", reason="site choice"),
    ]
    for step in steps:
        step()
        look()
    assert len(seen) == len(steps)
    return store, seen


def test_every_earlier_revision_is_read_as_it_was(lived):
    """After loads, exclusions, corrections, decisions, settings and undoings, each earlier state is read unchanged."""
    store, seen = lived
    for revision, (records, layer) in seen.items():
        past = records_at(store, revision)
        assert past.settings_layer == layer
        assert past.records.revision == revision
        for name in (
            "readings",
            "probes",
            "sources",
            "windows",
            "events",
            "inspections",
            "uses",
            "outcomes",
            "decisions",
        ):
            pd.testing.assert_frame_equal(
                getattr(past.records, name), getattr(records, name), obj=f"{name} at {revision}"
            )


def test_revision_0_is_the_empty_store(lived):
    """Before anything was stored there was nothing."""
    past = records_at(lived[0], 0)
    assert past.committed_at_utc is None
    assert len(past.records.readings) == len(past.records.probes) == 0


def test_a_revision_says_when_it_came_to_be(lived):
    """Moments of revisions rise, and are in UTC."""
    moments = [records_at(lived[0], revision).committed_at_utc for revision in lived[1]]
    assert moments == sorted(moments)


def test_looking_back_changes_nothing(lived):
    """The present is read as before, and the revision stands."""
    store, seen = lived
    records_at(store, 1)
    last = max(seen)
    pd.testing.assert_frame_equal(snapshot(store).readings, seen[last][0].readings)
    assert snapshot(store).revision == last


@pytest.mark.parametrize("revision", [-1, 99])
def test_a_revision_that_never_was_is_refused(lived, revision):
    """A negative or future revision is named."""
    with pytest.raises(UserError, match=f"no revision {revision}"):
        records_at(lived[0], revision)
