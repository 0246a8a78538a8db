"""Everything a page can write, tried by a viewer: refused below the page and entered in the history, and nothing else changes."""

from __future__ import annotations

import ast
import json
import shutil
from datetime import date, datetime

import pytest
import streamlit as st

from analytics.records import access, loans, people
from analytics.records.access import RefusedError
from analytics.records.column_map import ColumnMap
from analytics.records.drafts import save_draft
from analytics.records.history import history
from analytics.records.reader import snapshot
from analytics.records.saved_maps import save_map
from analytics.records.store import revisions
from analytics.settings import load
from dashboard.seam import act, act_import, act_people, act_record, inspecting, intake, planning, settings_form, sign_in
from dashboard.seam.bench_entry import Entry

WHY = {"by": "petra", "reason": "x"}
ENTRY = Entry(
    probe="GP-002", window="Co-57", source="CK-1", time_s="10", placements=(("12000",),), started_at=datetime(2024, 5, 20, 8)
)
# What the seam offers for writing -> the call, given the folder with a log and an export of held rows.
WRITES = {
    "act.exclude": lambda _: act.exclude([1], **WHY),
    "act.include": lambda _: act.include([2], **WHY),
    "act.decide": lambda _: act.decide("seen", probe="GP-001", episode="E-1", **WHY),
    "act_import.commit": lambda folder: act_import.commit(intake.Request((folder / "more.csv",)), by="petra"),
    "act_import.undo": lambda _: act_import.undo(2, **WHY),
    "act_import.release": lambda _: act_import.release(
        [1], {1: {"counts": "5"}}, by="petra", register_new=False, accept_names=False, accept_changes=False
    ),
    "act_import.release_file": lambda folder: act_import.release_file(folder / "held.csv", by="petra", register_new=False),
    "act_import.close": lambda _: act_import.close([1], **WHY),
    "act_import.save_map": lambda _: act_import.save_map("mine", ColumnMap(decimal=","), by="petra"),
    "act_people.give": lambda _: act_people.give("vera", "administrator", **WHY),
    "act_record.keep_draft": lambda _: act_record.keep_draft(ENTRY, None),
    "act_record.drop_draft": lambda _: act_record.drop_draft(1),
    "act_record.save_check": lambda _: act_record.save_check(ENTRY, load(), by="petra"),
    "act_record.correct": lambda _: act_record.correct(1, "note", "x", **WHY),
    "inspecting.enter": lambda _: inspecting.enter("probe", "GP-001", done_at=datetime(2024, 5, 1), kind="visual", by="petra"),
    "inspecting.undo": lambda _: inspecting.undo(2, by="petra"),
    "planning.lend": lambda _: planning.lend("GP-002", "North", date(2024, 6, 1), None, by="petra", note="x"),
    "planning.end_loan": lambda _: planning.end_loan(1, date(2024, 5, 9), **WHY),
    "planning.take_back": lambda _: planning.take_back(1, **WHY),
    "settings_form._save": lambda _: settings_form._save({"limits": {"tolerance_pct": 8}}, **WHY),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with a store in which everything that can be written to is there, and a viewer."""
    from analytics.records.held import export_held
    from tests.records.conftest import Clinic

    clinic = Clinic(tmp_path_factory.mktemp("refused"))
    clinic.register()
    row = "GP-001,2024-05-0{},Co-57,source,{},10,CK-1"
    clinic.readings(row.format(1, 12000), row.format(2, 12001), row.format(3, "x"))
    people.exclude(clinic.store, 2, by="petra", reason="x")
    loans.lend(clinic.store, "GP-001", "South", date(2024, 5, 1), None, by="petra", note="x")
    save_draft(clinic.store, {"probe": "GP-001"}, by="petra")
    save_map(clinic.store, "kept", ColumnMap(), by="petra")
    clinic.write("more.csv", clinic.head + row.format(4, 12002) + "\n")
    export_held(clinic.store, clinic.folder / "held.csv")
    access.give_role(clinic.store, "vera", access.VIEWER, by="petra", reason="looks")
    return clinic.folder, revisions(clinic.store), snapshot(clinic.store)


@pytest.mark.parametrize("what", WRITES)
def test_a_viewer_is_refused_and_the_attempt_is_entered(made, tmp_path, monkeypatch, what):
    """Whatever name is typed: nothing is written but the refusal, with who wanted what."""
    folder, before, records = made
    store = tmp_path / "clinic.duckdb"
    shutil.copyfile(folder / "clinic.duckdb", store)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(store))
    monkeypatch.setenv("STEADYCOUNT_LOGIN", "header")
    monkeypatch.setattr(sign_in, "visitor", lambda: sign_in.Visitor("vera"))
    st.cache_resource.clear()
    with pytest.raises(RefusedError, match="`vera` has the role viewer"):
        WRITES[what](folder)
    assert revisions(store) == (before.revision + 1, before.answering)
    entered = history(store, limit=1).iloc[0]
    assert (entered["action"], entered["by"], json.loads(entered["after"])["role"]) == ("refused", "vera", "viewer")
    after = snapshot(store)
    assert after.readings.equals(records.readings)
    assert after.decisions.equals(records.decisions)


def test_nothing_that_a_page_can_write_was_left_out(root):
    """Every function of the seam that signs a change with a name is among those tried."""
    found = set()
    for file in (root / "dashboard" / "seam").glob("*.py"):
        for one in ast.parse(file.read_text(encoding="utf-8")).body:
            calls = {getattr(c.func, "id", "") for c in ast.walk(one) if isinstance(c, ast.Call)}
            if isinstance(one, ast.FunctionDef) and calls & {"named", "signed"} and file.stem not in ("signature", "sign_in"):
                found.add(f"{file.stem}.{one.name}")
    assert found == set(WRITES)
