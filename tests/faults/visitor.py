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

ENDED = (ForwardMsg.FINISHED_SUCCESSFULLY, ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY)
BOXES = {"text_input": "string_value", "text_area": "string_value"}


@dataclass
class Seen:
    """The page after a request. waited_s: until it had finished. elements: (kind, element, fragment), in their order."""

    waited_s: float
    elements: list[tuple[str, Any, str]] = field(default_factory=list)

    def all(self, kind: str) -> list[Any]:
        """The elements of a kind."""
        return [one for name, one, _ in self.elements if name == kind]

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
        self.session = ""  # how the server calls this visit
        self._script = ""  # how the server calls the page that is open
        self._places: dict[tuple[int, ...], tuple[str, Any, str]] = {}
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
        self._where, self._states, self._script = (page, query), {}, ""
        return self._ask()

    def fill(self, label: str, text: str) -> Seen:
        """Type into a box and leave it."""
        kind, box, fragment = self._find(label, BOXES)
        self._states[box.id] = WidgetState(id=box.id, **{BOXES[kind]: text})
        return self._ask(fragment=fragment)

    def press(self, label: str) -> Seen:
        """Press a button."""
        _, button, fragment = self._find(label, {"button": ""})
        assert not button.disabled, f"`{label}` cannot be pressed"
        return self._ask(WidgetState(id=button.id, trigger_value=True), fragment=fragment)

    def _find(self, label: str, kinds: dict[str, str]) -> tuple[str, Any, str]:
        for name, one, fragment in self.seen.elements:
            if name in kinds and one.label == label:
                return name, one, fragment
        raise AssertionError(f"there is no `{label}` on {self._where}; {self.seen.titles()} {self.seen.wrong()}")

    def _ask(self, *pressed: WidgetState, fragment: str = "") -> Seen:
        """Have the page run, or the fragment of it in which something was done, and see what comes."""
        request = BackMsg()
        asked = request.rerun_script
        asked.query_string = self._where[1]
        if self._script:
            asked.page_script_hash = self._script
        else:
            asked.page_name = self._where[0]
        asked.widget_states.widgets.extend([*self._states.values(), *pressed])
        asked.context_info.timezone = "UTC"
        asked.fragment_id = fragment
        started = time.monotonic()
        self._socket.send(request.SerializeToString())
        places = {place: one for place, one in self._places.items() if fragment and one[2] != fragment}
        whole = not fragment
        while True:
            message = self._next(started + self._longest_s)
            what = message.WhichOneof("type")
            if what == "new_session":
                self.session = message.new_session.initialize.session_id
                places = {} if whole else places
            elif what == "navigation":
                self._script = message.navigation.page_script_hash
            elif what == "page_info_changed":
                self._where = (self._where[0], message.page_info_changed.query_string)
            elif what == "delta" and message.delta.WhichOneof("type") == "new_element":
                kind = message.delta.new_element.WhichOneof("type")
                place = tuple(message.metadata.delta_path)
                places[place] = (kind, getattr(message.delta.new_element, kind), message.delta.fragment_id)
            elif what == "script_finished" and message.script_finished in ENDED:
                break
            elif what == "script_finished":
                whole = True  # a fragment that asks for a new run asks for all of the page
        self._places = places
        self.seen = Seen(time.monotonic() - started, [places[one] for one in sorted(places)])
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
