"""The first answer of the server: it tells the browser where the server is, and touches nothing else."""

from __future__ import annotations

import asyncio
import sys

import pytest

from dashboard.app import SaysWhereItIs
from dashboard.seam import early

HTML = b"<!DOCTYPE html><html><head><title>x</title></head><body></body></html>"


def _served(content_type, *chunks, path="/probe", method="GET", encoding=b"gzip"):
    """What comes out of the middleware around an app that answers with these chunks; and what that app was asked."""
    asked, sent = {}, []

    async def inner(scope, receive, send):
        asked.update(scope)
        total = str(sum(map(len, chunks))).encode()
        await send(
            {
                "type": "http.response.start",
                "status": 200,
                "headers": [(b"content-type", content_type), (b"content-length", total)],
            }
        )
        for number, chunk in enumerate(chunks, 1):
            await send({"type": "http.response.body", "body": chunk, "more_body": number < len(chunks)})

    async def send(message):
        sent.append(message)

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {"type": "http", "method": method, "path": path, "headers": [(b"accept-encoding", encoding)]}
    asyncio.run(SaysWhereItIs(inner)(scope, receive, send))
    headers = dict(sent[0]["headers"])
    return headers, b"".join(one["body"] for one in sent[1:]), asked


@pytest.mark.parametrize("path", ["/", "/probe", "/sources"])
def test_a_page_learns_where_the_server_is(path):
    """The head of every page names the root of the server, and the length is that of what is sent."""
    headers, body, asked = _served(b"text/html; charset=utf-8", HTML, path=path)
    assert b'<head><script>window.__streamlit={BACKEND_BASE_URL:location.origin+"/"}</script><title>' in body
    assert int(headers[b"content-length"]) == len(body)
    assert not asked["headers"]


def test_a_page_in_pieces_arrives_whole():
    """An answer in several chunks keeps all of them and states no wrong length."""
    headers, body, _ = _served(b"text/html", HTML[:40], HTML[40:])
    assert body.startswith(b"<!DOCTYPE html>")
    assert body.endswith(b"</html>")
    assert b"content-length" not in headers


def test_anything_else_passes_untouched():
    """A script, a health answer and a posted form are not changed, and may be compressed."""
    for kind, path in ((b"text/javascript", "/static/js/index.js"), (b"text/plain", "/_stcore/health")):
        headers, body, asked = _served(kind, b"<head>", path=path)
        assert body == b"<head>"
        assert headers[b"content-length"] == b"6"
        assert asked["headers"]
    assert _served(b"text/html", HTML, method="POST")[1] == HTML


def test_threads_of_the_server_take_short_turns(monkeypatch):
    """Once it begins, a thread that computes gives way after a thousandth of a second; asked again, nothing is begun anew."""
    before, begun = sys.getswitchinterval(), []
    monkeypatch.setattr(early, "_begun", begun)
    monkeypatch.setattr(early, "load", lambda: None)
    monkeypatch.setattr(early, "_keep_engine", lambda: None)
    try:
        early.begin()
        early.begin()
        assert sys.getswitchinterval() == pytest.approx(early.TURN_S)
        early.wait()
        assert len(begun) == 1
    finally:
        sys.setswitchinterval(before)
