"""Who is at the keyboard: asked once, kept over pages, needed before anything is written."""

from __future__ import annotations

import os

import streamlit as st

from dashboard.seam import sign_in

KEY = "person"


def name_field(*, key: str = KEY) -> str:
    """A field for the person's name; the name without blanks around it, empty where none is given.

    Starts with ``STEADYCOUNT_BY`` where the command that opened the dashboard was given a name. Where people sign in,
    it is theirs and cannot be typed.
    """
    if sign_in.mode():
        st.text_input("Your name", value=name(), key=f"{key}-signed-in", disabled=True)
        return name()
    st.session_state.setdefault(key, st.session_state.get("person_kept", os.environ.get("STEADYCOUNT_BY", "")))
    typed = st.text_input("Your name", key=key, placeholder="stands beside the change in the history", max_chars=80)
    st.session_state["person_kept"] = (typed or "").strip()
    return st.session_state["person_kept"]


def typed() -> str:
    """The name in the field, also before the field is drawn anew (in what a button does)."""
    if sign_in.mode():
        return name()
    return str(st.session_state.get(KEY) or name()).strip()


def name() -> str:
    """Whoever signed in; else the name given so far in this session, else that of ``STEADYCOUNT_BY``, else empty."""
    if sign_in.mode():
        return sign_in.visitor().name or ""
    return str(st.session_state.get("person_kept", os.environ.get("STEADYCOUNT_BY", ""))).strip()
