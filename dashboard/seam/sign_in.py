"""Who is there: the operating system's user on a machine of one's own, or whoever signed in where there are more.

Three ways, chosen by the command that opens the dashboard and told through the environment:
nothing said (one person, 127.0.0.1), ``oidc`` (OpenID Connect through ``st.login``), ``header`` (a proxy in front
signs people in and says who it is in a header; the port itself answers on 127.0.0.1 only).
"""

from __future__ import annotations

import hmac
import os
import time
from dataclasses import dataclass

import streamlit as st

from dashboard.seam import place

LOGIN = "STEADYCOUNT_LOGIN"  # "", "oidc" or "header"
OIDC, HEADER = "oidc", "header"
SECRET = "STEADYCOUNT_PROXY_SECRET"  # noqa: S105 - the variable's name; what the proxy proves itself by, optional
USER_KEY, SECRET_KEY = "remote_user", "proxy_secret"
LONGEST_SESSION_H = 12.0
_NAMES = ("email", "preferred_username", "sub")  # of the claims, the first that there is


@dataclass(frozen=True)
class Visitor:
    """Who is there. name: None where nobody signed in. ended: signed in, but too long ago."""

    name: str | None
    ended: bool = False


def mode() -> str:
    """How people sign in: "" (not at all), ``oidc`` or ``header``."""
    return os.environ.get(LOGIN, "")


def visitor() -> Visitor:
    """Who is there now."""
    if mode() == OIDC:
        return _by_claims(dict(st.user.to_dict()), time.time())
    if mode() == HEADER:
        return _by_header(dict(st.user.to_dict()), os.environ.get(SECRET, ""))
    from dashboard.commands.options import operating_system_user

    return Visitor(operating_system_user())


def _by_claims(claims: dict[str, object], now_s: float) -> Visitor:
    """A person by the claims of an identity token; nobody where not signed in or the address is not verified.

    >>> _by_claims({"is_logged_in": True, "email": "ada@example.org", "iat": 0}, 60.0)
    Visitor(name='ada@example.org', ended=False)
    """
    if claims.get("is_logged_in") is not True:
        return Visitor(None)
    verified = claims.get("email_verified", True) is True
    names = _NAMES if verified else _NAMES[1:]
    name = next((str(claims[one]).strip() for one in names if claims.get(one)), "")
    since = claims.get("iat")
    ended = not isinstance(since, int | float) or now_s - since > LONGEST_SESSION_H * 3600
    return Visitor(name or None, ended=bool(name) and ended)


def _by_header(headers: dict[str, object], secret: str) -> Visitor:
    """A person by the proxy's header; nobody where it is blank, or the proxy does not prove itself."""
    if secret and not hmac.compare_digest(str(headers.get(SECRET_KEY) or "").encode(), secret.encode()):
        return Visitor(None)
    name = str(headers.get(USER_KEY) or "").strip()
    return Visitor(name if name.isprintable() and name else None)


@st.cache_resource(max_entries=4, show_spinner=False)
def _roles(path: str, revision: int) -> dict[str, str]:  # noqa: ARG001 - the revision is part of the key
    from analytics.records.access import people

    found = people(path)
    return dict(zip(found["person"], found["role"], strict=True))


def role() -> str | None:
    """The role of whoever is there; administrator where no role was ever given and nobody has to sign in."""
    from analytics.records.access import ADMINISTRATOR
    from dashboard.seam import read

    if not read.exists():
        return None if mode() else ADMINISTRATOR
    roles = _roles(str(place.store_path()), read.revision())
    if not roles:
        return None if mode() else ADMINISTRATOR
    return roles.get(visitor().name or "")


def may(action: str) -> bool:
    """Whether the role of whoever is there allows an action; for what a page offers, the records ask again."""
    from analytics.records.access import ROLES, needs

    has = role()
    return has is not None and ROLES.index(has) >= ROLES.index(needs(action))


def signed(by: str) -> str:
    """The name to write beside a change: whoever signed in, else the name typed. The records are told who it is."""
    from analytics.errors import UserError
    from analytics.records.access import act_as

    who = visitor()
    act_as(who.name)
    if not mode():
        return by
    if who.name is None or who.ended:
        raise UserError("nobody is signed in", where="Sign in", do="Sign in again; what you typed is still there.")
    return who.name


def note() -> None:
    """Enter the sign-in in the history, once a session."""
    who = visitor()
    if not mode() or who.name is None or st.session_state.get("sign_in_noted") == who.name:
        return
    from analytics.records.access import note_sign_in
    from dashboard.seam import read

    if read.exists():
        note_sign_in(place.store_path(), who.name, "OpenID Connect" if mode() == OIDC else "proxy")
    st.session_state["sign_in_noted"] = who.name
