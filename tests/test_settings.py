"""Settings: declared once, with unit and help; three layers; all problems at once."""

from __future__ import annotations

import re
import types
import typing
from pathlib import Path

import pytest
from pydantic import BaseModel

from analytics import settings
from analytics.errors import UserError

SECTIONS = {name: field.annotation for name, field in settings.Settings.model_fields.items()}
ALL = [(section, name) for section, model in SECTIONS.items() for name in model.model_fields]


def field_of(section, name):
    """The declaration of one setting."""
    return SECTIONS[section].model_fields[name]


def unit_of(section, name):
    """The unit of a setting, wherever in its declaration it stands."""
    return SECTIONS[section].model_json_schema()["properties"][name].get("unit") or unit_in_schema(section, name)


def unit_in_schema(section, name):
    """The unit where the setting may also be none: it stands in one of the alternatives."""
    alternatives = SECTIONS[section].model_json_schema()["properties"][name].get("anyOf", [])
    return next((one["unit"] for one in alternatives if "unit" in one), None)


@pytest.mark.parametrize(("section", "name"), ALL)
def test_every_setting_has_a_unit_and_a_help_sentence(section, name):
    """A setting without unit or help cannot be set with a good conscience."""
    assert unit_of(section, name)
    help_text = field_of(section, name).description
    assert help_text
    assert help_text.endswith(".")


@pytest.mark.parametrize(("section", "name"), ALL)
def test_every_setting_stands_in_the_shipped_files(root: Path, section, name):
    """Whoever opens config/ sees each setting by its name, as a value or in a comment of its section's file."""
    text = "".join(one.read_text(encoding="utf-8") for one in sorted((root / "config").glob("*.toml")))
    assert re.search(rf"\b{name}\b", text)


def test_shipped_values_are_complete_without_any_other_layer():
    """The tool runs with nothing set."""
    assert settings.load() == settings.load({})


def test_shipped_start_values_are_those_of_the_contract():
    """Budget 0.05 a probe-year, levels 5 and 10 %, dead band 0.5 %, no floor, 20 readings (contract, Commands)."""
    now = settings.load()
    assert now.alarms.budget_per_probe_year == 0.05
    assert (now.limits.action_level_pct, now.limits.tolerance_pct, now.limits.dead_band_pct) == (5, 10, 0.5)
    assert now.limits.fitness_floor is None
    assert now.reference.readings == 20


def test_later_layers_win_setting_by_setting():
    """A layer changes what it names and nothing else."""
    now = settings.load({"limits": {"tolerance_pct": 8, "action_level_pct": 4}}, {"limits": {"tolerance_pct": 9}})
    assert (now.limits.action_level_pct, now.limits.tolerance_pct, now.limits.dead_band_pct) == (4, 9, 0.5)


def test_loading_leaves_the_layers_as_they_were():
    """A layer handed in is not changed by another laid over it."""
    layer = {"limits": {"tolerance_pct": 8}}
    settings.load(layer, {"limits": {"tolerance_pct": 9}})
    assert layer == {"limits": {"tolerance_pct": 8}}


def test_the_section_decides_and_not_the_file_name(tmp_path: Path):
    """Every *.toml of a folder counts, whatever it is called."""
    (tmp_path / "anything.toml").write_text("[limits]\ntolerance_pct = 7\n", encoding="utf-8")
    (tmp_path / "more.toml").write_text("[limits]\naction_level_pct = 3\n[site]\ntime_zone = 'UTC'\n", encoding="utf-8")
    now = settings.load(settings.from_directory(tmp_path))
    assert (now.limits.action_level_pct, now.limits.tolerance_pct) == (3, 7)


def test_fingerprint_follows_the_values_and_not_how_they_came():
    """The same settings in force have the same sha256, and one changed value another."""
    plain = settings.load()
    assert len(plain.fingerprint) == 64
    assert settings.load({"limits": {"tolerance_pct": 10}}).fingerprint == plain.fingerprint
    assert settings.load({"limits": {"tolerance_pct": 9}}).fingerprint != plain.fingerprint


def test_all_problems_are_said_at_once():
    """An unknown name, an impossible value and a wrong type come in one message, each with its place."""
    layer = {"limits": {"tolerance_pct": -1, "tolerence": 3}, "reference": {"readings": "many"}}
    with pytest.raises(UserError) as caught:
        settings.load(layer)
    for word in ("limits.tolerance_pct", "limits.tolerence", "reference.readings"):
        assert word in str(caught.value)


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -5, 0, 100])
def test_a_tolerance_that_is_no_percentage_is_refused(bad):
    """Zero, negative, 100 and more, NaN and infinity are no tolerance."""
    with pytest.raises(UserError, match="tolerance_pct"):
        settings.load({"limits": {"tolerance_pct": bad}})


def test_an_unknown_section_is_refused():
    """A section nobody reads is a slip of the pen."""
    with pytest.raises(UserError, match="limit"):
        settings.load({"limit": {"tolerance_pct": 8}})


@pytest.mark.parametrize(
    ("text", "said"),
    [("[limits\ntolerance_pct = 7\n", "not valid TOML"), ("tolerance_pct = 7\n", "outside any section")],
)
def test_a_settings_file_that_cannot_be_read_is_named(tmp_path: Path, text, said):
    """The message names the file and what is wrong in it."""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=said) as caught:
        settings.from_directory(tmp_path)
    assert "mine.toml" in str(caught.value)


def test_a_settings_folder_that_is_not_there_is_said(tmp_path: Path):
    """A mistyped folder does not pass for no settings."""
    with pytest.raises(UserError, match="no such folder"):
        settings.from_directory(tmp_path / "none")


def test_settings_in_force_cannot_be_changed_in_place():
    """The settings are frozen, so a result's fingerprint stays true."""
    with pytest.raises(ValueError, match="frozen"):
        settings.load().limits.tolerance_pct = 5


def test_sections_are_models_and_nothing_else():
    """Each section is a declared model, so that each setting has bounds."""
    assert all(isinstance(model, type) and issubclass(model, BaseModel) for model in SECTIONS.values())
    assert not any(isinstance(model, (types.UnionType, typing.TypeVar)) for model in SECTIONS.values())
