"""The life of a happening on its page, and the form by which people take part in it."""

from __future__ import annotations

import streamlit as st

from analytics.errors import UserError
from dashboard.parts import links, person, values
from dashboard.seam import act
from dashboard.seam.alert_life import AGAIN, NEW, Life, Turn
from dashboard.seam.digest import Episode

WHAT = {"seen": "Mark as seen", "handed": "Hand to somebody", "settled": "Settle"}
HELP = (
    "Seen: somebody has taken it up. Handed: it is another person's now. Settled: a person closes it; the charts go on "
    "watching, and it opens again only when it gets worse. Settling clears no probe for patients."
)


def show(life: Life) -> None:
    """Where the happening stands, and its turns."""
    colour = {NEW: "orange", AGAIN: "red"}.get(life.state, "gray")
    told = [words(one) for one in life.turns if one.kind != "opened"]
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.badge(life.state, color=colour, icon=":material/flag:")  # type: ignore[arg-type]
        if life.with_whom:
            st.caption(f"with {links.escape(life.with_whom)}", width="content")
    for one in told:
        st.caption(one)


def words(turn: Turn) -> str:
    """A turn as a line, as Markdown."""
    by, note = links.escape(turn.by), links.escape(turn.note)
    what = {
        "seen": f"Seen by {by}",
        "handed": f"Handed to **{links.escape(turn.to)}** by {by}",
        "settled": f"Settled by {by}",
        "again": "Opened again",
        "calm": "Settled by enough good checks",
        "opened": "Opened",
    }[turn.kind]
    return f"{what} on {values.moment(turn.when)}" + (f": {note}" if note else "")


def form(one: Episode) -> None:
    """Mark as seen, hand on, settle; each with a name and a note."""
    place = f"{one.kind}-{one.subject}-{one.episode}"
    done = st.session_state.get(f"done-{place}", 0)  # a new popover after each, since only that closes it
    with st.popover("Take part", icon=":material/edit:", key=f"part-{place}-{done}"):
        kinds = [kind for kind in WHAT if one.kind == "probe" or kind != "settled"]
        kind = (
            st.segmented_control(
                "What",
                kinds,
                format_func=WHAT.__getitem__,
                default="seen",
                required=True,
                key=f"kind-{place}",
                help=HELP,
            )
            or "seen"
        )
        to = (
            st.text_input("To whom", key=f"to-{place}", max_chars=80).strip() if kind == "handed" else ""
        )
        note = st.text_input("Note, in a few words", key=f"why-{place}", max_chars=300)
        by = person.name_field(key=f"by-{place}")
        lacking = [
            word
            for word, there in (("your name", by), ("a note", note.strip()), ("whom it goes to", to or kind != "handed"))
            if not there
        ]
        if st.button(
            WHAT[kind],
            key=f"keep-{place}",
            type="primary",
            disabled=bool(lacking),
            help=f"Needs {' and '.join(lacking)}." if lacking else None,
        ):
            try:
                act.decide(
                    kind,
                    probe=one.subject if one.kind == "probe" else None,
                    episode=one.episode,
                    value=to or None,
                    by=by,
                    reason=note,
                )
            except UserError as error:
                st.error(str(error))
            else:
                st.session_state[f"done-{place}"] = done + 1
                st.rerun()
        if one.kind != "probe":
            st.caption("A finding on a source, a jig or a control unit ends when its cause is put right in the records.")
