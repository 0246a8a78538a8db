"""A line between browser and server that can be cut, mended, and led to another server."""

from __future__ import annotations

import contextlib
import socket
import threading


class Relay:
    """Listens on a port of its own and passes bytes both ways; ``address`` is what a browser opens."""

    def __init__(self, server: str) -> None:
        self._to = _place(server)
        self._whole = True
        self._open: set[socket.socket] = set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """End every connection, and every new one at once."""
        self._whole = False
        for one in list(self._open):
            _end(one)

    def mend(self, server: str | None = None) -> None:
        """Let connections through again, to another server where one is named."""
        self._to = _place(server) if server else self._to
        self._whole = True

    def close(self) -> None:
        """Cut for good."""
        self.cut()
        self._listening.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # closed: nobody comes any more
            while True:
                here, _ = self._listening.accept()
                if not self._whole:
                    _end(here)
                    continue
                try:
                    there = socket.create_connection(self._to)
                except OSError:
                    _end(here)
                    continue
                self._open |= {here, there}
                for one, other in ((here, there), (there, here)):
                    threading.Thread(target=self._pass_on, args=(one, other), daemon=True).start()

    def _pass_on(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while some := one.recv(65536):
                other.sendall(some)
        self._open -= {one, other}
        _end(one)
        _end(other)


def _place(server: str) -> tuple[str, int]:
    host, port = server.removeprefix("http://").split(":")
    return host, int(port)


def _end(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
