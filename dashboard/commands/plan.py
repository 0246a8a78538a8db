"""``steadycount plan``: what to pull in, where and when."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store
from dashboard.commands.session import as_of, existing, settings_of

if TYPE_CHECKING:
    from analytics.advice.plan_result import Plan

DEFAULT_HORIZON_DAYS = 91
MOST_GAP_PCT = 1.0


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
    ics: Annotated[
        Path | None,
        typer.Option("--ics", metavar="FILE", show_default=False, help="Also write the visits as a calendar (RFC 5545)."),
    ] = None,
) -> int:
    """Plan visits: checks that fall due, services that are forecast, sources to replace, and cover that cannot be kept.

    Visits are chosen so that few are needed, little is risked and each site keeps its fit probes; never worse than each
    probe on its own due date. Frequent constancy checks are the site's own rounds. A plan that begins before today is the one
    that would have been made on its first day, from what is dated up to then.

    \b
    Example:
      steadycount plan --from 2024-04-01 --to 2024-06-30 --ics visits.ics --store fleet.duckdb
    """
    where = existing(store)

    from analytics import moment
    from analytics.advice.visits import sound_horizon
    from analytics.cut import cut
    from analytics.fleet import assess
    from analytics.planning.calendar_file import calendar, newest_record
    from analytics.planning.service_plan import service_plan
    from analytics.records.loans import loans
    from analytics.records.reader import snapshot

    settings = settings_of(where, config)
    now = as_of(None, settings)
    first = moment.parse_day(from_on, where="--from") if from_on else now.date()
    last = moment.parse_day(to_on, where="--to") if to_on else _later(first)
    past = first < now.date()
    if past:
        now = datetime.combine(first, time.max)
    sound_horizon(now.date(), first, last)
    if ics is not None:
        writable(ics)
    with output.progress("Assessing the fleet") as step:
        records = cut(snapshot(where), now)
        lent = [one for one in loans(where) if not past or one.from_on <= first]
        plan = service_plan(assess(records, settings, now), records, settings, first, last, lent, progress=step)
    if past:
        output.note(f"Made as of {first}: nothing dated later is used.")
    if ics is not None:
        _write(ics, calendar(plan, newest_record(records, now), settings.site.time_zone))
        output.note(f"{len(plan.visits)} visits written to {ics}.")
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
    for sentence in remarks(plan):
        output.note(sentence)
    return 0


def _later(first: date) -> date:
    """The day on which a plan ends that nobody gave an end."""
    return first + timedelta(days=min(DEFAULT_HORIZON_DAYS, (date.max - first).days))


def _write(file: Path, content: bytes) -> None:
    try:
        file.write_bytes(content)
    except OSError as error:
        why = error.strerror or "it cannot be written"
        raise UserError(f"the calendar was not written: {why}", where=str(file), do="Name another file.") from error


def writable(file: Path) -> None:
    """UserError where the calendar file could not be written, before anything is worked out."""
    if file.is_dir() or not file.parent.is_dir():
        raise UserError("no file can be written here", where=str(file), do="Name a file in a folder that exists.")


def remarks(plan: Plan) -> list[str]:
    """What stands under the table: rounds, sources, loans, cover, and what the plan comes to."""
    said = []
    if plan.rounds:
        they = "1 probe is" if len(plan.rounds) == 1 else f"{len(plan.rounds)} probes are"
        said.append(f"{they} checked by the site's own people in between (`--json` lists them).")
    for source in plan.sources:
        by_when = f" by {source.replace_by}" if source.replace_by else ""
        said.append(f"Source {source.source}{by_when}: {source.why.rstrip('.')}.")
    said += [
        f"Lend {one.probe} of {one.from_site} to {one.to_site}, {one.from_on} to {one.to_on}: {one.why}."
        for one in plan.loans
    ]
    said += [f"Cover, {one.site}, {one.on} to {one.until}: {one.why}." for one in plan.uncovered]
    said.append(_sums("Plan", len(plan.visits), plan.risk_days, plan.cost, plan.days_short, plan.from_on, plan.to_on))
    if (due := plan.due_dates) is not None:
        said.append(
            _sums(
                "Each on its own due date", due.visits, due.risk_days, due.cost, due.days_short, plan.from_on, plan.to_on
            )
        )
    if plan.cost_missing:
        said.append(f"The cost is not known: no price is set for {', '.join(plan.cost_missing)}.")
    if plan.gap_pct is not None and plan.gap_pct > MOST_GAP_PCT:
        said.append(f"Time ran out: a better plan may exist, by {plan.gap_pct:.1f} % at most.")
    return said


def _sums(
    what: str, visits: int, risk_days: float | None, cost: float | None, short: int, first: object, last: object
) -> str:
    return (
        f"{what}: {visits} {'visit' if visits == 1 else 'visits'} from {first} to {last}; expected days beyond tolerance {output.known(risk_days)}; "
        f"cost {'not known' if cost is None else f'{cost:.2f}'}; probe-days short of cover {short}."
    )
