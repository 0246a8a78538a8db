"""The settings as a form reads them: each with its bounds, default and present value; and what a change would change."""

from __future__ import annotations

import json
import typing
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

import pandas as pd
import streamlit as st
from pydantic import BaseModel

from analytics.news import new_alarms, news
from analytics.results import FleetAssessment
from analytics.settings import Settings, from_directory, load, shipped
from dashboard.seam import answers, place, read, worker
from dashboard.seam.signature import because, named

Kind = Literal["yes/no", "whole", "number", "text", "choice", "several", "by name", "half-lives", "rows"]
Key = tuple[str, str]  # section and name
Layer = dict[str, dict[str, Any]]


ENDINGS = {"_pct": "%", "_days": "days", "_years": "years"}
UNIT = {"a": "years", "d": "days", "%/a": "% a year"}  # as a person says it
SAID: dict[Key, str] = {  # settings whose name alone does not say what they are
    ("alarms", "budget_per_probe_year"): "False alarms a probe-year",
    ("alarms", "on_new"): "Command to run on new alarms",
}


@dataclass(frozen=True)
class Entry:
    """One setting: what it is called, what it may be, and what it is."""

    section: str
    name: str
    kind: Kind
    unit: str
    help: str
    optional: bool
    at_least: float | None
    at_most: float | None
    default: Any
    stored: Any  # by the store's own version over the default
    for_this_run: bool  # a folder given with --config decides it at present
    choices: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The name as a heading, with its unit in words: `tolerance_pct` is "Tolerance, %"."""
        if said := SAID.get(self.key):
            return said
        for ending, unit in ENDINGS.items():
            if self.name.endswith(ending):
                return f"{self.name.removesuffix(ending).replace('_', ' ').capitalize()}, {unit}"
        return self.name.replace("_", " ").capitalize()

    @property
    def key(self) -> Key:
        """Section and name."""
        return self.section, self.name


def entries() -> list[Entry]:
    """Every setting, in the order in which it is declared."""
    default, layer = load(), stored_layer()
    ours = load(layer)
    directory = place.config_directory()
    over = from_directory(directory) if directory else {}
    out = []
    for section, field in Settings.model_fields.items():
        model = typing.cast("type[BaseModel]", field.annotation)
        for name, schema in model.model_json_schema()["properties"].items():
            part, optional = _part(schema)
            low, high = _bounds(part)
            out.append(
                Entry(
                    section,
                    name,
                    _kind(part),
                    str(part.get("unit", "")),
                    str(part.get("description", "")),
                    optional,
                    low,
                    high,
                    plain(getattr(getattr(default, section), name)),
                    plain(getattr(getattr(ours, section), name)),
                    name in over.get(section, {}),
                    _words(part),
                )
            )
    return out


def about(section: str) -> str:
    """What a section is for, in a sentence."""
    model = typing.cast("type[BaseModel]", Settings.model_fields[section].annotation)
    return " ".join((model.__doc__ or "").split())


def stored_layer() -> Layer:
    """The store's own version, over the shipped defaults; empty where none was saved."""
    return _layer_of(str(place.store_path()), read.revision())


@st.cache_resource(max_entries=4, show_spinner=False)
def _layer_of(path: str, revision: int) -> Layer:  # noqa: ARG001 - the revision is part of the key
    from analytics.records.store_settings import settings_layer

    return settings_layer(path)


def proposed_layer(changes: Mapping[Key, Any]) -> Layer:
    """The store's own version with changes; a value equal to the shipped default is left out of it."""
    defaults = load().model_dump(mode="json")
    layer: Layer = json.loads(json.dumps(stored_layer()))
    for (section, name), value in changes.items():
        own = layer.setdefault(section, {})
        if value == defaults[section][name] or value is None:
            own.pop(name, None)
        if value != defaults[section][name] and not (value is None and name not in shipped().get(section, {})):
            own[name] = value
    return {section: own for section, own in layer.items() if own}


def proposed(changes: Mapping[Key, Any]) -> Settings:
    """The settings as they would be in force after saving.

    Raises:
        UserError: values that cannot be used, every problem at once.
    """
    load(proposed_layer(changes))  # what is saved must stand by itself
    directory = place.config_directory()
    return load(proposed_layer(changes), *([from_directory(directory)] if directory else []))


