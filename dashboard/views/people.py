"""People: who has which role; a role is given, changed and ended here, each with a reason that stays in the history."""

from __future__ import annotations

import streamlit as st

from analytics.errors import UserError
from dashboard.parts import links, person, start, values
from dashboard.seam import act_people, read, sign_in

END = "no role any more"


def show() -> None:
    """The list, and under it the form for whoever may change it."""
    st.title("People")
    if not read.exists():
        start.ready()
        return
    found = act_people.people()
    if found.empty:
        st.info(
            "No role was given yet: whoever can open this file may do everything in it. That is right for one person "
            "on one machine. Before more people sign in, give each a role. Whoever gives the first one, here "
            f"**{links.escape(act_people.first_person())}**, becomes administrator.",
            icon=":material/person:",
        )
    else:
        st.markdown(f"**{values.count(len(found), 'person', 'people')}** with a role. Everybody else may write nothing.")
        st.dataframe(
            found,
            hide_index=True,
            alt="Who has which role",
            column_config={
                "person": "Person",
                "role": "Role",
                "since": st.column_config.DatetimeColumn("Since (UTC)", format="D MMM YYYY HH:mm"),
                "by": "Given by",
                "reason": "Why",
            },
        )
    _form(list(found["person"]))
    st.header("What each role may do")
    st.markdown("\n".join(f"- **{role}**: {what}" for role, what in act_people.roles().items()))
    st.caption(
        "Each role may do what the ones before it may. A write that a role does not allow is refused below the pages, "
        "for the command line too, and the attempt stands in the history. Whoever may write to the store's file could "
        "go past all of this with another program; the check of the store finds what such a program changed."
    )


def _form(known: list[str]) -> None:
    if known and not sign_in.may("role"):
        st.caption("Only an administrator changes this.")
        return
    st.header("Give, change or end a role")
    with st.form("role"):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            who = st.selectbox(
                "Person",
                known,
                index=None,
                accept_new_options=True,
                placeholder="as they sign in: an address or user name",
                width=360,
            )
            role = st.selectbox("Role", [*act_people.roles(), END], index=None, placeholder="choose one", width=220)
        by = person.name_field(key="person_role")
        reason = st.text_input("Why", placeholder="such as: new in the physics group")
        pressed = st.form_submit_button("Enter", icon=":material/person_add:", type="primary")
    if not pressed:
        return
    try:
        if not role:
            raise UserError("no role was chosen", where="Role", do="Choose one.")  # noqa: TRY301 - said like the others
        act_people.give(who or "", None if role == END else role, by=by, reason=reason)
    except UserError as error:
        st.error(str(error), icon=":material/report:")
        return
    st.toast(f"{who}: {role}.")
    st.rerun()


if __name__ == "__main__":
    show()
