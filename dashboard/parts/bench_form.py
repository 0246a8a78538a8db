"""The boxes of the bench form: their names in the session, how they are filled from a draft, and how they are drawn."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, time

import streamlit as st

from analytics.records.snapshot import Records
from dashboard.seam import bench
from dashboard.seam.bench_entry import CONDITIONS, SETUP, Entry

PLAIN = (*SETUP, "time_s", "background_time_s", "background", "below", "above", "side", *CONDITIONS, "note")
SHAPE, STARTED, FOR = "b_shape", "b_started", "b_for"
TO_THE_SECOND = "b_started_exactly"  # the box for the begin shows minutes, and would give no more back
OFFERED, DRAWN = "b_offered", "b_drawn"  # texts for boxes that were never drawn in this visit; whether they were
MOST_COUNTINGS, MOST_PLACEMENTS = 10, 6
LABELS = {
    "window": "Window",
    "source": "Check source",
    "jig": "Jig",
    "collimator": "Collimator",
    "readout": "Control unit",
    "temperature_c": "Room, °C",
    "battery_pct": "Battery, %",
    "on_minutes": "Minutes since switch-on",
}


def box(name: str, *place: int) -> str:
    """Name of a box in the session."""
    return "_".join(("b", name, *map(str, place)))


def fill(entry: Entry) -> None:
    """Put an entry into the boxes. Only before they are drawn.

    In a visit that has not drawn them yet, its texts are only offered: a browser that comes back from a lost connection
    may hold newer ones, typed while its page was made anew.
    """
    texts = {box(name): getattr(entry, name) for name in PLAIN if name not in SETUP}
    texts |= {box("src", p, n): text for p, one in enumerate(entry.placements) for n, text in enumerate(one)}
    for name in SETUP:
        st.session_state[box(name)] = getattr(entry, name)
    if st.session_state.get(DRAWN):
        st.session_state.update(texts)
        texts = {}
    st.session_state[OFFERED] = texts
    st.session_state[SHAPE] = [len(one) for one in entry.placements]
    begin(entry.started_at)
    st.session_state[FOR] = entry.probe


def begin(at: datetime | None) -> None:
    """Put the begin of the check into its box. Only before it is drawn."""
    st.session_state[STARTED] = st.session_state[TO_THE_SECOND] = at


def _begun() -> datetime | None:
    """When the check was begun, to the second as long as nobody typed another minute."""
    shown, exact = st.session_state.get(STARTED), st.session_state.get(TO_THE_SECOND)
    if isinstance(shown, datetime) and isinstance(exact, datetime):
        same = shown.replace(second=0, microsecond=0) == exact.replace(second=0, microsecond=0)
        return exact if same else shown
    return shown if isinstance(shown, datetime) else None


def filled(probe: str) -> bool:
    """True where the boxes hold this probe's entry already."""
    return st.session_state.get(FOR) == probe and box("time_s") in st.session_state


def entry(probe: str, by: str) -> Entry:
    """What the boxes hold."""
    placements = tuple(
        tuple(str(_text(box("src", p, n)) or "") for n in range(many))
        for p, many in enumerate(st.session_state.get(SHAPE, [1]))
    )
    typed = Entry.from_payload({name: _text(box(name)) for name in PLAIN})
    return replace(typed, probe=probe, by=by, placements=placements, started_at=_begun())


def _text(key: str) -> object:
    """What a box holds, or will hold once it is drawn."""
    return st.session_state.get(key, _offered(key) or None)


def _offered(key: str) -> str:
    """The text that a box begins with where neither the visit nor the browser has another; empty where none is offered."""
    return "" if key in st.session_state else str(st.session_state.get(OFFERED, {}).get(key) or "")


