"""What ``steadycount design`` answers: how often a chart is wrong and how late it is right, before it is used.

Two uses. ``chart_rows`` checks a single textbook chart by its computed run lengths, in sigma. The user's form (a budget
of false alarms into limits, and limits into the price in days) and the chart core in force belong here as well, as
functions beside it that return dictionaries of plain numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from analytics.charts.combined import combined_rows
from analytics.charts.run_length import cusum_mean_run_lengths, ewma_mean_run_lengths, shewhart_mean_run_lengths
from analytics.errors import UserError

# What each chart must be given, and what it may be given.
_NEEDED = {"cusum": ("k", "h"), "ewma": ("weight", "limit"), "shewhart": ("limit",), "combined": ("arl0",)}
_OPTIONAL = {"cusum": ("head_start", "sides"), "ewma": ("limits", "head_start"), "shewhart": ("runs",), "combined": ()}


def chart_rows(
    chart: str, *, shifts: Sequence[float] = (), drifts: Sequence[float] = (), **parameters: Any
) -> dict[str, list[dict[str, float | None]]]:
    """Mean run lengths of one chart, shifts first, in the order asked; None where there is no finite mean.

    chart: "cusum" (k, h, optional head_start, sides), "ewma" (weight, limit, optional limits, head_start) or "shewhart"
    (limit, optional runs), or "combined"
    (arl0: the chart core in force, simulated, with its standard error). Shifts in sigma, drifts in sigma a reading (mean drift·t, t = 1, 2, …), zero state, the
    signalling reading counted. A missing, foreign or impossible parameter raises ``UserError``.

    >>> chart_rows("shewhart", limit=3.0, shifts=[0.0])
    {'rows': [{'shift': 0.0, 'mean_run_length': 370.398...}]}
    """
    if chart not in _NEEDED:
        raise UserError(f"`{chart}` is no chart whose run lengths are computed", where="--chart",
                        do=f"Name one of {', '.join(_NEEDED)}.")
    missing = [_option(name) for name in _NEEDED[chart] if name not in parameters]
    foreign = [_option(name) for name in parameters if name not in _NEEDED[chart] + _OPTIONAL[chart]]
    if missing:
        raise UserError(f"the {chart} chart needs {', '.join(missing)}", where="design", do="Add it.")
    if foreign:
        raise UserError(f"the {chart} chart has no {', '.join(foreign)}", where="design", do="Leave it out.")
    if not len(shifts) and not len(drifts):
        raise UserError("no shift and no drift was asked for", where="design", do="Add --shifts=0,1 or --drifts=0.1.")
    for name, sizes in (("--shifts", shifts), ("--drifts", drifts)):
        if not all(math.isfinite(size) for size in sizes):
            raise UserError("a size is not a finite number", where=name)
    if chart == "combined":
        return {"rows": combined_rows(float(parameters["arl0"]), shifts=shifts, drifts=drifts)}
    if chart == "shewhart" and "runs" in parameters:
        parameters["rules"] = parameters.pop("runs")
    compute: dict[str, Callable[..., list[float]]] = {
        "cusum": cusum_mean_run_lengths, "ewma": ewma_mean_run_lengths, "shewhart": shewhart_mean_run_lengths}
    lengths = compute[chart](**parameters, shifts=shifts, drifts=drifts)
    asked = [("shift", size) for size in shifts] + [("drift", size) for size in drifts]
    rows: list[dict[str, float | None]] = [
        {kind: size, "mean_run_length": length if math.isfinite(length) else None}
        for (kind, size), length in zip(asked, lengths, strict=True)]
    return {"rows": rows}


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")
