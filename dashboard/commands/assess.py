"""``steadycount assess``: the whole answer for one moment."""

from __future__ import annotations

from contextlib import nullcontext
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import hook, output, session, shown
from dashboard.commands.group import SOMETHING_NEW
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from analytics.records.rewind import Past
    from analytics.records.snapshot import Records
    from analytics.results import FleetAssessment
    from analytics.settings import Settings
    from analytics.spread.team import Other


class Engine(StrEnum):
    """What works the answer out."""

    LOCAL = "local"
    DASK = "dask"


WORST_FIRST = ("retire", "service", "undetermined", "watch", "use")


def run(
    as_of: Annotated[
        str | None,
        typer.Option(
            "--as-of",
            metavar="TIME",
            show_default=False,
            help="Use only what is dated at or before; a date is its whole day. [default: now]",
        ),
    ] = None,
    probe: Annotated[str | None, typer.Option("--probe", metavar="ID", help="This probe only.")] = None,
    new_since: Annotated[
        int | None,
        typer.Option(
            "--new-since",
            metavar="REVISION",
            help="Name what this answer has that the one at that revision had not; ends with 4 if anything.",
        ),
    ] = None,
    engine: Annotated[
        Engine, typer.Option("--engine", help="Work it out here, or in parts on a Dask cluster (extra `scale`); the answer is the same.")
    ] = Engine.LOCAL,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            show_default=False,
            help="With --engine dask: the scheduler of a running cluster. [default: workers on this machine]",
        ),
    ] = None,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    as_json: Json = False,
) -> int:
    """Say which probes are fit, which drift, why, and what to do, as the records had it at one moment.

    Nothing dated later changes the answer. Intervals are 90 %. Without --json: one line a probe, the worst first,
    then the check sources, jigs and control units that are to be seen to.

    For a scheduler: --new-since REVISION names new alarms and changed advice on standard error, hands them to the
    command of the setting alarms.on_new (one sentence a line on its standard input, the store's path and revision as
    STEADYCOUNT_STORE and STEADYCOUNT_REVISION), and ends with 4. Every answer carries its revision.

    The whole fleet as of now under the store's own settings is entered in the store's log of alerts that were shown.

    \b
    Examples:
      steadycount assess --store fleet.duckdb
      steadycount assess --as-of 2024-03-31 --probe GP-001 --json --store fleet.duckdb
      steadycount assess --new-since 17 --store fleet.duckdb
      steadycount assess --engine dask --scheduler tcp://scheduler:8786 --json --store fleet.duckdb
    """
    if scheduler is not None and engine is not Engine.DASK:
        raise UserError("a scheduler is of use with --engine dask only", where="--scheduler", do="Add --engine dask.")
    from analytics.spread import team

    where = session.existing(store)
    # The process beside this one is started before anything heavy is imported: both then start up at the same time.
    with team.uncollected(), team.beside(where) if engine is Engine.LOCAL else nullcontext() as other:
        settings = session.settings_of(where, config)
        when = session.as_of(as_of, settings)
        with output.working("Assessing the fleet") as tell:
            past = None
            if new_since is not None:
                from analytics.records.rewind import records_at

                past = records_at(where, new_since)
            if engine is Engine.LOCAL:
                assessment = _here(where, settings, when, probe, other, tell)
            else:
                assessment = _on_dask(where, settings, when, probe, scheduler)
        if as_json:
            _print_json(assessment, probe)
    if not as_json:
        _print(assessment, probe)
    if as_of is None and probe is None and config is None:
        shown.enter(where, assessment)
    if past is None:
        return 0
    with output.working("Comparing with what was known then"):
        new = _new_since(past, config, assessment)
    for sentence in new:
        output.note(sentence)
    if not new:
        output.note(f"Nothing is new since revision {new_since}.")
        return 0
    hook.tell(settings.alarms.on_new, new, where, assessment.revision)
    return SOMETHING_NEW


def _here(
    where: Path, settings: Settings, when: datetime, probe: str | None, other: Other | None, tell: Callable[[str], None]
) -> FleetAssessment:
    """The answer worked out on this machine: by this process and the one beside it, or by this one where there is none."""
    from analytics.spread import team

    if other is not None:
        known = team.overview(where)
        _must_know(probe, known.small)
        try:
            return team.assess_store(known, settings, when, other, tell)
        except team.AloneError as why:
            if str(why):
                output.note(f"Going on in one process: {why}.")
    from analytics.fleet import assess
    from analytics.records.reader import snapshot

    records = snapshot(where)
    _must_know(probe, records)
    return assess(records, settings, when)


def _on_dask(where: Path, settings: Settings, when: datetime, probe: str | None, scheduler: str | None) -> FleetAssessment:
    """The answer worked out on a cluster."""
    from analytics.records.reader import snapshot
    from analytics.spread.dask_mapper import assess_on_dask, cluster

    records = snapshot(where)
    _must_know(probe, records)
    with cluster(scheduler) as client:
        return assess_on_dask(records, settings, when, client)


def _must_know(probe: str | None, records: Records) -> None:
    if probe is not None and probe not in set(records.probes["probe"]):
        raise UserError(f"there is no probe `{probe}`", where="--probe", do="Case and leading zeros count.")


def _new_since(past: Past, config: Path | None, assessment: FleetAssessment) -> tuple[str, ...]:
    """What is new against the answer that the records of then gave when they came to be."""
    from analytics import moment
    from analytics import settings as setting_layers
    from analytics.fleet import assess
    from analytics.news import news

    run_only = [setting_layers.from_directory(config)] if config is not None else []
    settings = setting_layers.load(past.settings_layer, *run_only)
    then = assessment.as_of
    if past.committed_at_utc is not None:
        then = min(then, moment.site_time(past.committed_at_utc, settings.site.time_zone))
    return news(assess(past.records, settings, then), assessment)


def _print_json(assessment: FleetAssessment, probe: str | None) -> None:
    from analytics.answer import as_json

    output.print_json(as_json(assessment, probe=probe), ready=True)


def _print(assessment: FleetAssessment, probe: str | None) -> None:
    chosen = [one for one in assessment.probes if probe is None or one.probe == probe]
    chosen.sort(key=lambda one: (WORST_FIRST.index(one.advice), one.site, one.probe))
    output.print_table(
        ["probe", "site", "advice", "patient use", "cause", "because"],
        [
            [
                one.probe,
                one.site,
                one.advice,
                one.patient_use.replace("_", " "),
                one.cause.replace("_", " "),
                " ".join((*one.missing, *one.reasons)),
            ]
            for one in chosen
        ],
    )
    for device in (*assessment.sources, *assessment.jigs, *assessment.readouts):
        if probe is None and device.advice != "use":
            output.note(f"{device.kind} {device.name}: {device.advice}. {' '.join(device.reasons)}")
    output.note(
        f"As of {assessment.as_of:%Y-%m-%d %H:%M}, revision {assessment.revision}, version {assessment.version}. "
        "Local rules and the physicist in charge come first."
    )
