"""The part of the Probe page on which advice is explained and overruled, on a real store."""

from __future__ import annotations

from datetime import timedelta

import pytest
import streamlit as st

from analytics.errors import UserError
from dashboard.parts.decision import table_of
from dashboard.seam import overruling, read
from tests.dashboard import real_store
from tests.dashboard.opened import open_page, words


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store of the test's own, which the seam reads."""
    path = real_store.store(tmp_path)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    st.cache_resource.clear()
    return path


def test_an_overruling_is_seen_at_once_and_can_be_taken_back(store):
    """It stands beside the computed advice with name, reason and end; the advice and patient use are as before."""
    name, look = real_store.SOUND, read.look()
    before, today = look.assessment.probe(name), look.as_of.date()
    overruling.overrule(name, "service", today + timedelta(days=30), today, by="A. Lind", reason="rattles")
    after = read.assessment().probe(name)
    assert (after.advice, after.patient_use) == (before.advice, before.patient_use)
    assert (after.overrule.advice, after.overrule.by, after.overrule.reason) == ("service", "A. Lind", "rattles")
    assert "Overruled by A. Lind" in after.reasons[-1]
    page = open_page("probe", probe=name)
    assert "overruled as pull in until" in words(page)
    overruling.take_back(name, by="A. Lind", reason="it was the trolley")
    assert read.assessment().probe(name).overrule is None
    assert set(read.records().decisions["value"]) == {f"service until {today + timedelta(days=30)}", "computed"}


def test_overruling_on_the_page_asks_for_an_advice_and_then_closes(store):
    """No advice is chosen beforehand, so that none is entered by mistake; once it is kept, the popover is another, shut one."""
    at = open_page("probe", probe=real_store.SOUND)
    at.text_input(key="decide-by").set_value("A. Lind").run()
    at.text_input(key="decide-reason").set_value("rattles").run()
    assert at.selectbox(key="decide-advice").value is None
    assert at.button(key="decide-keep").disabled
    at.selectbox(key="decide-advice").set_value("service").run()
    at.button(key="decide-keep").click().run()
    assert not at.exception
    assert "overruled as pull in until" in words(at)
    assert at.session_state["decided"] == 1


def test_an_overruling_without_an_end_is_refused(store):
    """Nothing is written, and the message names the field."""
    today = read.look().as_of.date()  # looking may enter what is shown
    before = read.revision()
    with pytest.raises(UserError) as caught:
        overruling.overrule(real_store.SOUND, "watch", None, today, by="A. Lind", reason="why")
    assert caught.value.where == "Until"
    assert read.revision() == before


def test_taken_out_and_cleared_on_the_page_hold_at_once(store):
    """Out of use bars patients from now on and not from the next hour; clearing brings it back."""
    name = real_store.SOUND
    overruling.take_out(name, by="A. Lind", reason="cable looks worn")
    assert read.assessment().probe(name).patient_use == "not_until_cleared"
    overruling.clear(name, by="A. Lind", reason="cable is sound")
    assert read.assessment().probe(name).patient_use != "not_until_cleared"


def test_the_table_marks_the_row_that_decided(store):
    """One row is marked, it holds, and no row above it does."""
    look = read.look()
    for probe in look.assessment.probes:
        table = table_of(look.settings.decision.rows, probe)
        marked = table.index[table[""] != ""].tolist()
        assert [table.loc[i, "Row"] for i in marked] == [probe.decided_by]
        assert table.loc[marked[0], "Holds"] == "yes"
        assert set(table.loc[: marked[0] - 1, "Holds"]) <= {"no"}
