"""``steadycount design``: how often a chart is wrong, and how late it is."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import Config, Json


class Chart(StrEnum):
    """The charts whose run lengths can be asked for."""

    CUSUM = "cusum"
    EWMA = "ewma"
    SHEWHART = "shewhart"
    COMBINED = "combined"


class Limits(StrEnum):
    """Limits of an EWMA: those it ends at, or those of each reading."""

    FIXED = "fixed"
    VARYING = "varying"


def run(
    chart: Annotated[Chart, typer.Option("--chart", help="The chart.", show_default=False)],
    shifts: Annotated[str, typer.Option("--shifts", metavar="LIST", help="Steps, in sigma, such as 0,0.5,1.")] = "",
    drifts: Annotated[
        str, typer.Option("--drifts", metavar="LIST", help="Drifts, in sigma a reading, such as 0.01,0.1.")
    ] = "",
    k: Annotated[float | None, typer.Option("--k", help="CUSUM: reference value, in sigma.")] = None,
    h: Annotated[float | None, typer.Option("--h", help="CUSUM: threshold, in sigma.")] = None,
    head_start: Annotated[
        float | None, typer.Option("--head-start", help="CUSUM: where the sums begin, in sigma.")
    ] = None,
    sides: Annotated[int | None, typer.Option("--sides", help="CUSUM: 1 or 2.")] = None,
    weight: Annotated[float | None, typer.Option("--weight", help="EWMA: weight of the newest reading.")] = None,
    limit: Annotated[
        float | None, typer.Option("--limit", help="EWMA, Shewhart: limit, in sigma of what is charted.")
    ] = None,
    limits: Annotated[
        Limits | None, typer.Option("--limits", help="EWMA: limits it ends at, or those of each reading.")
    ] = None,
    runs: Annotated[
        str | None, typer.Option("--runs", metavar="LIST", help="Shewhart: run rules, such as 1,2,3,4.")
    ] = None,
    arl0: Annotated[
        float | None, typer.Option("--arl0", help="Combined: readings between false alarms, 20 to 1e8.")
    ] = None,
    config: Config = None,  # noqa: ARG001 - every command takes it
    as_json: Json = False,
) -> int:
    """Compute the mean number of readings to a signal of a chart, for steps and drifts.

    Computed, not simulated; only the core in force (`combined`: known reference, unit variance, no dead band) is walked on
    random readings, and says its standard error.

    Readings are independent N(mean, 1) from the first on; the signalling one is counted. A drift d has mean d, 2d, 3d …
    EWMA limits are ± limit · √(weight / (2 − weight)).

    \b
    Examples:
      steadycount design --chart cusum --k 0.5 --h 5 --shifts=0,0.5,1 --drifts=0.01,0.1
      steadycount design --chart ewma --weight 0.1 --limit 2.7 --shifts=0,1 --json
      steadycount design --chart shewhart --limit 3 --runs 1,2,3,4 --shifts=0
      steadycount design --chart combined --arl0 1000 --shifts=0,1
    """
    from analytics.charts.design import chart_rows

    given: dict[str, Any] = {
        "k": k,
        "h": h,
        "head_start": head_start,
        "sides": sides,
        "weight": weight,
        "limit": limit,
        "limits": limits.value if limits else None,
        "runs": _whole(runs, "--runs") if runs else None,
        "arl0": arl0,
    }
    asked = {"shifts": _numbers(shifts, "--shifts"), "drifts": _numbers(drifts, "--drifts")}
    answer = chart_rows(chart.value, **asked, **{name: one for name, one in given.items() if one is not None})
    if as_json:
        output.print_json(answer)
        return 0
    output.print_table(
        ["", "size (sigma)", "mean readings to a signal"],
        [
            [
                ("step" if "shift" in row else "drift"),
                row.get("shift", row.get("drift")),
                "no finite mean" if row["mean_run_length"] is None else f"{row['mean_run_length']:.6g}",
            ]
            for row in answer["rows"]
        ],
    )
    return 0


def _numbers(text: str, option: str) -> tuple[float, ...]:
    try:
        return tuple(float(one) for one in text.split(",") if one.strip())
    except ValueError as error:
        raise UserError(
            f"`{text}` is no list of numbers", where=option, do=f"Write it as {option}=-0.25,0,0.5."
        ) from error


def _whole(text: str, option: str) -> tuple[int, ...]:
    try:
        return tuple(int(one) for one in text.split(",") if one.strip())
    except ValueError as error:
        raise UserError(
            f"`{text}` is no list of whole numbers", where=option, do=f"Write it as {option}=1,2."
        ) from error
