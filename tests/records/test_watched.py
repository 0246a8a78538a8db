"""A watched folder: what is taken, what is left alone, where it goes, and what a stop at any point leaves behind."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analytics.errors import UnavailableError, UserError
from analytics.records import watched as module
from analytics.records.check_store import check_store
from analytics.records.held import export_held
from analytics.records.reader import snapshot
from analytics.records.undo import loads
from analytics.records.watched import DONE, HELD, How, take_all, watched

HOW = How("watcher")


def never(error: Exception) -> str:
    """No file of these tests may make the tool fail."""
    raise AssertionError from error


@pytest.fixture
def inbox(clinic):
    """A folder beside the store, and a function that looks twice and takes what is ready."""
    folder = clinic.folder / "inbox"
    folder.mkdir()

    def take(how: How = HOW):
        with watched(folder, clinic.store) as place:
            place.look()
            ready, told = place.look()
            return list(take_all(clinic.store, place, ready, how, never)), told

    return folder, take


def names(folder: Path) -> list[str]:
    """What lies in a folder, hidden files aside."""
    return sorted(one.name for one in folder.iterdir() if not one.name.startswith("."))


def test_a_sound_file_goes_to_done_and_one_with_held_rows_to_held(inbox, clinic, row):
    """Each with a report beside it that says what became of it; the rows that could be stored are stored."""
    folder, take = inbox
    (folder / "good.csv").write_text(clinic.head + row() + "\n")
    (folder / "part.csv").write_text(
        clinic.head + row(taken_at="2024-05-02") + "\n" + row(counts="x", taken_at="2024-05-03") + "\n"
    )
    (folder / "odd.csv").write_text("colour,shape\nred,round\n")
    taken, _ = take()
    assert [(one.file, one.outcome) for one in taken] == [("good.csv", DONE), ("part.csv", HELD), ("odd.csv", HELD)]
    assert names(folder) == [DONE, HELD]
    assert names(folder / DONE) == ["good.csv", "good.csv.report.txt"]
    assert names(folder / HELD) == ["odd.csv", "odd.csv.report.txt", "part.csv", "part.csv.report.txt"]
    assert len(snapshot(clinic.store).readings) == 2
    said = (folder / HELD / "part.csv.report.txt").read_text()
    assert "2 readings rows, 1 stored, 0 already there, 1 held" in said
    assert "row 3, counts = 'x': not_a_number" in said
    assert "not loaded, and nothing was changed" in (folder / HELD / "odd.csv.report.txt").read_text()
    assert taken[2].as_json()["reason"].startswith(f"{folder}/odd.csv")


def test_registries_go_before_the_readings_that_need_them(inbox, clinic, row):
    """Files that lie there together are taken in the order of loading, whatever their names."""
    folder, take = inbox
    (folder / "a.csv").write_text(clinic.head + row(probe="GP-777") + "\n")
    (folder / "z.csv").write_text("probe,site\nGP-777,North\n")
    taken, _ = take()
    assert [(one.file, one.outcome) for one in taken] == [("z.csv", DONE), ("a.csv", DONE)]


def test_a_file_that_is_still_written_waits_until_two_looks_agree(inbox, clinic, row):
    """It is taken whole or not yet, and one that changes while it is loaded is taken once more."""
    folder, _ = inbox
    growing = folder / "log.csv"
    growing.write_text(clinic.head)
    with watched(folder, clinic.store) as place:
        assert place.look()[0] == []
        growing.write_text(clinic.head + row() + "\n")
        assert place.look()[0] == []
        assert place.still_growing() == ["log.csv"]
        ready, _ = place.look()
        assert ready == [growing]
        with growing.open("a") as more:
            more.write(row(taken_at="2024-05-02") + "\n")
        assert list(take_all(clinic.store, place, ready, HOW, never)) == []
        assert growing.exists()
        place.look()
        ready, _ = place.look()
        (one,) = take_all(clinic.store, place, ready, HOW, never)
    assert (one.report.stored, one.report.already_there, names(folder)) == (0, 2, [DONE, HELD])


def test_links_folders_hidden_and_unfinished_files_are_left_alone(inbox, clinic, row, tmp_path):
    """A link that leads out is not followed, and each thing passed over is said once."""
    folder, _ = inbox
    outside = clinic.write("outside.csv", clinic.head + row() + "\n")
    (folder / "link.csv").symlink_to(outside)
    (folder / "dead.csv").symlink_to(tmp_path / "nowhere")
    (folder / "deeper").mkdir()
    (folder / "deeper" / "log.csv").write_text(clinic.head + row() + "\n")
    os.mkfifo(folder / "pipe.csv")
    for name in (".hidden.csv", "~$log.xlsx", "log.csv.part"):
        (folder / name).write_text("x")
    with watched(folder, clinic.store) as place:
        first = place.look()
        assert place.look() == ([], [])
    assert first == (
        [],
        [
            "dead.csv: a link is not followed; put the file itself here",
            "deeper: a folder in the folder is not looked into",
            "link.csv: a link is not followed; put the file itself here",
            "pipe.csv: this is no file",
        ],
    )
    assert outside.exists()
    assert snapshot(clinic.store).readings.empty


def test_a_name_that_is_taken_gets_a_number_and_nothing_is_overwritten(inbox, clinic, row):
    """Three files of one name, one after the other, lie beside each other with a report each."""
    folder, take = inbox
    for day in (1, 2, 3):
        (folder / "log.csv").write_text(clinic.head + row(taken_at=f"2024-05-0{day}") + "\n")
        take()
    assert [one for one in names(folder / DONE) if one.endswith(".csv")] == ["log-2.csv", "log-3.csv", "log.csv"]
    assert len(names(folder / DONE)) == 6


@pytest.mark.parametrize("name", [b"\xff\xfe log.csv", b"a\nb.csv", "ä" * 120 + ".csv", "=cmd|' calc'!A0.csv", "x" * 250])
def test_names_of_any_kind_are_taken(inbox, clinic, row, name):
    """Bytes that are no text, line ends, names as long as the disk allows: loaded, moved, reported."""
    folder, take = inbox
    raw = name if isinstance(name, bytes) else name.encode()
    Path(os.fsdecode(os.path.join(os.fsencode(folder), raw))).write_text(clinic.head + row() + "\n")  # noqa: PTH118 - bytes
    (one,), _ = take()
    assert (one.outcome, one.report.stored) == (DONE, 1)
    assert one.moved_to.exists()
    assert len(names(folder / DONE)) == 2
    assert check_store(clinic.store) == []


def test_a_file_that_cannot_be_opened_is_held_with_the_reason(inbox, clinic, row, monkeypatch):
    """The report says so, also where not even its digest can be told."""
    folder, take = inbox
    (folder / "log.csv").write_text(clinic.head + row() + "\n")
    real = Path.open

    def refusing(self, *arguments, **named):
        if self.name == "log.csv":
            raise PermissionError(13, "Permission denied")
        return real(self, *arguments, **named)

    monkeypatch.setattr(Path, "open", refusing)
    (one,), _ = take()
    assert (one.outcome, one.said) == (
        HELD,
        f"{folder}/log.csv: the file cannot be read (Permission denied). Check that you may read it.",
    )
    assert one.moved_to.exists()


def test_an_export_of_held_rows_is_not_loaded_as_a_log(inbox, clinic, row):
    """It belongs to `held release`, which settles the rows it mends."""
    folder, take = inbox
    clinic.readings(row(counts="x"))
    export_held(clinic.store, folder / "mend.csv")
    (one,), _ = take()
    assert (one.outcome, "export of held rows" in one.said) == (HELD, True)


def test_a_store_in_the_folder_is_no_log(clinic, row):
    """The store and the files beside it stay where they are."""
    clinic.write("log.csv", clinic.head + row() + "\n")
    with watched(clinic.folder, clinic.store) as place:
        place.look()
        ready, _ = place.look()
        assert [one.name for one in ready] == ["log.csv"]


def test_a_store_that_cannot_serve_leaves_the_file_where_it_is(inbox, clinic, row, monkeypatch):
    """Busy or full is no fault of the file: it is taken at a later look."""
    folder, take = inbox
    (folder / "log.csv").write_text(clinic.head + row() + "\n")

    def busy(*_arguments, **_named):
        raise UnavailableError("the store is in use", where="s")

    with monkeypatch.context() as patch:
        patch.setattr(module, "load_files", busy)
        with pytest.raises(UnavailableError):
            take()
    assert names(folder) == [DONE, HELD, "log.csv"]
    (one,), _ = take()
    assert one.outcome == DONE


def test_a_failure_of_the_tool_holds_the_file_and_the_next_is_taken(inbox, clinic, row, monkeypatch):
    """What no file should be able to cause is worded by the caller, and does not stop the watch."""
    folder, _ = inbox
    (folder / "a.csv").write_text(clinic.head + row() + "\n")
    (folder / "b.csv").write_text(clinic.head + row(taken_at="2024-05-02") + "\n")
    real = module.load_files

    def failing(store, files, **named):
        if files[0].name == "a.csv":
            raise ZeroDivisionError("by zero")
        return real(store, files, **named)

    monkeypatch.setattr(module, "load_files", failing)
    with watched(folder, clinic.store) as place:
        place.look()
        ready, _ = place.look()
        taken = list(take_all(clinic.store, place, ready, HOW, lambda error: f"failed: {error}"))
    assert [(one.file, one.outcome, one.said) for one in taken] == [("a.csv", HELD, "failed: by zero"), ("b.csv", DONE, "")]


def test_a_folder_that_cannot_be_watched_is_told(inbox, clinic):
    """Not there, watched already, or `done` leading elsewhere."""
    folder, _ = inbox
    with pytest.raises(UserError, match="there is no such folder"), watched(folder / "none", clinic.store):
        pass
    with (
        watched(folder, clinic.store),
        pytest.raises(UserError, match=r"process \d+ .*steadycount watch.* watches it already"),
        watched(folder, clinic.store),
    ):
        pass
    (folder / DONE).rmdir()
    (folder / DONE).symlink_to(clinic.folder)
    with pytest.raises(UserError, match="`done` in it is not a folder of its own"), watched(folder, clinic.store):
        pass


class Killed(BaseException):
    """Stands for the end of the process at a chosen moment."""


@pytest.mark.parametrize("moment", range(6))
def test_an_end_at_any_step_is_made_good_by_the_next_look(inbox, clinic, row, monkeypatch, moment):
    """Before the load, after it, and around each file operation of the move: afterwards all is stored once and moved."""
    folder, take = inbox
    (folder / "log.csv").write_text(clinic.head + row() + "\n" + row(counts="x", taken_at="2024-05-02") + "\n")
    steps = iter(range(100))

    def dying(real):
        def call(*arguments, **named):
            if next(steps) == moment:
                raise Killed
            done = real(*arguments, **named)
            if next(steps) == moment:
                raise Killed
            return done

        return call

    with monkeypatch.context() as patch:
        patch.setattr(module, "load_files", dying(module.load_files))
        patch.setattr(module, "_report_text", dying(module._report_text))
        patch.setattr(Path, "rename", dying(Path.rename))
        with pytest.raises(Killed):
            take()
    again, _ = take()
    assert names(folder) == [DONE, HELD]
    assert names(folder / HELD) == ["log.csv", "log.csv.report.txt"]
    assert len(again) == (0 if moment == 5 else 1)
    assert len(snapshot(clinic.store).readings) == 1
    assert len(loads(clinic.store)) == 2
    assert check_store(clinic.store) == []
