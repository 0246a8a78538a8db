"""What the server runs: the pages of ``main.py``, and a first answer that tells the browser where the server is.

Opened on a deep address such as ``/probe?probe=GP-001``, Streamlit's page asks for ``/probe/_stcore/health`` first, is
told 404 twice, and only then asks at the root; each miss is an error in the browser's log. Saying where the server is
spares both.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware

from dashboard.seam import early

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_HEAD = b"<head>"
_SAYS = b'<head><script>window.__streamlit={BACKEND_BASE_URL:location.origin+"/%s"}</script>'


class SaysWhereItIs:
    """Puts the server's own address into the page that every address of the dashboard begins with."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on; an HTML answer gets one line more in its head. At the start, what pages need is imported."""
        if scope["type"] == "lifespan":
            early.begin()  # not before: what the server itself imports is there now
        elif scope["type"] == "websocket":
            await asyncio.to_thread(early.wait)  # no page runs before
        if scope["type"] != "http" or scope["method"] != "GET":
            await self.app(scope, receive, send)
            return
        opened: Message | None = None

        async def changed(message: Message) -> None:
            nonlocal opened
            if message["type"] == "http.response.start":
                if MutableHeaders(scope=message).get("content-type", "").startswith("text/html"):
                    opened = message
                    return
            elif opened is not None and message["type"] == "http.response.body":
                body = message.get("body", b"").replace(_HEAD, _SAYS % _base(), 1)
                headers = MutableHeaders(scope=opened)
                if not message.get("more_body", False):
                    headers["content-length"] = str(len(body))
                elif "content-length" in headers:
                    del headers["content-length"]
                await send(opened)
                opened = None
                message = {**message, "body": body}
            await send(message)

        plain = (
            {**scope, "headers": [(k, v) for k, v in scope["headers"] if k != b"accept-encoding"]}
            if _is_page(scope["path"])
            else scope
        )
        await self.app(plain, receive, changed)


def _is_page(path: str) -> bool:
    """Whether this address is a page's, so that its answer must come uncompressed to be added to."""
    last = path.rsplit("/", 1)[-1]
    return "." not in last and "_stcore" not in path


def _base() -> bytes:
    path = str(st.get_option("server.baseUrlPath") or "").strip("/")
    return f"{path}/".encode() if path else b""


app = st.App(Path(__file__).parent / "main.py", middleware=[Middleware(SaysWhereItIs)])
