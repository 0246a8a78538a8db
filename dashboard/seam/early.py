"""Everything that pages import, imported before the first of them is asked for, on one thread.

Visitors' pages run on threads of their own. Two that import the same modules for the first time, one from either end of a
chain, can each wait for the other; Python then lets one go on with half a module, and that page fails. It also spares
whoever first opens a probe or records a check a second of waiting.
The server answers meanwhile: a browser is busy with the files of its own for as long, and only its first page waits.
"""

from __future__ import annotations

import sys
from concurrent.futures import Future
from importlib import import_module
from threading import Thread

from dashboard.pages import PAGES
from dashboard.seam.place import store_path

LATE = (  # what is imported only inside functions
    "analytics.counting.checks",
    "analytics.counting.states",
    "analytics.charts.price_document",
    "analytics.records.typed_in",
    "analytics.records.drafts",
    "analytics.records.alerts",
    "analytics.records.alert_log",
    "analytics.records.standing",
    "analytics.records.store_settings",
    "analytics.advice.verdict",
    "dashboard.seam.reporting",
)


_begun: list[Future[None]] = []  # one, once it was begun


TURN_S = 0.001  # how long one thread may compute before another has its turn


def begin() -> None:
    """Have it all imported beside; asked again, nothing happens. From here on threads take turns as a server's must.

    A page hands each of its elements to the server's own thread and lets go of the interpreter with it. Until it had it back
    from another page that computes, it waited for Python's usual turn of 5 ms, a hundred times over: with one such beside it,
    the page of a probe took twice as long.
    """
    if _begun:
        return
    sys.setswitchinterval(TURN_S)
    done: Future[None] = Future()
    _begun.append(done)

    def work() -> None:
        try:
            load()
            _keep_engine()
        except BaseException as error:  # noqa: BLE001 - it belongs to whoever waits
            done.set_exception(error)
        else:
            done.set_result(None)

    Thread(target=work, daemon=True, name="imports").start()


def wait() -> None:
    """Return once it is there; raises what went wrong. At once where nobody began (a page run without a server)."""
    for one in _begun:
        one.result()


def load() -> None:
    """Import it all."""
    for one in PAGES:
        import_module(f"dashboard.views.{one.name}")
    for name in LATE:
        import_module(name)
    import numpy as np

    from analytics.counting.arrays import segmented_cumsum

    segmented_cumsum(np.ones((1, 1)), np.zeros(1, np.int64))  # so that what is compiled is read from its place


def _keep_engine() -> None:
    from analytics.records.store import keep_engine

    keep_engine(store_path())
