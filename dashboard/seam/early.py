"""What pages import only when they need it, imported once the first page stands, so that no visitor waits a second for it."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from threading import Thread

NEEDED = (
    "analytics.counting.checks",
    "analytics.counting.states",
    "analytics.charts.price_document",
    "analytics.records.typed_in",
    "dashboard.seam.reporting",
    "dashboard.figures.story",
    "dashboard.figures.evidence",
    "dashboard.figures.plan_calendar",
)


@cache
def begin() -> Thread:
    """Import them beside the pages, once a process."""
    thread = Thread(target=_load, daemon=True, name="early")
    thread.start()
    return thread


def _load() -> None:
    for one in NEEDED:
        import_module(one)
    import numpy as np

    from analytics.counting.arrays import segmented_cumsum

    segmented_cumsum(np.ones((1, 1)), np.zeros(1, np.int64))  # so that what is compiled is read from its place
