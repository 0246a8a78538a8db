"""People sign in: at a provider of OpenID Connect, and at a proxy in front; their role is the store's, on every page."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager

import pytest

from analytics.records import access
from analytics.records.check_store import check_store
from analytics.records.history import history
from tests.conftest import nginx_path
from tests.dashboard import real_store

pytestmark = pytest.mark.browser

VERA, PETRA = "vera@example.org", "petra@example.org"


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


@contextmanager
def running(*command: str, answers_at: str):
    """A server of the test's own, from its first answer to the end of the block."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 60
        while True:
            assert process.poll() is None, f"{command[0]} ended with {process.returncode}"
            assert time.monotonic() < end, f"{answers_at} does not answer"
            try:
                with urllib.request.urlopen(answers_at, timeout=2):
                    break
            except urllib.error.HTTPError:
                break
            except OSError:
                time.sleep(0.1)
        yield
    finally:
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def staffed(tmp_path_factory):
    """A store of five probes with a viewer and a physicist."""
    store = real_store.store(tmp_path_factory.mktemp("staffed"))
    access.give_role(store, VERA, access.VIEWER, by="ada", reason="looks")
    access.give_role(store, PETRA, access.PHYSICIST, by="ada", reason="decides")
    return store


@pytest.fixture
def store(staffed, tmp_path):
    """The same for one test alone."""
    shutil.copyfile(staffed, tmp_path / "s.duckdb")
    return tmp_path / "s.duckdb"


@pytest.fixture
def person(chromium):
    """A function that gives a page of a new visitor; what another server asks of the outside gets no answer."""
    contexts = []

    def come(**options):
        context = chromium.new_context(viewport={"width": 1280, "height": 900}, **options)
        context.route(lambda address: not address.startswith("http://127.0.0.1:"), lambda route: route.abort())
        contexts.append(context)
        return context.new_page()

    yield come
    for one in contexts:
        one.close()


def try_to_record(page) -> None:
    """Type a count and press the button, as somebody who may not."""
    box = page.get_by_label("On the source")
    box.wait_for(timeout=60_000)
    box.press_sequentially("12345", delay=5)
    page.get_by_text("What was typed is not kept as a draft yet").wait_for(timeout=30_000)
    page.get_by_role("button", name="Save the check").click()


def refusals(store) -> list[tuple[str, str]]:
    """Who was refused what, as the history has it, oldest first."""
    found = history(store).query("action == 'refused'").iloc[::-1]
    return list(zip(found["by"], found["subject"], strict=True))


def test_a_person_signs_in_at_the_provider_and_has_the_role_of_the_store(serve, person, store, tmp_path):
    """A viewer comes in and may not write, and the refusals are entered; signed out the pages are shut; a stranger stays outside."""
    provider, port = free_port(), free_port()
    issuer = f"http://127.0.0.1:{provider}"
    found_at = f"{issuer}/.well-known/openid-configuration"
    people = {"id-vera": VERA, "id-petra": PETRA, "id-eve": "eve@example.org"}
    claims = [json.dumps({"sub": one, "email": address, "email_verified": True}) for one, address in people.items()]
    (tmp_path / "auth.toml").write_text(
        f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\ncookie_secret = "{"c" * 40}"\n'
        f'client_id = "steadycount"\nclient_secret = "s"\nserver_metadata_url = "{found_at}"\n'
    )
    told = [word for one in claims for word in ("--user-claims", one)]
    with running(sys.executable, "-m", "oidc_provider_mock", "--port", str(provider), *told, answers_at=found_at):
        address = serve(store, "--port", str(port), "--sign-in", str(tmp_path / "auth.toml"))
        page = person()

        def sign_in(name: str) -> None:
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url(f"{issuer}/**", timeout=30_000)
            page.get_by_role("button", name=name).click()
            page.wait_for_url(f"{address}/**", timeout=30_000)

        page.goto(f"{address}/record?probe={real_store.SOUND}")
        page.get_by_text("signs in first").wait_for(timeout=60_000)
        assert page.get_by_label("Probe", exact=True).count() == 0
        sign_in("id-vera")
        page.get_by_text(f"Signed in as {VERA}, viewer.").wait_for(timeout=60_000)
        page.goto(f"{address}/record?probe={real_store.SOUND}")
        try_to_record(page)
        page.get_by_text("has the role viewer, and this (typed in) needs recorder").last.wait_for(timeout=30_000)
        assert refusals(store) == [(VERA, "draft"), (VERA, "typed in")]
        page.get_by_role("button", name="Sign out").click()
        page.get_by_role("button", name="End session").click(timeout=30_000)  # the provider asks whether there too
        page.get_by_text("signs in first").wait_for(timeout=60_000)
        page.goto(f"{address}/history")
        page.get_by_text("signs in first").wait_for(timeout=60_000)
        sign_in("id-eve")
        page.get_by_text("eve@example.org is signed in, but has no role here").wait_for(timeout=60_000)
        assert page.get_by_role("heading", name="History").count() == 0
        entered = history(store).query("action == 'signed in'").iloc[::-1]
        assert entered["by"].tolist() == [VERA, "eve@example.org"]
        assert check_store(store) == []


