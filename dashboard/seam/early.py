"""Everything that pages import, imported before the first of them is asked for, on one thread.

Visitors' pages run on threads of their own. Two that import the same modules for the first time, one from either end of a
chain, can each wait for the other; Python then lets one go on with half a module, and that page fails. It also spares
whoever first opens a probe or records a check a second of waiting.
"""

from __future__ import annotations

from importlib import import_module

from dashboard.pages import PAGES

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


def load() -> None:
    """Import it all."""
    for one in PAGES:
        import_module(f"dashboard.views.{one.name}")
    for name in LATE:
        import_module(name)
    import numpy as np

    from analytics.counting.arrays import segmented_cumsum

    segmented_cumsum(np.ones((1, 1)), np.zeros(1, np.int64))  # so that what is compiled is read from its place
