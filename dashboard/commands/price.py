"""What ``steadycount design`` answers users: the price of a budget, from what was typed and what the store knows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.errors import UserError
from dashboard.commands import output, session

if TYPE_CHECKING:
    from analytics.charts.price_basis import Basis
    from analytics.settings import Settings


def option(name: str) -> str:
    """The option of that parameter.

    >>> option("cadence_days")
    '--cadence-days'
    """
    return "--" + name.replace("_", "-")


def run(
    given: Mapping[str, float | None],
    wanted: Mapping[str, Sequence[float]],
    store: Path,
    config: Path | None,
    *,
    as_json: bool,
) -> int:
    """Answer the question; parameters that are None come from the settings and the store."""
    from analytics.charts.price import Situation
    from analytics.charts.price_document import price_document

    settings = session.settings_of(store, config)
    full = {name: one for name, one in given.items() if one is not None}
    full.setdefault("budget", settings.alarms.budget_per_probe_year)
    if missing := [name for name in given if name not in full]:
        full |= _of_fleet(missing, store, settings)
    situation = Situation(
        budget_per_probe_year=full["budget"],
        cadence_days=full["cadence_days"],
        counts=full["counts"],
        repositioning_pct=full["repositioning_pct"],
        dead_band_pct=settings.limits.dead_band_pct,
    )
    document = price_document(
        situation,
        **{name: sizes for name, sizes in wanted.items() if sizes},
        reference_readings=settings.reference.readings,
        window_cadence_days=settings.schedule.window_check_days,
    )
    if as_json:
        output.print_json(document)
    else:
        _print(document)
    return 0


def _of_fleet(missing: Sequence[str], store: Path, settings: Settings) -> dict[str, float]:
    """What was not typed, as the medians of the store's own fleet."""
    options = ", ".join(map(option, missing))
    if not store.is_file():
        raise UserError(
            f"{options} not given, and there is no store to take it from",
            where="design",
            do="Give it, such as --cadence-days 7 --counts 5000 --repositioning-pct 1, or name a store with --store.",
        )
    from analytics.charts.price_basis import basis_of
    from analytics.fleet import assess
    from analytics.records.reader import snapshot

    with output.working("Looking at the fleet"):
        records = snapshot(store)
        found: Basis = basis_of(assess(records, settings, session.as_of(None, settings)), records.readings)
    values: dict[str, float | None] = {
        "cadence_days": found.cadence_days,
        "counts": found.counts,
        "repositioning_pct": found.repositioning_pct,
    }
    known = {name: one for name in missing if (one := values[name]) is not None}
    if lacking := [option(name) for name in missing if name not in known]:
        raise UserError(
            f"the records do not tell {', '.join(lacking)} yet", where=str(store), do="Give it on the command line."
        )
    said = ", ".join(f"{option(name)} {value:.4g}" for name, value in known.items())
    output.note(f"From {found.checks} checks of {store.name} in their newest year: {said}.")
    return known


def _print(document: dict[str, Any]) -> None:
    asked, noise, alarms = document["asked"], document["noise"], document["false_alarms_per_probe_year"]
    fixed = document["fixed_limit_pct"]
    output.print_table(
        ["a loss of", "signalled after", "checks", "lost by then", "without dead band", f"by ±{fixed:g} % fixed"],
        [
            *(_row(f"{one['loss_pct']:g} % at once", one) for one in document["steps"]),
            *(_row(f"{one['loss_pct_per_year']:.3g} % a year", one) for one in document["drifts"]),
        ],
    )
    output.print_table(
        ["to keep the budget", "share", "false alarms a year", "checks between", "signals at"],
        [
            [
                one["what"],
                f"{100 * one['share']:g} %",
                f"{one['false_alarms_per_probe_year']:.3g}",
                f"{one['checks_between_false_alarms']:.0f}",
                _thresholds(one),
            ]
            for one in document["limits"]["shares"]
        ],
    )
    newest = "; ".join(f"{one['checks']}: {one['off_pct']:.1f} %" for one in document["limits"]["mean_of_newest"])
    output.note(f"The response signals once the mean of its newest checks lies off by so much, by their number: {newest}.")
    output.note(
        f"A check scatters by {noise['check_pct']:.2f} % ({noise['counting_pct']:.2f} % counting, "
        f"{noise['repositioning_pct']:.2f} % placing). The dead band of {asked['dead_band_pct']:g} % brings the response from "
        f"{alarms['response_allowed']:.3g} to {alarms['response_behind_dead_band']:.2g} false alarms a probe-year and is the "
        "room for what the shared movement leaves over."
    )
    output.note(
        f"A fixed ±{fixed:g} % on each check would give {alarms['fixed_limit']:.2g} false alarms a probe-year at this scatter."
    )
    step, drift = _samples(document["counting_time"][0])
    output.print_table(
        ["counting time", "a check scatters by", *_headings(step, drift)],
        [
            [
                "endless" if one["times"] is None else f"{one['times']:g} times",
                f"{one['check_pct']:.2f} %",
                days(one[step]),
                days(one[drift]),
            ]
            for one in document["counting_time"]
        ],
    )
    output.print_table(
        ["checked every", *_headings(step, drift)],
        [[days(one["cadence_days"]), days(one[step]), days(one[drift])] for one in document["cadence"]],
    )
    output.print_table(
        ["false alarms a probe-year", *_headings(step, drift)],
        [[f"{one['budget_per_probe_year']:g}", days(one[step]), days(one[drift])] for one in document["budget"]],
    )
    for sentence in document["assumed"]:
        output.note(sentence)
    output.note("A decision aid: local rules and the physicist in charge come first.")


def _samples(row: Mapping[str, Any]) -> tuple[str, str]:
    step, drift = (name for name in row if name.startswith("days_"))
    return step, drift


def _headings(step: str, drift: str) -> tuple[str, str]:
    return f"{step.split('_')[2]} % at once", f"{drift.split('_')[2]} % a year"


def _row(what: str, one: Mapping[str, Any]) -> list[object]:
    return [
        what,
        days(one["days"]),
        None if one["checks"] is None else f"{one['checks']:.3g}",
        None if one["lost_by_then_pct"] is None else f"{one['lost_by_then_pct']:.1f} %",
        days(one["days_without_dead_band"]),
        days(one["days_fixed_limit"]),
    ]


def days(value: float | None) -> str:
    """Days as a person reads them; decades and what never comes as such.

    >>> days(14.04), days(898.3), days(915466.9), days(None)
    ('14 d', '2.5 a', 'not in a century', 'not in a century')
    """
    if value is None or value > 36525:
        return "not in a century"
    return f"{value:.3g} d" if value < 730 else f"{value / 365.25:.2g} a"


def _thresholds(one: Mapping[str, Any]) -> str:
    units = {"_nats": "nats", "_sd": "sd"}
    parts = []
    for name, value in one.items():
        unit = next((word for end, word in units.items() if name.endswith(end)), "z²" if name == "scatter_sum" else None)
        if unit is not None:
            rise = "rise " if name.startswith("rise_") else ""
            parts.append(f"{rise}{value:.3g} {unit}")
    return ", ".join(parts)
