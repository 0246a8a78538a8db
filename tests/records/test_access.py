"""Roles: given in the history, looked at below the pages for every write, and refused attempts are entered."""

from __future__ import annotations

import json

import pytest

from analytics.errors import UserError
from analytics.records import access, drafts, people
from analytics.records.access import RefusedError, acting, give_role, role_of
from analytics.records.check_store import check_store
from analytics.records.column_map import ColumnMap
from analytics.records.held import discard_held, release_held
from analytics.records.history import history
from analytics.records.reader import snapshot
from analytics.records.saved_maps import delete_map, save_map
from analytics.records.sidecar import sidecar_path
from analytics.records.store import revision, revisions
from analytics.records.store_settings import save_settings
from analytics.records.typed_in import record_check
from analytics.records.undo import undo
from tests.records.test_people import ROW

STAFF = {"vera": "viewer", "rita": "recorder", "enno": "engineer", "petra": "physicist"}
# Every call of the data layer that writes, and the least role for it.
WRITES = {
    "load": ("recorder", lambda c, by: c.load(c.folder / "more.csv", by=by)),
    "typed in": ("recorder", lambda c, by: record_check(c.store, [ROW | {"taken_at": "2024-05-09"}], by=by, now=c.now)),
    "correct": ("recorder", lambda c, by: people.correct(c.store, 1, "note", "n", by=by, reason="x", now=c.now)),
    "release": ("recorder", lambda c, by: release_held(c.store, [1], by=by, fixes={1: {"counts": "5"}}, now=c.now)),
    "draft": ("recorder", lambda c, by: drafts.save_draft(c.store, {"a": 1}, by=by)),
    "draft gone": ("recorder", lambda c, by: drafts.delete_draft(c.store, 1, by=by)),
    "seen": ("recorder", lambda c, by: people.decide(c.store, "seen", probe="GP-001", episode="E-1", by=by, reason="")),
    "undo": ("engineer", lambda c, by: undo(c.store, 2, by=by, reason="x")),
    "discard": ("engineer", lambda c, by: discard_held(c.store, [1], by=by, reason="x")),
    "change": (
        "engineer",
        lambda c, by: people.change_registry(c.store, "sources", "CK-1", {"site": "N"}, by=by, reason="x"),
    ),
    "column map": ("engineer", lambda c, by: save_map(c.store, "m", ColumnMap(kind="readings"), by=by)),
    "map gone": ("engineer", lambda c, by: delete_map(c.store, "kept", by=by)),
    "out_of_use": ("engineer", lambda c, by: people.decide(c.store, "out_of_use", probe="GP-001", by=by, reason="x")),
    "exclude": ("physicist", lambda c, by: people.exclude(c.store, 1, by=by, reason="x")),
    "include": ("physicist", lambda c, by: people.include(c.store, 2, by=by, reason="x")),
    "cleared": ("physicist", lambda c, by: people.decide(c.store, "cleared", probe="GP-001", by=by, reason="x")),
    "overrule": (
        "physicist",
        lambda c, by: people.decide(c.store, "overrule", probe="GP-001", value="watch", by=by, reason="x"),
    ),
    "settled": (
        "physicist",
        lambda c, by: people.decide(c.store, "settled", probe="GP-001", episode="E-1", by=by, reason="x"),
    ),
    "settings": ("physicist", lambda c, by: save_settings(c.store, {"limits": {"tolerance_pct": 8}}, by=by)),
    "role": ("administrator", lambda c, by: give_role(c.store, by, "administrator", by=by, reason="x")),
}


