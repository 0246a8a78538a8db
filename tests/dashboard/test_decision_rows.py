"""The decision table as a form on the Settings page: each kind of condition, rows added, moved and removed, and said."""

from __future__ import annotations

import pytest

from analytics.advice.decision_facts import FACTS
from analytics.advice.decision_table import read_condition
from analytics.records.store_settings import settings_layer
from analytics.settings import load
from dashboard.parts import decision_rows_said as said
from dashboard.seam import settings_form
from tests.dashboard import real_store
from tests.dashboard.opened import open_page
from tests.dashboard.opened import words as as_written

KEY = "set-decision-rows"


def words(at):
    """All that the page says, as it is read: without what keeps a name from being markup."""
    return as_written(at).replace("\\", "")


def shipped():
    """The shipped rows, plain."""
    return settings_form.plain(load().decision.rows)


def place(name):
    """The place of the shipped row of that name."""
    return [one["row"] for one in shipped()].index(name)


def pending(at):
    """The rows as they would be saved; the shipped ones where nothing was changed."""
    return at.session_state["settings_pending"].get(("decision", "rows"), shipped())


def chosen(at, name):
    """The page with that row in the form."""
    at.selectbox(key=f"{KEY}-at").set_value(place(name)).run()
    assert not at.exception
    return at


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A store of this file's own, which one test saves settings to."""
    return real_store.store(tmp_path_factory.mktemp("rows"))


