"""``steadycount exclude``: a reading hidden from the analysis, with a reason, and taken back."""

from __future__ import annotations

from typing import Annotated

import typer

from analytics.errors import UserError
from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, By, Config, Json, Reason, Store
from dashboard.commands.readings import Measurement, Probe, TakenAt, Window, pick
from dashboard.commands.session import existing, settings_of


def run(
    readings: Annotated[
        list[int] | None, typer.Argument(metavar="[READING…]", help="Ids of readings, as --list shows them.")
    ] = None,
    probe: Probe = None,
    taken_at: TakenAt = None,
    window: Window = None,
    measurement: Measurement = None,
    reason: Reason = "",
    take_back: Annotated[bool, typer.Option("--take-back", help="Let the analysis see them again.")] = False,
    list_them: Annotated[
        bool,
        typer.Option(
            "--list", help="Change nothing: list the readings that are meant, or, none named, what is excluded."
        ),
    ] = False,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    by: By = "",
    as_json: Json = False,
) -> int:
    """Hide readings from the analysis, with a reason; they stay in the store and show hollow on the charts.

    Readings are named by id, or by probe and time (and window, and measurement); all that fit are meant.

    \b
    Examples:
      steadycount exclude --probe GP-001 --list --store fleet.duckdb
      steadycount exclude 1207 --reason "source lay beside the jig" --store fleet.duckdb
      steadycount exclude 1207 --take-back --reason "it had not" --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.people import exclude, exclusions, include

    if list_them and not readings and probe is None:
        _show(exclusions(where), "exclusions", as_json)
        return 0
    time_zone = settings_of(where, config).site.time_zone
    chosen = pick(where, readings or [], probe, taken_at, window, measurement, time_zone)
    if list_them:
        _show(chosen, "readings", as_json)
        return 0
    if not reason.strip():
        raise UserError("no reason is given", where="--reason", do="Say why; it stands in the history.")
    ids = [int(one) for one in chosen["reading_id"]]
    (include if take_back else exclude)(where, ids, by=by, reason=reason)
    done = "seen by the analysis again" if take_back else "hidden from the analysis"
    if as_json:
        output.print_json({"readings": ids, "excluded": not take_back})
    else:
        output.note(
            f"{len(ids)} {'reading is' if len(ids) == 1 else 'readings are'} {done}: {', '.join(map(str, ids))}."
        )
    return 0


def _show(frame: object, name: str, as_json: bool) -> None:
    if as_json:
        output.print_json({name: output.records(frame)})
    else:
        output.print_frame(frame)