@pytest.fixture(scope="module")
def staffed_store(tmp_path_factory):
    """A store with readings, a held row, an exclusion, a draft, a map, and one person in each role."""
    from tests.records.conftest import Clinic

    clinic = Clinic(tmp_path_factory.mktemp("staffed"))
    clinic.register()
    rows = "".join(f"GP-001,2024-05-0{day},Co-57,source,{text},10,CK-1\n" for day, text in enumerate("1234x", 1))
    clinic.load(clinic.write("log.csv", clinic.head + rows))
    people.exclude(clinic.store, 2, by="tester", reason="x")
    drafts.save_draft(clinic.store, {"a": 0}, by="tester")
    save_map(clinic.store, "kept", ColumnMap(kind="readings"), by="tester")
    for person, role in STAFF.items():
        give_role(clinic.store, person, role, by="ada", reason="starts here")
    return clinic.store


@pytest.fixture
def staffed(empty_clinic, staffed_store):
    """The same for one test alone."""
    import shutil

    shutil.copyfile(staffed_store, empty_clinic.store)
    empty_clinic.write("more.csv", empty_clinic.head + "GP-002,2024-05-08,Co-57,source,7,10,CK-1\n")
    return empty_clinic


def test_without_roles_whoever_opens_the_file_may_do_everything(clinic):
    """One person on one machine: the default."""
    assert role_of(clinic.store, "anybody") == "administrator"
    save_settings(clinic.store, {"limits": {"tolerance_pct": 8}}, by="anybody")
    assert access.people(clinic.store).empty


def test_the_first_to_give_a_role_is_administrator(staffed):
    """The giver is entered first, in the same transaction; everybody else has what was given."""
    found = access.people(staffed.store)
    assert dict(zip(found["person"], found["role"], strict=True)) == {"ada": "administrator"} | STAFF
    first = history(staffed.store).query("action == 'role'").iloc[-1]
    assert (first["subject"], first["by"], json.loads(first["after"])["role"]) == ("ada", "ada", "administrator")


@pytest.mark.parametrize("what", WRITES)
def test_every_write_needs_its_role_and_a_refusal_is_entered(staffed, what):
    """The role below is refused and the attempt recorded, with the records unchanged; the role itself is enough."""
    least, write = WRITES[what]
    ladder = ["stranger", "vera", "rita", "enno", "petra", "ada"]
    enough = access.ROLES.index(least) + 1
    for person in {ladder[1], ladder[enough - 1]}:
        before, readings = revision(staffed.store), len(snapshot(staffed.store).readings)
        with pytest.raises(RefusedError, match=f"needs {least}"):
            write(staffed, person)
        assert revision(staffed.store) == before + 1
        assert len(snapshot(staffed.store).readings) == readings
        entered = history(staffed.store, limit=1).iloc[0]
        assert (entered["action"], entered["by"]) == ("refused", person)
    if what == "role":
        give_role(staffed.store, "petra", "administrator", by="ada", reason="x")
    else:
        write(staffed, ladder[enough])
    assert check_store(staffed.store) == []


def test_somebody_without_a_role_is_refused_and_named(staffed):
    """Once roles are given, a name that has none may not write."""
    with pytest.raises(RefusedError) as error:
        people.exclude(staffed.store, 1, by="mallory", reason="x")
    assert str(error.value) == (
        "`mallory` has no role here, and this (exclude) needs physicist. Ask an administrator of this store."
    )


def test_a_claimed_name_does_not_help(staffed):
    """The role of who is really there counts, and both names stand in the history."""
    with acting("vera"), pytest.raises(RefusedError, match="`vera` has the role viewer"):
        people.exclude(staffed.store, 1, by="petra", reason="x")
    with acting("petra"):
        people.exclude(staffed.store, 1, by="Dr P.", reason="x")
    assert history(staffed.store, limit=1).iloc[0]["by"] == "Dr P. (signed in as petra)"
    assert check_store(staffed.store) == []


def test_a_command_goes_by_the_operating_systems_user(staffed, monkeypatch):
    """`--by` is a claim: with roles given, a user without one is refused in one line, with exit code 2."""
    from dashboard.commands import group
    from tests.commands.cli import run, said_in_one_line

    monkeypatch.setattr(group, "operating_system_user", lambda: "vera")
    result = run("exclude", 1, "--by", "petra", "--reason", "x", "--store", staffed.store)
    assert "`vera` has the role viewer" in said_in_one_line(result)
    monkeypatch.setattr(group, "operating_system_user", lambda: "petra")
    assert run("exclude", 1, "--reason", "x", "--by", "petra", "--store", staffed.store).exit_code == 0


