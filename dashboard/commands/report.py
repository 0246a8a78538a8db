"""``steadycount report``: the answer on paper, as a workbook, as a table, or as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Store
from dashboard.commands.session import as_of as moment_of
from dashboard.commands.session import existing, settings_of

if TYPE_CHECKING:
    from datetime import date


def run(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", show_default=False, help="Where to: .pdf, .xlsx, .csv, .svg or .png.")
    ],
    probe: Annotated[str | None, typer.Option("--probe", metavar="ID", help="This probe only.")] = None,
    site: Annotated[str | None, typer.Option("--site", metavar="SITE", help="The probes of this site only.")] = None,
    from_on: Annotated[
        str | None,
        typer.Option("--from", metavar="DATE", show_default=False, help="First day told of. [default: a year before the last]"),
    ] = None,
    to_on: Annotated[
        str | None, typer.Option("--to", metavar="DATE", show_default=False, help="Last day told of. [default: today]")
    ] = None,
    as_of: Annotated[
        str | None,
        typer.Option(
            "--as-of",
            metavar="TIME",
            show_default=False,
            help="Use only what is dated at or before. [default: the end of --to, or now]",
        ),
    ] = None,
    look_back: Annotated[
        bool,
        typer.Option(
            "--look-back", help="Of a probe found out of tolerance: since when, how far off, and the uses in between."
        ),
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file that is there already.")] = False,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
) -> int:
    """Write a report on the fleet, a site or a probe. The ending decides what it is.

    .pdf: to print and sign, tagged for screen readers (PDF/UA-1). .xlsx: every table a sheet, texts never formulas.
    .csv: one row a charted quantity with the answer on its probe. .svg, .png: the picture alone, of the fleet or with
    --probe of its response.

    What is shown is what `assess` answers; the settings in force, data revision, version, time, person and the head of
    the history stand on it. A file that is there is not replaced unless --overwrite says so.

    --look-back tells the interval of doubt: the last check that was good, the likely response since with its 90 %
    interval, and the recorded uses. A probe that was never out of tolerance gets a document that says so.

    \b
    Examples:
      steadycount report --out fleet.pdf --store fleet.duckdb
      steadycount report --out q1.xlsx --site North --from 2024-01-01 --to 2024-03-31 --store fleet.duckdb
      steadycount report --out doubt.pdf --look-back --probe GP-001 --store fleet.duckdb
    """
    from dashboard.report.write import ending, rendered, writable, write

    form = ending(out)
    if look_back and probe is None:
        raise UserError("a look back is on one probe", where="--look-back", do="Name it with --probe.")
    if probe is not None and site is not None:
        raise UserError("a report is on a probe or on a site", where="--site", do="Leave one of the two out.")
    where = existing(store)
    if out.exists() and out.samefile(where):
        raise UserError("this is the store itself", where=str(out), do="Name another file.")
    writable(out, overwrite=overwrite)

    from analytics import moment

    settings = settings_of(where, config)
    now = moment_of(None, settings)
    first: date | None = moment.parse_day(from_on, where="--from") if from_on else None
    last: date | None = moment.parse_day(to_on, where="--to") if to_on else None
    at = moment_of(as_of, settings) if as_of else None
    if last is not None and last > now.date() and at is None:
        output.note(f"The period would end on {last}; nothing is known after {now.date()}, and it ends there.")
        last = now.date()

    from analytics.fleet import assess
    from analytics.records.alert_log import said_so_far
    from analytics.records.papers import papers
    from dashboard.report.gathered import Scope, gather, period

    span = period(now, first, last, at)
    with output.progress("Reading the records") as tell:
        read = papers(where)
        tell("Assessing the fleet", 0.1)
        given = gather(
            read,
            settings,
            lambda when: assess(read.records, settings, when),
            span,
            Scope(site, probe),
            by=by,
            made_at=now,
            compare=not look_back,
            shown=None if config is not None or look_back else lambda now: said_so_far(where, now, read.records.readings),
        )
        tell("Writing it down", 0.7)
        if look_back:
            from dashboard.report.looking_back import look_back_report

            made = look_back_report(given)
        else:
            from dashboard.report.content import report

            made = report(given)
        content = rendered(made, form)
        write(out, content, overwrite=overwrite)
    if look_back:
        output.note(made.sections[0].sentences[0])
    output.note(f"{out}: {made.subject}, as of {made.as_of:%Y-%m-%d %H:%M}, revision {given.assessment.revision}.")
    return 0