def setup(records: Records, probe: str) -> None:
    """Window, source, jig, collimator and control unit: as last time, changed only where they differ."""
    options = {
        "window": bench.known(records, "window", probe) + bench.known(records, "window"),
        "source": bench.usable_sources(records, probe),
        **{
            name: bench.known(records, name, probe) + bench.known(records, name)
            for name in ("jig", "collimator", "readout")
        },
    }
    with st.container(horizontal=True, key="setup"):
        for name in SETUP:
            now = st.session_state.get(box(name)) or ""
            offered = list(dict.fromkeys([*([now] if now else []), *options[name]]))
            if name in ("jig", "collimator", "readout"):
                if not offered:
                    continue
                offered = ["", *offered]
            st.selectbox(
                LABELS[name],
                offered,
                key=box(name),
                width=190,
                format_func=lambda one: one or "none",
                accept_new_options=name in ("window", "jig", "readout"),
            )


def counts_box(label: str, name: str, *place: int) -> None:
    """One large box for a count; the verdict follows a quarter of a second after the last key."""
    st.text_input(
        label,
        _offered(box(name, *place)),
        key=box(name, *place),
        live=True,
        type="phone",
        icon="",
        autocomplete="off",
        placeholder="counts",
        width=210,
    )


def seconds_box(label: str, name: str) -> None:
    """A box for a counting time."""
    st.text_input(
        label, _offered(box(name)), key=box(name), live=True, type="phone", icon="", placeholder="s", autocomplete="off",
        width=130,
    )


def more(placement: int | None) -> None:
    """One more counting in a placement, or (None) one more placement."""
    shape = list(st.session_state.get(SHAPE, [1]))
    if placement is None:
        shape.append(1)
    else:
        shape[placement] += 1
    st.session_state[SHAPE] = shape


def placements(repeat_asked: bool) -> None:
    """The boxes for countings on the source, by placement; a new one opens by itself when a repeat is asked for."""
    shape = st.session_state.get(SHAPE, [1])
    last_filled = any(str(_text(box("src", len(shape) - 1, n)) or "").strip() for n in range(shape[-1]))
    if repeat_asked and last_filled and len(shape) < MOST_PLACEMENTS:
        more(None)
        shape = st.session_state[SHAPE]
    for p, many in enumerate(shape):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for n in range(many):
                title = "On the source" if p == 0 else f"Seated again, {_nth(p + 1)} placement"
                counts_box(title if n == 0 else f"counting {n + 1}", "src", p, n)
            if many < MOST_COUNTINGS:
                st.button(
                    "One more",
                    key=box("more", p),
                    on_click=more,
                    args=(p,),
                    icon=":material/add:",
                    type="tertiary",
                    help="Another counting without moving the probe.",
                )
    if last_filled and not repeat_asked and len(shape) < MOST_PLACEMENTS:
        st.button(
            "Seat again and repeat",
            key="b_again",
            on_click=more,
            args=(None,),
            icon=":material/restart_alt:",
            type="tertiary",
            help="Take the probe out of the jig, put it back, and count again.",
        )


def _nth(n: int) -> str:
    return {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}.get(n, f"{n}th")


def conditions(now: datetime) -> None:
    """What may explain an odd count, and when the check was begun: folded away, since it is rarely needed."""
    with st.expander("Time, conditions, note", icon=":material/tune:"):
        st.datetime_input(
            "Begun at (site's time)",
            None,  # its own default is the clock of this machine, which may be ahead of the site's
            key=STARTED,
            # Not now: the box knows minutes, and would take back a begin within this one. A later time is refused when saved.
            max_value=datetime.combine(now, time(23, 59)),
            format="YYYY-MM-DD",
            width=320,
            help="Set by the first count that is typed; change it for a check copied from paper.",
        )
        with st.container(horizontal=True):
            for name in CONDITIONS:
                st.text_input(
                    LABELS[name],
                    _offered(box(name)),
                    key=box(name),
                    live=True,
                    type="phone",
                    icon="",
                    placeholder=" ",
                    autocomplete="off",
                    width=190,
                )
        st.text_input("Note", _offered(box("note")), key=box("note"), live=True, autocomplete="off", max_chars=500)
    st.session_state[DRAWN] = True