def test_roles_are_changed_and_ended_but_never_the_last_administrator(staffed):
    """A change keeps before and after; what cannot be is refused in one sentence."""
    give_role(staffed.store, "rita", "engineer", by="ada", reason="new task")
    give_role(staffed.store, "vera", None, by="ada", reason="left")
    assert role_of(staffed.store, "vera") is None
    last = history(staffed.store, limit=2)
    assert [json.loads(one)["role"] for one in last["before"]] == ["viewer", "recorder"]
    for person, role, line in (
        ("ada", None, "nobody would be left as administrator"),
        ("ada", "viewer", "nobody would be left as administrator"),
        ("rita", "engineer", "has that role already"),
        ("nobody", None, "has no role"),
        ("rita", "king", "there is no role `king`"),
        (" ", "viewer", "no name of a person"),
    ):
        with pytest.raises(UserError, match=line):
            give_role(staffed.store, person, role, by="ada", reason="x")
    with pytest.raises(UserError, match="a reason is needed"):
        give_role(staffed.store, "rita", "viewer", by="ada", reason=" ")


def test_the_first_role_is_an_administrators(clinic):
    """Nobody can lock everybody out by giving themselves less."""
    with pytest.raises(UserError, match="the first role is that of the administrator"):
        give_role(clinic.store, "anna", "viewer", by="anna", reason="x")
    give_role(clinic.store, "anna", "administrator", by="anna", reason="alone")
    assert role_of(clinic.store, "anna") == "administrator"


def test_a_sign_in_is_entered_once_a_day(staffed):
    """However often a page is opened; how it was done stands with it."""
    before = revision(staffed.store)
    for _ in range(3):
        access.note_sign_in(staffed.store, "vera", "OpenID Connect")
    assert revision(staffed.store) == before + 1
    entered = history(staffed.store, limit=1).iloc[0]
    assert (entered["action"], entered["by"], entered["after"]) == ("signed in", "vera", '{"how": "OpenID Connect"}')


def test_every_module_that_writes_passes_the_gate(root):
    """Whatever opens a writing transaction enters a change or asks the gate itself; the log of alerts is no record."""
    folder = root / "analytics" / "records"
    writing = {one.name: text for one in folder.glob("*.py") if ".writing(" in (text := one.read_text(encoding="utf-8"))}
    ungated = {name for name, text in writing.items() if not any(w in text for w in ("history.record(", "permit(", "enter_load("))}
    assert {"people.py", "load.py", "undo.py", "held.py", "drafts.py"} <= set(writing)
    assert ungated <= {"store.py", "alerts.py", "alert_log.py"}


def test_who_comes_in_is_refused_or_gets_a_role_makes_no_new_answer(staffed):
    """The history goes on, and what answers are kept by stays, so that nobody waits for a fleet because another signed in."""
    before = revisions(staffed.store)
    access.note_sign_in(staffed.store, "rita", "proxy")
    with pytest.raises(RefusedError):
        people.exclude(staffed.store, 1, by="vera", reason="x")
    give_role(staffed.store, "vera", "recorder", by="ada", reason="new task")
    known = sidecar_path(staffed.store).read_bytes()
    assert revisions(staffed.store) == (before.revision + 3, before.answering)
    sidecar_path(staffed.store).unlink()
    assert revisions(staffed.store) == (before.revision + 3, before.answering)
    assert sidecar_path(staffed.store).read_bytes() == known
    assert snapshot(staffed.store).revision == before.answering
    people.exclude(staffed.store, 1, by="petra", reason="x")
    assert revisions(staffed.store) == (before.revision + 4, before.revision + 4)