@pytest.fixture
def page(whole, monkeypatch):
    """The section of the decision, opened anew."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(whole))
    at = open_page("settings", section="decision")
    assert not at.exception
    return at


def test_every_shipped_condition_goes_through_the_form_and_back_as_it_was_written():
    """Each comparison of the shipped table, as sign and number and back, means the same and stays as it was written."""
    numbers = [
        (name, given) for one in shipped() for name, given in one["when"].items() if FACTS[name].kind == "number"
    ]
    assert len(numbers) > 8
    for name, given in numbers:
        back = said.comparison(FACTS[name], said.bound_of(FACTS[name], read_condition(name, given).span))
        assert read_condition(name, back) == read_condition(name, given)
        assert said.as_given(name, back, given) is given


@pytest.mark.parametrize(
    ("given", "bound"),
    [
        ("< 0.3", said.Bound(said.BELOW, None, 30.0)),
        ("<= 1", said.Bound(said.AT_LEAST, 0.0, None)),  # all that can occur
        ([">= 0.3", "< 0.6"], said.Bound(said.BETWEEN, 30.0, 60.0, low_in=True, high_in=False)),
    ],
)
def test_a_probability_is_typed_in_per_cent(given, bound):
    """The table holds a share and the form per cent; between two numbers keeps whether each of them counts in."""
    fact = FACTS["probability_service_not_held"]
    assert said.bound_of(fact, read_condition("probability_service_not_held", given).span) == bound
    back = said.comparison(fact, bound)
    assert read_condition("probability_service_not_held", back) == read_condition("probability_service_not_held", given)


def test_opening_the_form_changes_nothing_and_shows_no_json(page):
    """Every row can be put into the form and out of it again; nothing is unsaved, and no brace of a JSON text is shown."""
    for name in ("an alarm that asks for a service", "a fault is likely though no alarm stands", "dearer to keep than to replace"):
        chosen(page, name)
        assert pending(page) == shipped()
    assert "Not saved yet" not in words(page)
    assert not page.text_area
    assert "{" not in words(page)
    assert "\u2192 fit: No row above holds." in words(page)
    assert "0 probes now" not in words(page)
    assert "One of these stands and no service has answered it: action level passed, tolerance limit passed" in words(page)


def test_a_number_a_choice_and_an_advice_can_be_changed(page):
    """A bound in per cent, one alarm less and another advice are in the rows to be saved, and said in sentences."""
    at = chosen(page, "the last service likely did not hold")
    number = at.number_input(key=f"{KEY}-{place('the last service likely did not hold')}-probability_service_not_held-low")
    assert number.value == 60.0
    number.set_value(70.0).run()
    at = chosen(at, "an alarm that asks for a service")
    ours = f"{KEY}-{place('an alarm that asks for a service')}"
    alarms = at.multiselect(key=f"{ours}-alarm-words")
    alarms.set_value([one for one in alarms.value if one != "background"]).run()
    at.selectbox(key=f"{ours}-advice").set_value("watch").run()
    assert not at.exception
    now = {one["row"]: one for one in pending(at)}
    assert now["the last service likely did not hold"]["when"] == {"probability_service_not_held": ">= 0.7"}
    changed = now["an alarm that asks for a service"]
    assert changed["advice"] == "watch"
    assert "background" not in changed["when"]["alarm"]
    assert "tolerance" in changed["when"]["alarm"]
    text = words(at)
    assert "asks that the probability that the last service did not hold is at least 70 %; before, that" in text
    assert "gives watch and no longer pull in" in text


def test_rows_are_added_moved_and_removed_and_the_shipped_ones_come_back(page):
    """A new row with a condition of its own, moved down, another taken out; one button has all as shipped again."""
    at = chosen(page, "an alarm stands")
    at.button(key=f"{KEY}-new").click().run()
    new = at.session_state[f"{KEY}-chosen"]
    at.text_input(key=f"{KEY}-{new}-name").set_value("old and out of action level").run()
    at.selectbox(key=f"{KEY}-{new}-add").set_value("age_years").run()
    at.selectbox(key=f"{KEY}-{new}-age_years-sign").set_value(said.ABOVE).run()
    at.number_input(key=f"{KEY}-{new}-age_years-low").set_value(10.0).run()
    at.button(key=f"{KEY}-{new}-repeat_requested-drop").click().run()
    at.button(key=f"{KEY}-down").click().run()
    assert not at.exception
    names = [one["row"] for one in pending(at)]
    mine = names.index("old and out of action level")
    assert names[mine - 1] == "an alarm stands"
    assert pending(at)[mine]["when"] == {"age_years": "> 10"}
    assert "as row" in words(at)
    at = at.selectbox(key=f"{KEY}-at").set_value(place("a repeat is asked for")).run()
    at.button(key=f"{KEY}-remove").click().run()
    assert "a repeat is asked for" not in [one["row"] for one in pending(at)]
    assert "Gone: “a repeat is asked for”." in words(at)
    at.button(key=f"{KEY}-shipped").click().run()
    assert not at.exception
    assert pending(at) == shipped()
    assert "Not saved yet" not in words(at)


def test_a_table_that_leaves_probes_without_an_advice_is_refused_with_its_row(page):
    """Without its last row the table is refused, saying which row must have no condition, and cannot be saved."""
    at = chosen(page, "nothing speaks against it")
    at.button(key=f"{KEY}-remove").click().run()
    assert "the last row must have no condition" in words(at)
    assert not [one for one in at.button if one.label == "Save"]


def test_a_changed_row_is_saved_with_its_effect_shown_first(page, whole):
    """Watching every sound probe as well shows those that change, and is then in the store; the form begins anew from it."""
    at = chosen(page, "nothing speaks against it")
    at.selectbox(key=f"{KEY}-{place('nothing speaks against it')}-advice").set_value("watch").run()
    next(one for one in at.button if one.label == "Show what it would change").click().run()
    assert "As of now it would be so" in words(at)
    assert real_store.SOUND in words(at)
    at.text_input(key="person_settings").set_value("A. Lind")
    next(one for one in at.text_input if one.label == "Why").set_value("a trial")
    next(one for one in at.button if one.label == "Save").click().run()
    assert not at.exception
    kept = settings_layer(whole)["decision"]["rows"]
    assert [one["advice"] for one in kept if one["row"] == "nothing speaks against it"] == ["watch"]
    assert "Not saved yet" not in words(at)
    assert [one["advice"] for one in at.session_state[KEY]][-1] == "watch"
    told = open_page("history", what="settings changed").dataframe[0].value["difference"].iloc[0]
    assert "“nothing speaks against it” gives watch and no longer fit." in told
    assert "{" not in told
    at = open_page("settings", part="Versions")
    assert f"decision.rows = a table of {len(kept)} rows" in at.dataframe[0].value["what"].iloc[0]


def test_kinds_of_inspection_are_chosen_and_half_lives_are_a_table(whole, monkeypatch):
    """What a drop asks for is a choice of words, and half-lives have columns; neither is typed as JSON."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(whole))
    at = open_page("settings", section="schedule")
    box = at.multiselect(key="set-schedule-after_drop")
    box.set_value([*box.value, "acceptance"]).run()
    assert not at.exception
    assert "acceptance" in at.session_state["settings_pending"]["schedule", "after_drop"]
    assert not at.text_area
    at = open_page("settings", section="nuclides")
    assert not at.exception
    assert not at.text_area
    assert [one.kind for one in settings_form.entries() if one.section == "nuclides"] == ["half-lives"]
