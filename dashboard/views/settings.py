"""Settings: what each is, what it is set to, and what a change would change before it is saved."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import streamlit as st

from analytics.errors import UserError
from dashboard.parts import decision_rows_said, links, person, start, values
from dashboard.parts.setting_field import field
from dashboard.parts.words import PROBE, PROBE_ORDER
from dashboard.seam import read, settings_form

PENDING = "settings_pending"  # what was changed here and not saved yet, by section and name
ASKED = "settings_asked"  # the proposal whose effect was asked for
SHOWN = "settings_effect"  # the proposal whose effect stands on the page, and the effect
PARTS = ("Values", "Versions")


LONGEST = 160  # letters of a value that is written out beside its field


def show() -> None:
    """The part of the page that the address names."""
    st.title("Settings")
    if not read.exists():
        start.ready()
        return
    st.markdown(
        "The start values are choices and not per any standard; the site's physicist sets them. What is saved here "
        "belongs to this store, with who and when; every answer carries the fingerprint of the settings it was made with."
    )
    part = st.segmented_control(
        "Part", PARTS, default=PARTS[0], key="part", bind="query-params", label_visibility="collapsed", required=True
    )
    if part == "Versions":
        _versions()
    else:
        _values()


def _values() -> None:
    every = settings_form.entries()
    sections = list(dict.fromkeys(one.section for one in every))
    section = st.segmented_control(
        "Section", sections, default=sections[0], key="section", bind="query-params", required=True
    )
    st.caption(settings_form.about(str(section)))
    pending: dict[settings_form.Key, Any] = st.session_state.setdefault(PENDING, {})
    for one in every:
        if one.section == section:
            _one(one, pending)
    by_key = {one.key: one for one in every}
    pending = {key: value for key, value in pending.items() if key in by_key and value != by_key[key].stored}
    st.session_state[PENDING] = pending
    if pending:
        _unsaved(pending, by_key)
    elif done := st.session_state.pop("settings_saved", None):
        st.success(done, icon=":material/check:")


def _one(one: settings_form.Entry, pending: dict[settings_form.Key, Any]) -> None:
    """One setting with its field, unit, default and help; a table takes the whole width."""
    with st.container(border=True, key=f"setting-{one.section}-{one.name}"):
        if one.kind == "rows":
            said, given = st.container(), st.container()
        else:
            given, said = st.columns([2, 3], gap="large", vertical_alignment="center")
        with given:
            value = field(one, pending.get(one.key, one.stored))
        with said:
            st.markdown(one.help)
            unit = settings_form.UNIT.get(one.unit, one.unit)
            notes = [f"{one.section}.{one.name}", f"unit: {unit}" if unit else "", f"shipped: {_briefly(one.default)}"]
            if one.stored != one.default:
                notes.append(f"this store: {_briefly(one.stored)}")
            if one.for_this_run:
                notes.append("the folder given with --config decides it for this run")
            st.caption(links.escape("; ".join(part for part in notes if part)) + ".")
    if value == one.stored:
        pending.pop(one.key, None)
    else:
        pending[one.key] = value


def _unsaved(pending: dict[settings_form.Key, Any], by_key: dict[settings_form.Key, settings_form.Entry]) -> None:
    """The changes that are not saved, what they would change, and the way to save them."""
    st.header("Not saved yet", anchor="unsaved")
    st.table(
        pd.DataFrame(
            [
                {"Setting": ".".join(key), "Now": _briefly(by_key[key].stored), "Then": _briefly(value)}
                for key, value in pending.items()
            ]
        ).set_index("Setting"),
        alt="Changes that are not saved yet",
    )
    for key, value in pending.items():
        if by_key[key].kind == "rows":
            said = decision_rows_said.differences(by_key[key].stored, value)
            st.markdown("\n".join(f"- {links.escape(one)}" for one in said))
    proposal = json.dumps([[*key, value] for key, value in sorted(pending.items())], sort_keys=True, default=str)
    with st.container(horizontal=True):
        asked = st.button("Show what it would change", icon=":material/difference:", type="primary")
        if st.button("Discard", icon=":material/undo:"):
            forget()
            st.rerun()
    try:
        settings = settings_form.proposed(pending)
    except UserError as error:
        st.error(str(error), icon=":material/report:")
        return
    if asked:
        st.session_state[ASKED] = proposal
    if st.session_state.get(ASKED) == proposal and st.session_state.get(SHOWN, ("",))[0] != proposal:
        st.session_state[SHOWN] = proposal, settings_form.effect(read.look(), settings)
    seen, found = st.session_state.get(SHOWN, (None, None))
    if seen != proposal or found is None:
        st.caption("It can be saved once its effect has been shown.")
        return
    _effect(found)
    _save(pending)


def _effect(found: settings_form.Effect) -> None:
    """Which probes and alarms would read otherwise today."""
    if found.nothing:
        st.info("As of now no advice and no alarm would change.", icon=":material/equal:")
        return
    st.markdown("**As of now it would be so:**")
    counts = found.counts.reindex([one for one in PROBE_ORDER if one in found.counts.index])
    counts.index = pd.Index([PROBE[one].word for one in counts.index], name="Probes")
    st.table(counts.rename(columns={"now": "Now", "then": "Then"}), alt="Probes by advice, now and then")
    for title, sentences in (("New", found.new), ("No longer there", found.gone)):
        if sentences:
            with st.expander(f"{title}: {len(sentences)}", expanded=len(sentences) < 12):
                st.markdown("\n".join(f"- {links.escape(one)}" for one in sentences))


def _save(pending: dict[settings_form.Key, Any]) -> None:
    with st.form("save-settings"):
        by = person.name_field(key="person_settings")
        reason = st.text_input("Why", max_chars=300, placeholder="such as: agreed with the radiation protection officer")
        if st.form_submit_button("Save", icon=":material/save:", type="primary"):
            if not by or not reason.strip():
                st.error("It takes a name and a reason; both stand in the history.", icon=":material/report:")
                return
            try:
                number = settings_form.save(pending, by=by, reason=reason)
            except UserError as error:
                st.error(str(error), icon=":material/report:")
                return
            forget()
            st.session_state["settings_saved"] = f"Saved as version {number}."
            st.rerun()


def _versions() -> None:
    """Who set what, and the way back to an earlier version."""
    found = settings_form.versions()
    if found.empty:
        st.info("No version was saved in this store: the shipped values are in force.", icon=":material/tune:")
        return
    shown = found.assign(what=[_words(json.loads(one)) for one in found["layer"]])
    st.dataframe(
        shown[["version", "saved_at", "by", "reason", "what"]],
        hide_index=True,
        alt="Versions of the settings, newest first",
        column_config={
            "version": st.column_config.NumberColumn("Version", format="%d"),
            "saved_at": st.column_config.DatetimeColumn("When", format="D MMM YYYY HH:mm"),
            "by": "Who",
            "reason": "Why",
            "what": st.column_config.TextColumn("What differs from the shipped values", width="large"),
        },
    )
    earlier = [int(one) for one in found["version"][1:]]
    if not earlier:
        return
    with st.form("take-up"):
        version = st.selectbox("Put an earlier version in force again", earlier, format_func=lambda one: f"version {one}")
        by = person.name_field(key="person_take_up")
        reason = st.text_input("Why", max_chars=300)
        if st.form_submit_button("Put in force", icon=":material/undo:"):
            if not by or not reason.strip():
                st.error("It takes a name and a reason; both stand in the history.", icon=":material/report:")
                return
            settings_form.take_up(int(version), by=by, reason=reason)
            st.rerun()


def _briefly(value: Any) -> str:
    """The same, and of a long table only how many rows it has."""
    text = values_text(value)
    return text if len(text) <= LONGEST or not isinstance(value, list | tuple) else f"a table of {len(value)} rows"


def values_text(value: Any) -> str:
    """A setting's value in a line."""
    if value is None or value in ({}, [], ""):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list) and all(isinstance(one, str) for one in value):
        return ", ".join(one.replace("_", " ") for one in value)
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _words(layer: dict[str, dict[str, Any]]) -> str:
    said = [f"{section}.{name} = {_briefly(value)}" for section, own in layer.items() for name, value in own.items()]
    return "; ".join(said) or values.DASH


def forget() -> None:
    """Drop what was typed and not saved."""
    for key in list(st.session_state):
        if key in (PENDING, SHOWN, ASKED) or str(key).startswith("set-"):
            del st.session_state[key]


if __name__ == "__main__":
    show()
