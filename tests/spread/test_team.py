"""A store worked out by two processes, or part by part, is answered as by one, to the last digit."""

from __future__ import annotations

import json

import pytest

from analytics import settings
from analytics.answer import as_json
from analytics.fleet import assess
from analytics.records.load import load_files
from analytics.records.reader import snapshot
from analytics.simulate import scoring_fleet, write_csv
from analytics.spread import member, team
from dashboard.commands import assess as command

SHIPPED = settings.load()


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Twelve probes on four sites for ten months; its end, and the answer by one process."""
    where = tmp_path_factory.mktemp("team")
    made = scoring_fleet(5, probes=12, years=0.8, sites=4, mix={"gain_drift": 0.3, "step": 0.3}, repaired=0.7, two_windows=0.3)
    path = where / "fleet.duckdb"
    load_files(path, write_csv(made.tables, where), by="tester", create=True)
    return path, made.ends_at, assess(snapshot(path), SHIPPED, made.ends_at)


@pytest.fixture
def small(monkeypatch):
    """As if these few readings were many."""
    monkeypatch.setattr(team, "LEAST_BYTES", 0)
    monkeypatch.setattr(team, "LEAST_READINGS", 0)


def document(answer):
    """What the command prints."""
    return json.dumps(as_json(answer))


@pytest.mark.usefixtures("small")
def test_two_processes_answer_as_one(store):
    """Every number of the document is that of one process, and the objects are the same."""
    path, end, whole = store
    with team.beside(path) as other:
        made = team.assess_store(team.overview(path), SHIPPED, end, other)
    assert document(made) == document(whole)
    assert made.series == whole.series
    assert [one.reasons for one in made.probes] == [one.reasons for one in whole.probes]


@pytest.mark.usefixtures("small")
def test_a_store_larger_than_memory_is_worked_out_part_by_part(store, monkeypatch):
    """Nothing is kept, every part holds one group at most, and one process does it: the same answer."""
    path, end, whole = store
    monkeypatch.setattr(team, "MOST_KEPT", 0)
    monkeypatch.setattr(team, "MOST_IN_PART", 10)
    told = []
    made = team.assess_store(team.overview(path), SHIPPED, end, None, told.append)
    assert document(made) == document(whole)
    groups = team.overview(path).groups.groups
    assert groups > 1
    assert f"in {groups} parts" in told[0]


@pytest.mark.usefixtures("small")
def test_before_the_first_reading_there_is_an_answer_too(store, monkeypatch):
    """As of a day before everything, no part has a response: the answer is that of one process."""
    path, end, _ = store
    early = end.replace(year=end.year - 5)
    monkeypatch.setattr(team, "MOST_KEPT", 0)
    made = team.assess_store(team.overview(path), SHIPPED, early, None)
    assert document(made) == document(assess(snapshot(path), SHIPPED, early))


@pytest.mark.usefixtures("small")
def test_a_second_process_that_ends_is_no_loss(store, capsys):
    """Killed before it is asked: the command says that it goes on alone, and answers."""
    path, end, whole = store
    other = team.Other()
    other._process.kill()
    other._process.wait()
    made = command._here(path, SHIPPED, end, None, other, lambda _: None)
    other.end()
    assert document(made) == document(whole)
    assert "Going on in one process: the second process ended" in capsys.readouterr().err


def test_the_c_library_takes_what_it_is_told_of_freed_memory():
    """Every option is one that it knows, with a value that it allows: it answers 1, and nothing is raised where there is none of it."""
    import ctypes

    team.keep_freed()
    tell = getattr(ctypes.CDLL(None), "mallopt", None)
    if tell is not None:
        assert [tell(option, value) for option, value in team.MALLOC_OPTIONS] == [1, 1, 1]
    team.give_freed_back()


@pytest.mark.usefixtures("small")
def test_a_store_altered_meanwhile_is_read_anew(store, monkeypatch):
    """Another revision than the one that was looked over: left to one process, which reads all at once."""
    path, end, _ = store
    known = team.overview(path)
    monkeypatch.setattr(team, "MOST_KEPT", 0)
    known.small.__dict__["revision"] = known.small.revision - 1
    with pytest.raises(team.AloneError):
        team.assess_store(known, SHIPPED, end, None)


def test_a_small_store_starts_no_second_process(store):
    """One hospital's store: nothing is started, and nothing shared."""
    path, end, _ = store
    with team.beside(path) as other:
        assert other is None
    with pytest.raises(team.AloneError):
        team.assess_store(team.overview(path), SHIPPED, end, None)


@pytest.mark.usefixtures("small")
def test_without_room_on_the_disk_parts_are_counted_again(store, monkeypatch):
    """Putting a part by fails: it is read and counted anew for each step, and the answer is the same."""
    path, end, whole = store
    monkeypatch.setattr(team, "MOST_KEPT", 0)

    class Full:
        def dump(self, *_given, **_named):
            raise OSError(28, "no space left")

    monkeypatch.setattr(member, "pickle", Full())
    made = team.assess_store(team.overview(path), SHIPPED, end, None)
    assert document(made) == document(whole)
