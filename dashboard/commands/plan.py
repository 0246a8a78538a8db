"""``steadycount plan``: what to pull in, where and when."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

import typer

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store
from dashboard.commands.session import as_of, existing, settings_of

DEFAULT_HORIZON_DAYS = 91


def run(
    from_on: Annotated[
        str | None, typer.Option("--from", metavar="DATE", show_default=False, help="First day. [default: today]")
    ] = None,
    to_on: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="DATE", show_default=False, help=f"Last day. [default: {DEFAULT_HORIZON_DAYS} days on]"
        ),
    ] = None,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    as_json: Json = False,
) -> int:
    """Plan visits: checks that fall due, services that are forecast, sources to see to, and cover that is not kept.

    Everything stands on its own due date, put together by site and week.

    \b
    Example:
      steadycount plan --from 2024-04-01 --to 2024-06-30 --store fleet.duckdb
    """
    where = existing(store)

    from analytics import moment
    from analytics.advice.visits import plain_plan
    from analytics.fleet import assess
    from analytics.records.reader import snapshot

    settings = settings_of(where, config)
    now = as_of(None, settings)
    first = moment.parse_day(from_on, where="--from") if from_on else now.date()
    last = moment.parse_day(to_on, where="--to") if to_on else first + timedelta(days=DEFAULT_HORIZON_DAYS)
    with output.working("Assessing the fleet"):
        records = snapshot(where)
        plan = plain_plan(assess(records, settings, now), records, settings, first, last)
    if as_json:
        output.print_json(plan.as_json())
        return 0
    output.print_table(
        ["on", "site", "probe", "what", "why"],
        [
            [visit.on, visit.site, one.probe, one.kind.replace("_", " "), one.why]
            for visit in plan.visits
            for one in visit.probes
        ],
    )
    for source in plan.sources:
        by_when = f" by {source.replace_by}" if source.replace_by else ""
        output.note(f"Source {source.source}{by_when}: {source.why}.")
    for short in plan.uncovered:
        output.note(f"Cover, {short.site}, from {short.on}: {short.why}.")
    output.note(
        f"{len(plan.visits)} visits from {first} to {last}; "
        f"expected days beyond tolerance {output.known(plan.risk_days)}; cost {output.known(plan.cost)}."
    )
    return 0
