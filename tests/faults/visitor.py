"""Somebody at the dashboard, as the server sees a browser: one websocket, pages asked for, boxes filled, buttons pressed.

Five browsers would measure the browsers; five of these measure the server and the store behind it.
"""

from __future__ import annotations

import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.sync.client import connect

BOXES = {"text_input": "string_value", "text_area": "string_value"}


@dataclass
class Seen:
    """What one request brought. waited_s: until the page had finished. elements: (kind, element), in their order."""

    waited_s: float
    elements: list[tuple[str, Any]] = field(default_factory=list)

    def all(self, kind: str) -> list[Any]:
        """The elements of a kind."""
        return [one for name, one in self.elements if name == kind]

    def wrong(self) -> list[str]:
        """Exceptions and red boxes on the page."""
        raised = [f"{one.type}: {one.message}" for one in self.all("exception")]
        return raised + [one.body for one in self.all("alert") if one.format == one.ERROR]

    def titles(self) -> list[str]:
        """The headings of the first order."""
        return [one.body for one in self.all("heading") if one.tag == "h1"]


class Visitor:
    """One open page. longest_s: to wait for an answer before giving up."""

    def __init__(self, address: str, *, longest_s: float = 60.0) -> None:
        place = address.replace("http://", "ws://") + "/_stcore/stream"
        self._open = ExitStack()
        line = connect(place, origin=address, subprotocols=["streamlit"], max_size=None, compression=None)
        self._socket = self._open.enter_context(line)
        self._longest_s = longest_s
        self._kept: dict[str, ForwardMsg] = {}
        self._states: dict[str, WidgetState] = {}
        self._where: tuple[str, str] = ("", "")
        self.seen = Seen(0.0)

    def close(self) -> None:
        """Leave."""
        self._open.close()

    @property
    def where(self) -> str:
        """The address, after the server's own."""
        return "?".join(self._where)

    def go(self, page: str, query: str = "") -> Seen:
        """Open a page as if its address was typed."""
        self._where, self._states = (page, query), {}
        return self._ask()

    def fill(self, label: str, text: str) -> Seen:
        """Type into a box and leave it."""
        kind, box = self._find(label, BOXES)
        self._states[box.id] = WidgetState(id=box.id, **{BOXES[kind]: text})
        return self._ask()

    def press(self, label: str) -> Seen:
        """Press a button."""
        _, button = self._find(label, {"button": ""})
        assert not button.disabled, f"`{label}` cannot be pressed"
        return self._ask(WidgetState(id=button.id, trigger_value=True))

    def _find(self, label: str, kinds: dict[str, str]) -> tuple[str, Any]:
        for name, one in self.seen.elements:
            if name in kinds and one.label == label:
                return name, one
        raise AssertionError(f"there is no `{label}` on {self._where}; {self.seen.titles()} {self.seen.wrong()}")

    def _ask(self, *pressed: WidgetState) -> Seen:
        request = BackMsg()
        asked = request.rerun_script
        asked.page_name, asked.query_string = self._where
        asked.widget_states.widgets.extend([*self._states.values(), *pressed])
        asked.context_info.timezone = "UTC"
        started = time.monotonic()
        self._socket.send(request.SerializeToString())
        elements: list[tuple[str, Any]] = []
        while True:
            message = self._next(started + self._longest_s)
            what = message.WhichOneof("type")
            if what == "new_session":
                elements = []
            elif what == "page_info_changed":
                self._where = (self._where[0], message.page_info_changed.query_string)
            elif what == "delta" and message.delta.WhichOneof("type") == "new_element":
                kind = message.delta.new_element.WhichOneof("type")
                elements.append((kind, getattr(message.delta.new_element, kind)))
            elif what == "script_finished" and message.script_finished == ForwardMsg.FINISHED_SUCCESSFULLY:
                break
        self.seen = Seen(time.monotonic() - started, elements)
        return self.seen

    def _next(self, until: float) -> ForwardMsg:
        raw = self._socket.recv(timeout=max(until - time.monotonic(), 0.01))
        message = ForwardMsg()
        message.ParseFromString(raw if isinstance(raw, bytes) else raw.encode())
        if message.WhichOneof("type") == "ref_hash":
            return self._kept[message.ref_hash]
        if message.metadata.cacheable:
            self._kept[message.hash] = message
        return message
