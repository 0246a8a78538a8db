"""What stands before the pages where people sign in, and the line that says who is there."""

from __future__ import annotations

import streamlit as st

from dashboard.seam import sign_in


def is_open() -> bool:
    """Whether the pages may be shown; where not, says what is missing and offers to sign in."""
    if not sign_in.mode():
        return True
    who = sign_in.visitor()
    if who.name is None:
        st.title("Steadycount")
        st.markdown("Whoever looks at these records, or enters something, signs in first.")
        if sign_in.mode() == sign_in.OIDC:
            st.button("Sign in", icon=":material/login:", type="primary", on_click=st.login)
        else:
            st.caption("The proxy in front of this page signs people in; it has not said who you are.")
        return False
    if who.ended:
        st.title("Steadycount")
        st.text(f"{who.name} signed in more than {sign_in.LONGEST_SESSION_H:.0f} hours ago.")
        st.button("Sign in again", icon=":material/login:", type="primary", on_click=st.logout)
        return False
    sign_in.note()
    if sign_in.role() is None:
        st.title("Steadycount")
        st.text(
            f"{who.name} is signed in, but has no role here. An administrator of these records gives one on the page"
            " People."
        )
        _out()
        return False
    return True


def show() -> None:
    """Who is signed in, and the way out; nothing where nobody has to."""
    if not sign_in.mode():
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.text(f"Signed in as {sign_in.visitor().name}, {sign_in.role()}.")  # text: an address must not become a link
        _out()


def _out() -> None:
    if sign_in.mode() == sign_in.OIDC:
        st.button("Sign out", icon=":material/logout:", type="tertiary", on_click=st.logout)
