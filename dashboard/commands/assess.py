"""``steadycount assess``: the whole answer for one moment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output, session
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store

if TYPE_CHECKING:
    from analytics.results import FleetAssessment

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
    store: Store = DEFAULT_STORE,
    config: Config = None,
    as_json: Json = False,
) -> int:
    """Say which probes are fit, which drift, why, and what to do, as the records had it at one moment.

    Nothing dated later changes the answer. Intervals are 90 %. Without --json: one line a probe, the worst first,
    then the check sources, jigs and control units that are to be seen to.

    \b
    Examples:
      steadycount assess --store fleet.duckdb
      steadycount assess --as-of 2024-03-31 --probe GP-001 --json --store fleet.duckdb
    """
    where = session.existing(store)

    from analytics.fleet import assess
    from analytics.records.reader import snapshot

    settings = session.settings_of(where, config)
    when = session.as_of(as_of, settings)
    with output.working("Assessing the fleet"):
        records = snapshot(where)
        if probe is not None and probe not in set(records.probes["probe"]):
            raise UserError(f"there is no probe `{probe}`", where="--probe", do="Case and leading zeros count.")
        assessment = assess(records, settings, when)
    if as_json:
        from analytics.answer import as_json as document

        output.print_json(document(assessment, probe=probe))
    else:
        _print(assessment, probe)
    return 0


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
                " ".join(one.reasons),
            ]
            for one in chosen
        ],
    )
    for device in (*assessment.sources, *assessment.jigs, *assessment.readouts):
        if probe is None and device.advice != "use":
            output.note(f"{device.kind} {device.name}: {device.advice}. {' '.join(device.reasons)}")
    output.note(
        f"As of {assessment.as_of}, revision {assessment.revision}, version {assessment.version}. "
        "Local rules and the physicist in charge come first."
    )