@dataclass(frozen=True)
class Effect:
    """What would be said otherwise: probes and alarms that change, in sentences; and the counts of each advice."""

    new: tuple[str, ...]
    gone: tuple[str, ...]
    counts: pd.DataFrame  # index advice; columns now, then

    @property
    def nothing(self) -> bool:
        """True where every alarm and every advice stays."""
        return not self.new and not self.gone


def effect(look: read.Look, settings: Settings) -> Effect:
    """Work the fleet out again under other settings and set both answers side by side.

    Raises:
        StillWorkingError: it is being worked out beside the page, as on all but small stores.
    """
    if (job := read.awaited()) is not None:  # the answer at hand is not from these records
        raise worker.StillWorkingError(job)
    now, then = look.assessment, _under(look, settings)
    counts = pd.DataFrame({"now": _advice(now), "then": _advice(then)}).fillna(0).astype(int)
    return Effect(news(now, then), new_alarms(then, now), counts)


def _under(look: read.Look, settings: Settings) -> FleetAssessment:
    from analytics.fleet import assess

    if len(look.records.readings) <= answers.AT_ONCE:
        return assess(look.records, settings, look.as_of)
    key = (str(place.store_path()), look.records.revision, settings.fingerprint, look.as_of)
    ask = partial(
        worker.later.ask, "answer", look.records, settings, look.as_of,
        says="Working the fleet out under these settings", about_s=answers.about_s(look.records),
    )  # fmt: skip
    found: FleetAssessment = _others.have(key, ask)
    return found


_others = worker.Kept(most=2)


def _advice(assessment: FleetAssessment) -> pd.Series[int]:
    return pd.Series([one.advice for one in assessment.probes], dtype="str").value_counts()


def decided() -> dict[str, int] | None:
    """How many probes each row of the decision table decides at present; None while that is being worked out."""
    if read.awaited() is not None:
        return None
    try:
        return dict(Counter(one.decided_by for one in read.look().assessment.probes))
    except worker.StillWorkingError:
        return None


def save(changes: Mapping[Key, Any], *, by: str, reason: str) -> int:
    """Keep the changes as the store's next version; returns its number."""
    return _save(proposed_layer(changes), by=by, reason=reason)


def take_up(version: int, *, by: str, reason: str) -> int:
    """Keep an earlier version's values again, as the next version."""
    found = versions()
    layer = found.loc[found["version"] == version, "layer"].iloc[0]
    return _save(json.loads(layer), by=by, reason=reason or f"as in version {version}")


def _save(layer: Layer, *, by: str, reason: str) -> int:
    from analytics.records.store_settings import save_settings

    return save_settings(place.store_path(), layer, by=named(by), reason=because(reason))


def versions() -> pd.DataFrame:
    """Every version saved in the store, newest first."""
    from analytics.records.store_settings import setting_versions

    return setting_versions(place.store_path())


def plain(value: Any) -> Any:
    """A setting's value as plain JSON has it."""
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, Mapping):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return str(value) if isinstance(value, Path) else value


def _part(schema: Mapping[str, Any]) -> tuple[dict[str, Any], bool]:
    """The schema of what can be typed in, and whether it may be left empty."""
    choices = [one for one in schema.get("anyOf", []) if one.get("type") != "null"]
    if not choices:
        return dict(schema), False
    return {**choices[0], **{k: v for k, v in schema.items() if k != "anyOf"}}, len(choices) < len(schema["anyOf"])


def _words(part: Mapping[str, Any]) -> tuple[str, ...]:
    """The words that may be chosen, one or several of them."""
    items = dict(part.get("items") or {})
    return tuple(str(one) for one in part.get("enum") or items.get("enum") or ())


def _kind(part: Mapping[str, Any]) -> Kind:
    if "enum" in part:
        return "choice"
    if part.get("type") == "array":
        return "several" if "enum" in dict(part["items"]) else "rows"
    if part.get("type") == "object":
        return "by name" if dict(part["additionalProperties"]).get("type") in ("integer", "number") else "half-lives"
    kinds: dict[str, Kind] = {"boolean": "yes/no", "integer": "whole", "number": "number", "string": "text"}
    return kinds[str(part["type"])]


def _bounds(part: Mapping[str, Any]) -> tuple[float | None, float | None]:
    inner = {**dict(part.get("additionalProperties") or {}), **part}
    low = inner.get("minimum", inner.get("exclusiveMinimum"))
    high = inner.get("maximum", inner.get("exclusiveMaximum"))
    return (None if low is None else float(low)), (None if high is None else float(high))
