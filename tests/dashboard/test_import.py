"""Import, under AppTest on real stores."""

from __future__ import annotations

import pytest

from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.records.saved_maps import maps
from analytics.records.undo import loads
from dashboard.seam import intake
from tests.dashboard.opened import open_page, words

PROBES = "probe,site\nGP-1,North\nGP-2,North\n"
SOURCES = "source,nuclide,reference_at,activity_kbq\nCK-1,Co-57,2025-01-01,370\n"
READINGS = (
    "probe,taken_at,window,measurement,counts,count_time_s,source\n"
    "GP-1,2025-03-03T08:00:00,Co-57,background,52,10,\n"
    "GP-1,2025-03-03T08:01:00,Co-57,source,20050,10,CK-1\n"
    "GP-2,2025-03-03T08:05:00,Co-57,source,19800,10,CK-1\n"
)
THEIRS = "Serial;Day;Time;Setting;Kind;Count;Seconds;Check source\nGP-1;14.03.2025;08:00;Co-57;source;20050;10;CK-1\n"


@pytest.fixture
def store(tmp_path, monkeypatch):
    """Where the pages keep their records; nothing is there yet."""
    path = tmp_path / "fleet.duckdb"
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    return path


@pytest.fixture
def registered(store, tmp_path):
    """A store with two probes and a source."""
    for name, text in (("probes.csv", PROBES), ("sources.csv", SOURCES)):
        (tmp_path / name).write_text(text)
    load_files(store, [tmp_path / "probes.csv", tmp_path / "sources.csv"], by="A. Lind", create=True)
    return store


def upload(at, **files):
    """Give files to the page."""
    at.file_uploader[0].set_value([(f"{name}.csv", text.encode(), "text/csv") for name, text in files.items()])
    return at.run()


def button(at, label):
    """The button of that label."""
    return next(one for one in at.button if one.label == label)


def loaded(at, name="A. Lind"):
    """Give the name and load."""
    at.text_input(key="person").set_value(name).run()
    button(at, "Load exactly this").click().run()
    assert not at.exception
    return at


def test_an_empty_store_is_told_what_to_import_first(store):
    """Before there is a store the page names the tables and their needed columns; the other parts say what to do."""
    assert "First the registries" in words(open_page("import_log"))
    for part in ("Held rows", "Loads"):
        at = open_page("import_log", part=part)
        assert not at.exception
        assert "There is no store yet" in words(at)


def test_a_load_is_rehearsed_before_anything_is_written(store):
    """After the upload the page says what would become of each row, and there is still no store."""
    at = upload(open_page("import_log"), readings=READINGS, sources=SOURCES, probes=PROBES)
    assert not at.exception
    assert "Nothing is written yet" in words(at)
    table = at.dataframe[0].value.set_index("kind")
    assert dict(table["new"]) == {"probes": 2, "sources": 1, "readings": 3}
    assert not store.exists()


def test_what_was_rehearsed_is_loaded(store):
    """Pressing the button stores exactly these rows under the name, and leads on to the fleet."""
    at = loaded(upload(open_page("import_log"), readings=READINGS, sources=SOURCES, probes=PROBES))
    assert len(snapshot(store).readings) == 3
    assert list(loads(store)["by"]) == ["A. Lind"]
    assert "**6 new**" in words(at)


def test_the_same_file_again_has_nothing_to_load(registered):
    """A file whose rows are all there says so and offers no button."""
    loaded(upload(open_page("import_log"), readings=READINGS))
    again = upload(open_page("import_log"), readings=READINGS)
    assert "there is nothing to load" in words(again)
    assert not [one for one in again.button if one.label == "Load exactly this"]


def test_held_rows_are_shown_with_reason_and_hint(registered):
    """An unknown probe and a zero time are named by reason in words, with what to do; no row is dropped."""
    bad = (
        READINGS
        + "GP-3,2025-03-03T08:05:00,Co-57,source,19800,10,CK-1\nGP-2,2025-03-04T08:05:00,Co-57,source,19800,0,CK-1\n"
    )
    at = upload(open_page("import_log"), readings=bad)
    by_reason = next(one.value for one in at.dataframe if "example" in one.value)
    assert set(by_reason["reason"]) == {"the probe is not registered", "a counting needs a time above zero"}
    assert all(by_reason["hint"])
    assert "readings.csv row 5" in set(by_reason["example"].str.split(",").str[0])
    loaded(at)
    assert len(intake.held()) == 2


def test_a_file_that_cannot_be_read_gets_one_line_with_its_own_name(registered):
    """A missing column is said with the file's name, not with where the upload lies."""
    at = upload(open_page("import_log"), readings="probe,taken_at\nGP-1,2025-03-03\n")
    assert not at.exception
    (error,) = at.error
    assert "readings.csv" in error.value
    assert "steadycount-upload" not in error.value


