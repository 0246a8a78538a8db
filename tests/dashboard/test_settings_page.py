"""Settings, under AppTest on a real store: what is shown, what a change would change, and how it is kept."""

from __future__ import annotations

import pytest

from analytics.records.reader import snapshot
from analytics.records.store_settings import save_settings, setting_versions, settings_layer
from analytics.settings import Settings, load
from dashboard.seam import settings_form
from tests.dashboard import real_store
from tests.dashboard.opened import open_page, words


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A store that the tests of this file share; what one saves, another may find."""
    return real_store.store(tmp_path_factory.mktemp("settings"))


@pytest.fixture
def store(whole, monkeypatch):
    """The shared store, as the dashboard's."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(whole))
    return whole


def button(at, label):
    """The button of that label."""
    return next(one for one in at.button if one.label == label)


def test_without_a_store_the_page_says_what_to_do(tmp_path, monkeypatch):
    """No store: no exception, and the way to the first load."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "none.duckdb"))
    at = open_page("settings")
    assert not at.exception
    assert "There is no store yet" in words(at)


def test_every_setting_has_a_place_on_the_page(store):
    """Each declared setting is an entry with a help text, and each section opens without an error."""
    entries = settings_form.entries()
    declared = {
        (section, name) for section, field in Settings.model_fields.items() for name in field.annotation.model_fields
    }
    assert {one.key for one in entries} == declared
    assert all(one.help and (one.unit or one.kind == "other") for one in entries)
    for section in Settings.model_fields:
        at = open_page("settings", section=section)
        assert not at.exception, section
        assert all(one.help in words(at) for one in entries if one.section == section)


def test_a_field_says_its_unit_and_a_long_table_is_not_written_out_twice(store):
    """Numbers of days, years and per cent have it on their label; beside the decision table stands how many rows it has."""
    said = {one.key: one.words for one in settings_form.entries()}
    assert said["limits", "tolerance_pct"] == "Tolerance, %"
    assert said["schedule", "source_lead_days"] == "Source lead, days"
    assert said["costs", "service_life_years"] == "Service life, years"
    page = words(open_page("settings", section="decision"))
    assert f"a table of {len(load().decision.rows)} rows" in page
    assert " years; shipped" in page


def test_a_change_shows_its_effect_before_it_can_be_saved(store):
    """More checks before anything is said: the effect in probes first, then name and reason, then a version in the store."""
    at = open_page("settings", section="reference")
    at.number_input(key="set-reference-least_readings").set_value(100).run()
    assert "It can be saved once its effect has been shown." in words(at)
    assert not [one for one in at.button if one.label == "Save"]
    button(at, "Show what it would change").click().run()
    assert not at.exception
    before = load(settings_layer(store))
    assert "As of now it would be so" in words(at)
    assert real_store.FALLING in words(at)
    button(at, "Save").click().run()
    assert "It takes a name and a reason" in words(at)
    assert load(settings_layer(store)) == before
    at.text_input(key="person_settings").set_value("A. Lind")
    next(one for one in at.text_input if one.label == "Why").set_value("agreed on Monday")
    button(at, "Save").click().run()
    assert not at.exception
    assert load(settings_layer(store)).reference.least_readings == 100
    assert settings_layer(store) == {"reference": {"least_readings": 100}}
    newest = setting_versions(store).iloc[0]
    assert (newest["by"], newest["reason"]) == ("A. Lind", "agreed on Monday")
    assert "Saved as version" in words(at)


def test_an_unusable_value_is_refused_with_its_reason(store):
    """An unknown time zone is an error on the page and nothing is saved."""
    many = len(setting_versions(store))
    at = open_page("settings", section="site")
    at.text_input(key="set-site-time_zone").set_value("Middle/Nowhere").run()
    button(at, "Show what it would change").click().run()
    at.text_input(key="person_settings").set_value("A. Lind")
    next(one for one in at.text_input if one.label == "Why").set_value("a trial")
    button(at, "Save").click().run()
    assert "there is no time zone" in words(at)
    assert len(setting_versions(store)) == many


def test_a_command_cannot_be_set_from_a_page(store):
    """The field of the command that runs on new alarms is there to read and cannot be typed into."""
    at = open_page("settings", section="alarms")
    assert at.text_input(key="set-alarms-on_new").disabled


def test_an_earlier_version_can_be_put_in_force_again(store):
    """Versions are listed newest first, and an earlier one becomes the newest again, with who and why."""
    save_settings(store, {"limits": {"action_level_pct": 4.0}}, by="B. Moor", reason="first")
    save_settings(store, {"limits": {"action_level_pct": 3.0}}, by="B. Moor", reason="second")
    at = open_page("settings", part="Versions")
    assert at.dataframe[0].value["reason"].iloc[0] == "second"
    at.text_input(key="person_take_up").set_value("A. Lind")
    next(one for one in at.text_input if one.label == "Why").set_value("3 % cried wolf")
    button(at, "Put in force").click().run()
    assert not at.exception
    assert settings_layer(store) == {"limits": {"action_level_pct": 4.0}}
    assert snapshot(store).revision > 0


def test_a_value_equal_to_the_shipped_one_is_left_out_of_the_store(store):
    """Only what differs from the shipped values is kept, so that better defaults reach the store later."""
    save_settings(store, {"limits": {"tolerance_pct": 8.0}, "costs": {"visit": 100.0}}, by="B. Moor")
    changes = {("limits", "tolerance_pct"): 10.0, ("costs", "visit"): None, ("alarms", "run_rules"): True}
    assert settings_form.proposed_layer(changes) == {"alarms": {"run_rules": True}}
