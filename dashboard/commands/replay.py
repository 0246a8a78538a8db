"""``steadycount replay``: what would have been said at the end of each earlier month, and what came of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store
from dashboard.commands.session import as_of, existing, settings_of

if TYPE_CHECKING:
    from analytics.replays.coverage import Coverage
    from analytics.replays.results import AlarmRate, Forecast, Replay

WORDS = {
    "held": "held",
    "sooner": "passed sooner",
    "later": "passed later, or not",
    "open": "still open",
    "already_passed": "had passed already",
}


def run(
    until: Annotated[
        str | None,
        typer.Option(
            "--until",
            metavar="TIME",
            show_default=False,
            help="Judge by what is dated at or before; a date is its whole day. [default: now]",
        ),
    ] = None,
    store: Store = DEFAULT_STORE,
    config: Config = None,
    as_json: Json = False,
) -> int:
    """Replay the analysis at the end of each earlier month, and hold what it said against what came.

    For every forecast whether its 90 % interval held the day on which the limit was passed, for every alert how long
    before or after the tolerance was passed it came, alarms a probe-year on probes later found sound, and how often a
    named cause was the one that was found. Records and settings are those of today.

    Without --json: one line a forecast, then the sums on standard error.

    \b
    Examples:
      steadycount replay --store fleet.duckdb
      steadycount replay --until 2024-03-31 --json --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.reader import snapshot
    from analytics.replay import replay

    settings = settings_of(where, config)
    when = as_of(until, settings, "--until")
    with output.progress("Reading the records") as tell:
        result = replay(snapshot(where), settings, when, tell)
    if as_json:
        from analytics.replays.document import as_json as document

        output.print_json(document(result))
        return 0
    _print(result)
    return 0


def _print(result: Replay) -> None:
    output.print_table(
        ["said at", "probe", "window", "limit", "not before", "about", "not after", "passed", "verdict"],
        [_row(one) for one in result.forecasts],
    )
    note = output.note
    note(
        f"{len(result.month_ends)} month ends up to {result.until:%Y-%m-%d}; tolerance {result.tolerance_pct:g} %; "
        f"revision {result.revision}, version {result.version}."
    )
    note(_coverage("Intervals with both ends (90 %)", result.coverage))
    note(_coverage("Early ends alone (95 %)", result.early_ends))
    note(result.recalibration.why)
    lead = result.lead_times
    note(
        f"{lead.drifts} drifts passed the tolerance, {lead.drifts_alarmed_before} alarmed before; median lead "
        f"{output.known(lead.drifts_median_days)} d. {lead.steps} steps passed it, {lead.steps_alarmed} alarmed; "
        f"median lead {output.known(lead.steps_median_days)} d."
    )
    note(_alarms(result.alarm_rate))
    if not result.causes:
        note("Causes: no outcomes recorded. Load a table `outcomes` with what each service found.")
    else:
        told = result.reliability
        note(f"Causes: {told.named} named before {len(result.causes)} findings, {told.right} of them right.")


def _row(one: Forecast) -> list[object]:
    doubt = " (in doubt)" if one.in_doubt else ""
    return [
        one.made_at.date(),
        one.probe,
        one.window,
        f"{one.limit_pct:g} %",
        one.p05,
        one.p50,
        one.p95,
        one.passed_on,
        WORDS[one.verdict] + doubt,
    ]


def _coverage(what: str, one: Coverage) -> str:
    if one.coverage_pct is None or one.interval_pct is None:
        return f"{what}: none decided, {one.open} still open."
    low, high = one.interval_pct
    return (
        f"{what}: {one.held} of {one.decided} decided held, {one.coverage_pct:.0f} % "
        f"(90 % interval {low:.0f} to {high:.0f} %, from {one.drifts} series); {one.sooner} passed sooner, "
        f"{one.later - one.not_passed} later, {one.not_passed} not by then; {one.open} still open."
    )


def _alarms(rate: AlarmRate) -> str:
    confirmed = (
        "Alarms on probes found sound: no outcome on record says so"
        if rate.confirmed_per_probe_year is None
        else f"Alarms on probes found sound: {rate.confirmed_alarms} in {rate.confirmed_probe_years:.1f} probe-years"
    )
    rest = (
        "no probe without a finding looks sound"
        if rate.unconfirmed_per_probe_year is None
        else f"on {rate.unconfirmed_probes} probes that look sound, unconfirmed: {rate.unconfirmed_alarms} in "
        f"{rate.unconfirmed_probe_years:.1f} probe-years ({rate.unconfirmed_per_probe_year:.3f} a probe-year)"
    )
    return f"{confirmed}; {rest}."