def test_other_headings_are_read_by_a_map_built_here(registered):
    """A semicolon file with other headings and a day-first date is guessed, mapped, kept under a name, and loaded."""
    at = upload(open_page("import_log"), log=THEIRS)
    assert at.error
    at.selectbox(key="map").set_value("build one from the first rows").run()
    assert not at.exception
    key = "map-log.csv"
    at.selectbox(key=f"{key}-kind").set_value("readings")
    at.selectbox(key=f"{key}-order").set_value("day_first").run()
    for column, heading in {"probe": "Serial", "window": "Setting", "measurement": "Kind", "counts": "Count",
                            "count_time_s": "Seconds", "source": "Check source"}.items():  # fmt: skip
        at.selectbox(key=f"{key}-readings-{column}").set_value(heading)
    at.multiselect(key=f"{key}-readings-taken_at").set_value(["Day", "Time"])
    at.run()
    at.text_input(key="map_name").set_value("theatre log")
    at.text_input(key="person_map").set_value("A. Lind").run()
    button(at, "Keep").click().run()
    assert maps(registered) == ["theatre log"]
    loaded(at)
    (taken,) = snapshot(registered).readings["taken_at"]
    assert taken.isoformat() == "2025-03-14T08:00:00"


def test_a_kept_map_can_be_chosen_next_time(registered):
    """A saved map stands in the list and reads the file at once."""
    from analytics.records.column_map import ColumnMap
    from analytics.records.saved_maps import save_map

    columns = {"probe": ("Serial",), "taken_at": ("Day", "Time"), "window": ("Setting",), "measurement": ("Kind",),
               "counts": ("Count",), "count_time_s": ("Seconds",), "source": ("Check source",)}  # fmt: skip
    save_map(
        registered, "theatre log", ColumnMap(kind="readings", date_order="day_first", columns=columns), by="A. Lind"
    )
    at = upload(open_page("import_log"), log=THEIRS)
    at.selectbox(key="map").set_value("theatre log").run()
    assert list(at.dataframe[0].value["new"]) == [1]


def test_a_load_can_be_taken_back_with_a_reason(registered, tmp_path):
    """Marking a load and giving name and reason hides its rows; the list says who took it back, and why."""
    (tmp_path / "readings.csv").write_text(READINGS)
    load_files(registered, [tmp_path / "readings.csv"], by="A. Lind")
    at = open_page("import_log", part="Loads")
    at.session_state["loads"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    at.run()
    at.text_input(key="person_undo").set_value("B. Moor")
    next(one for one in at.text_input if one.label == "Why").set_value("wrong file")
    button(at, "Take it back").click().run()
    assert not at.exception
    assert len(snapshot(registered).readings) == 0
    newest = loads(registered).iloc[0]
    assert (newest["undone_by"], newest["undo_reason"]) == ("B. Moor", "wrong file")


def test_taking_back_needs_a_reason(registered):
    """Without a reason nothing is taken back, and the page says that one is needed."""
    at = open_page("import_log", part="Loads")
    at.session_state["loads"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    at.run()
    at.text_input(key="person_undo").set_value("B. Moor")
    button(at, "Take it back").click().run()
    assert "no reason was given" in at.error[0].value
    assert loads(registered)["undone_at"].isna().all()


@pytest.fixture
def holding(registered, tmp_path):
    """A store in which one row waits: its probe was misspelt."""
    (tmp_path / "readings.csv").write_text(READINGS.replace("GP-2", "GP-22"))
    load_files(registered, [tmp_path / "readings.csv"], by="A. Lind")
    return registered


def test_held_rows_are_listed_with_their_cells(holding):
    """The waiting row shows file, row, reason and hint, and its own cells to be mended."""
    at = open_page("import_log", part="Held rows")
    assert not at.exception
    assert "**1 row held.**" in words(at)
    table = at.dataframe[0].value if at.dataframe else at.get("arrow_data_frame")[0]
    assert table is not None


def test_held_rows_can_be_mended(holding):
    """What the page does on release: the mended row is stored, and leaves the list."""
    from dashboard.seam import act_import

    (held_id,) = intake.held()["held_id"]
    report = act_import.release(
        [int(held_id)],
        {int(held_id): {"probe": "GP-2"}},
        by="A. Lind",
        register_new=False,
        accept_names=False,
        accept_changes=False,
    )
    assert (report.stored, report.held_count) == (1, 0)
    assert len(snapshot(holding).readings) == 3
    assert intake.held().empty


def test_an_export_of_held_rows_knows_its_rows(holding, tmp_path):
    """The exported CSV, mended in a spreadsheet and given back, releases its row."""
    from dashboard.seam import act_import

    mended = tmp_path / "held.csv"
    mended.write_bytes(intake.held_csv(None).replace(b"GP-22", b"GP-2"))
    assert act_import.release_file(mended, by="A. Lind", register_new=False).stored == 1
