"""People and their roles on the page; who may come in where people sign in; whose name stands beside a change."""

from __future__ import annotations

import json
import shutil

import pytest
import streamlit as st

from analytics.errors import UserError
from analytics.records import access
from analytics.records.history import history
from analytics.records.reader import snapshot
from dashboard.commands import open_dashboard
from dashboard.commands.serve import Door
from dashboard.seam import act, act_people, sign_in
from dashboard.seam.sign_in import _by_claims, _by_header
from tests.commands.cli import run, said_in_one_line
from tests.dashboard.opened import open_page, words


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A small store with three readings."""
    from tests.records.conftest import Clinic

    clinic = Clinic(tmp_path_factory.mktemp("people"))
    clinic.register()
    clinic.readings(*(f"GP-001,2024-05-0{day},Co-57,source,{day},10,CK-1" for day in (1, 2, 3)))
    return clinic.store


@pytest.fixture
def store(made, tmp_path, monkeypatch):
    """The same for one test alone, as the store of the pages."""
    store = tmp_path / "s.duckdb"
    shutil.copyfile(made, store)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(store))
    monkeypatch.setenv("STEADYCOUNT_BY", "anna")
    monkeypatch.setattr("dashboard.commands.options.operating_system_user", lambda: "osada")
    st.cache_resource.clear()
    yield store
    access.act_as(None)


def signed_in(monkeypatch, name: str | None, *, ended: bool = False) -> None:
    """People sign in, and this one is there."""
    monkeypatch.setenv("STEADYCOUNT_LOGIN", "header")
    monkeypatch.setattr(sign_in, "visitor", lambda: sign_in.Visitor(name, ended))


def test_a_role_is_given_and_changed_on_the_page(store):
    """One person may do everything until the first is given; then the operating system's user is administrator."""
    assert "whoever can open this file may do everything" in words(open_page("people"))
    act_people.give("rita", "recorder", by="anna", reason="new here")
    at = open_page("people")
    assert "**2 people** with a role" in words(at)
    at.selectbox[0].set_value("rita")
    at.selectbox[1].set_value("engineer")
    at.text_input[1].set_value("new task")
    at.button[0].click().run()
    assert not at.exception
    assert not at.error
    found = access.people(store)
    assert dict(zip(found["person"], found["role"], strict=True)) == {"osada": "administrator", "rita": "engineer"}
    assert found.set_index("person")["by"]["rita"] == "anna (signed in as osada)"


def test_only_an_administrator_has_the_form(store, monkeypatch):
    """Others see who has which role and what each may do."""
    access.give_role(store, "vera", "viewer", by="ada", reason="x")
    signed_in(monkeypatch, "vera")
    at = open_page("people")
    assert "Only an administrator changes this" in words(at)
    assert not at.selectbox


def test_nobody_comes_in_unless_signed_in_lately_and_with_a_role(store, monkeypatch):
    """Without a name, too long ago, or with no role, every address shows what is missing and nothing of the records."""
    access.give_role(store, "vera", "viewer", by="ada", reason="x")
    for name, ended, said in (
        (None, False, "signs in first"),
        ("vera", True, "more than 12 hours ago"),
        ("mallory", False, "has no role here"),
    ):
        signed_in(monkeypatch, name, ended=ended)
        for page in ("fleet", "history"):
            at = open_page(page)
            assert not at.exception
            assert said in words(at) + "".join(one.value for one in at.text)
            assert [one.value for one in at.title] == ["Steadycount"]
    signed_in(monkeypatch, "vera")
    at = open_page("history")
    assert [one.value for one in at.title] == ["History"]
    assert [one.value for one in at.text] == ["Signed in as vera, viewer."]
    assert history(store)["action"].tolist().count("signed in") == 2  # vera and mallory, once each