NGINX = """
{user}
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{ }}
http {{
  access_log off;
  client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi; scgi_temp_path {folder}/scgi;
  map $http_upgrade $connection_upgrade {{ default upgrade; "" close; }}
  server {{
    listen 127.0.0.1:{port};
    auth_basic "gamma probes";
    auth_basic_user_file {folder}/people;
    location / {{
      proxy_pass {address};
      proxy_http_version 1.1;
      proxy_set_header Host $http_host;
      proxy_set_header Upgrade $http_upgrade;
      proxy_set_header Connection $connection_upgrade;
      proxy_set_header X-Remote-User $remote_user;
      proxy_set_header X-Steadycount-Proxy "{secret}";
      proxy_read_timeout 1h;
    }}
  }}
}}
"""


@pytest.mark.proxy
def test_behind_a_proxy_the_header_says_who_it_is_and_nobody_else_can(serve, person, store, tmp_path):
    """Who the proxy lets in has the role of the store; a header of one's own counts neither through the proxy nor past it."""
    port, secret = free_port(), "only-the-proxy-knows"
    address = serve(store, "--trusted-header", "X-Remote-User", STEADYCOUNT_PROXY_SECRET=secret)
    (tmp_path / "people").write_text(f"{VERA}:{{PLAIN}}v\n{PETRA}:{{PLAIN}}p\n")
    user = "user root;" if os.geteuid() == 0 else ""  # its workers must be able to read the folder of this test
    (tmp_path / "nginx.conf").write_text(NGINX.format(user=user, folder=tmp_path, port=port, address=address, secret=secret))
    door = f"http://127.0.0.1:{port}"
    with running(nginx_path() or "", "-e", str(tmp_path / "error.log"), "-c", str(tmp_path / "nginx.conf"), answers_at=door):
        with pytest.raises(urllib.error.HTTPError, match="401"):
            urllib.request.urlopen(door, timeout=10)
        forged = {"X-Remote-User": PETRA}
        page = person(http_credentials={"username": VERA, "password": "v"}, extra_http_headers=forged)
        page.goto(f"{door}/record?probe={real_store.SOUND}")
        page.get_by_text(f"Signed in as {VERA}, viewer.").wait_for(timeout=60_000)
        try_to_record(page)
        page.get_by_text("has the role viewer, and this (typed in) needs recorder").last.wait_for(timeout=30_000)
        assert refusals(store) == [(VERA, "draft"), (VERA, "typed in")]
        page = person(extra_http_headers=forged | {"X-Steadycount-Proxy": "a guess"})
        page.goto(address)
        page.get_by_text("it has not said who you are").wait_for(timeout=60_000)
        assert page.get_by_text("Signed in as").count() == 0
    assert set(history(store).query("action == 'signed in'")["by"]) == {VERA}
    assert check_store(store) == []
