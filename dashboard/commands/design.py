"""``steadycount design``: how often a chart is wrong, and how late it is; for users, what their budget costs in days."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

import typer

from analytics.errors import UserError
from dashboard.commands import output, price
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store


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
    budget: Annotated[
        float | None,
        typer.Option("--budget", metavar="NUMBER", help="False alarms a probe-year, all rules together."),
    ] = None,
    cadence_days: Annotated[
        float | None, typer.Option("--cadence-days", metavar="DAYS", help="Days between checks.")
    ] = None,
    counts: Annotated[float | None, typer.Option("--counts", metavar="NUMBER", help="Net counts of one check.")] = None,
    repositioning_pct: Annotated[
        float | None,
        typer.Option("--repositioning-pct", metavar="PERCENT", help="Spread of repeated placing, one standard deviation."),
    ] = None,
    steps_pct: Annotated[
        str, typer.Option("--steps-pct", metavar="LIST", help="Sudden losses to price, in per cent, such as 1,5,10.")
    ] = "",
    drifts_pct_per_year: Annotated[
        str,
        typer.Option("--drifts-pct-per-year", metavar="LIST", help="Drifts to price, losses in per cent a year."),
    ] = "",
    chart: Annotated[
        Chart | None, typer.Option("--chart", help="Check a chart by itself, in sigma.", show_default=False)
    ] = None,
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
    store: Store = DEFAULT_STORE,
    config: Config = None,
    as_json: Json = False,
) -> int:
    """Say which limits keep a budget of false alarms, and its price: mean days until a step or a drift is signalled.

    The limits are those in force at that cadence. Noise is √(counting² + repositioning²). What is not given is taken
    from the store: its budget, and the medians of its fleet. Beside it stands what a fixed ±10 % on each check takes.

    With --chart: the mean number of readings to a signal of one chart. Computed, not simulated; only the core in force
    (`combined`: known reference, unit variance, no dead band) is walked on random readings, and says its standard error.
    Readings are independent N(mean, 1) from the first on; the signalling one is counted. A drift d has mean d, 2d, 3d …
    EWMA limits are ± limit · √(weight / (2 − weight)).

    \b
    Examples:
      steadycount design --budget 0.05 --cadence-days 7 --counts 5000 --repositioning-pct 1
      steadycount design --store fleet.duckdb --json
      steadycount design --chart cusum --k 0.5 --h 5 --shifts=0,0.5,1 --drifts=0.01,0.1
      steadycount design --chart ewma --weight 0.1 --limit 2.7 --shifts=0,1 --json
      steadycount design --chart shewhart --limit 3 --runs 1,2,3,4 --shifts=0
      steadycount design --chart combined --arl0 1000 --shifts=0,1
    """
    asked_of_fleet = {
        "budget": budget,
        "cadence_days": cadence_days,
        "counts": counts,
        "repositioning_pct": repositioning_pct,
    }
    wanted = {
        "steps_pct": _numbers(steps_pct, "--steps-pct"),
        "drifts_pct_per_year": _numbers(drifts_pct_per_year, "--drifts-pct-per-year"),
    }
    for_users = [
        price.option(name) for name, one in {**asked_of_fleet, **wanted}.items() if one is not None and one != ()
    ]
    of_chart = {
        "--shifts": shifts, "--drifts": drifts, "--k": k, "--h": h, "--head-start": head_start, "--sides": sides,
        "--weight": weight, "--limit": limit, "--limits": limits, "--runs": runs, "--arl0": arl0,
    }  # fmt: skip
    if chart is None:
        if foreign := [name for name, one in of_chart.items() if one not in (None, "")]:
            raise UserError(f"{', '.join(foreign)} belongs to a chart", where="design", do="Name it with --chart.")
        if not for_users and not store.is_file():
            raise UserError(
                "nothing was asked for",
                where="design",
                do="Give --budget, --cadence-days, --counts and --repositioning-pct, or a store of your own with "
                "--store, or a chart with --chart; see --help.",
            )
        return price.run(asked_of_fleet, wanted, store, config, as_json=as_json)
    if for_users:
        raise UserError(f"{', '.join(for_users)} cannot stand beside --chart", where="design", do="Ask for one of both.")

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