def test_a_viewers_write_by_page_or_by_direct_call_is_refused_and_recorded(store, monkeypatch):
    """The seam takes who signed in and not what was typed; the readings stay as they are."""
    access.give_role(store, "vera", "viewer", by="petra", reason="x")
    signed_in(monkeypatch, "vera")
    with pytest.raises(access.RefusedError):
        act.exclude([1], by="petra", reason="x")
    assert not snapshot(store).readings["excluded"].any()
    entered = history(store, limit=1).iloc[0]
    assert (entered["action"], entered["by"], json.loads(entered["after"])["wanted"]) == ("refused", "vera", "exclude")


def test_a_change_carries_the_name_of_whoever_signed_in(store, monkeypatch):
    """The name field shows it and cannot be typed into."""
    access.give_role(store, "petra", "physicist", by="ada", reason="x")
    signed_in(monkeypatch, "petra")
    act.exclude([1], by="somebody else", reason="x")
    assert history(store, limit=1).iloc[0]["by"] == "petra"
    signed_in(monkeypatch, None)
    with pytest.raises(UserError, match="nobody is signed in"):
        act.exclude([2], by="petra", reason="x")


@pytest.mark.parametrize(
    ("claims", "name", "ended"),
    [
        ({"is_logged_in": False, "email": "a@x"}, None, False),
        ({"is_logged_in": True, "email": "a@x", "sub": "17", "iat": 1000}, "a@x", False),
        ({"is_logged_in": True, "email": "a@x", "email_verified": False, "sub": "17", "iat": 1000}, "17", False),
        ({"is_logged_in": True, "preferred_username": "ada", "iat": 1000}, "ada", False),
        ({"is_logged_in": True, "email": "a@x", "iat": 1000 - 12 * 3600 - 1}, "a@x", True),
        ({"is_logged_in": True, "email": "a@x"}, "a@x", True),
        ({"is_logged_in": True}, None, False),
    ],
)
def test_claims_give_a_name_and_a_session_that_ends(claims, name, ended):
    """An address that is not verified is not believed; a session of more than twelve hours, or of no age, is over."""
    assert _by_claims(claims, 1000.0) == sign_in.Visitor(name, ended)


def test_a_header_is_believed_only_from_the_proxy():
    """With a secret set, the proxy has to know it; a blank or unprintable name is nobody."""
    assert _by_header({"remote_user": "ada"}, "").name == "ada"
    assert _by_header({"remote_user": "ada"}, "s").name is None
    assert _by_header({"remote_user": "ada", "proxy_secret": "t"}, "s").name is None
    assert _by_header({"remote_user": "ada", "proxy_secret": "s"}, "s").name == "ada"
    assert _by_header({"remote_user": None}, "").name is None
    assert _by_header({"remote_user": "a\nb"}, "").name is None


def test_what_streamlit_is_told_of_the_door():
    """The secrets file, the two headers, and the one foreign name; the address stays this machine's."""
    assert Door().arguments() == []
    told = Door(header="X-User", host="checks.example.org").arguments()
    assert json.loads(told[1]) == {"X-User": "remote_user", "X-Steadycount-Proxy": "proxy_secret"}
    assert told[2:] == [
        word for one in ("127.0.0.1", "localhost", "checks.example.org") for word in ("--server.allowedHosts", one)
    ]


def test_a_door_that_would_let_nobody_in_is_refused(store, tmp_path, monkeypatch):
    """One line each: two ways, no roles, an incomplete file, a header that is none, a missing extra."""
    auth = tmp_path / "auth.toml"
    auth.write_text("[auth]\nclient_id = 'x'\n")
    opening = ("open", "--store", store, "--no-browser")
    assert "Choose one" in said_in_one_line(run(*opening, "--sign-in", auth, "--trusted-header", "X-User"))
    assert "is no name of a header" in said_in_one_line(run(*opening, "--trusted-header", "X User"))
    assert "nobody has a role yet" in said_in_one_line(run(*opening, "--trusted-header", "X-User"))
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    assert "steadycount[login]" in said_in_one_line(run(*opening, "--sign-in", auth))
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: object())
    line = said_in_one_line(run(*opening, "--sign-in", auth))
    assert "[auth] lacks redirect_uri, cookie_secret, client_secret, server_metadata_url" in line
    assert open_dashboard.run.__doc__
