"""The tables of a report, one function each: the same numbers as the answer, nothing computed anew."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from analytics.advice.overdue import due_checks
from analytics.advice.withdrawn import withdrawn_since
from analytics.answer import number
from analytics.cut import cut
from analytics.results import Crossing, DeviceResult, ProbeResult, SeriesResult
from analytics.settings import Settings, shipped
from dashboard.parts import values
from dashboard.parts.decision_rows_said import conditions_said
from dashboard.parts.direction import goes
from dashboard.parts.words import CAUSE, DEVICE, DEVICE_KIND, PROBE, RULE
from dashboard.report.gathered import Gathered
from dashboard.report.model import Column, Table, rows_of
from dashboard.seam.digest import RANK, changes, headline

USE_WORDS = {"allowed": "yes", "repeat_first": "after a good check", "not_until_cleared": "not until cleared"}


def overdue_of(given: Gathered) -> dict[str, str]:
    """What is overdue by probe, in a few words; overdue as the analysis has it, and nothing of a withdrawn probe."""
    records = cut(given.papers.records, given.assessment.as_of)
    gone = set(withdrawn_since(records, given.assessment.as_of).index)
    out: dict[str, list[str]] = {}
    for one in due_checks(records.readings, given.settings, given.assessment.as_of):
        if one.overdue and one.probe not in gone:
            out.setdefault(one.probe, []).append(f"{one.kind} since {one.due_on}")
    return {probe: "; ".join(words) for probe, words in out.items()}


def probes_in_scope(given: Gathered) -> list[ProbeResult]:
    """Worst first, then by name."""
    mine = given.scope.probes(given.assessment)
    return sorted((p for p in given.assessment.probes if p.probe in mine), key=lambda p: (RANK[p.advice], p.probe))


PROBES = (
    Column("probe", "Probe", width="1.1fr"),
    Column("site", "Site", width="1.1fr"),
    Column("answer", "Answer", width="1.3fr"),
    Column("patient_use_words", "Patient use", width="1fr"),
    Column("cause_words", "Likely cause", width="1.5fr"),
    Column("current_pct", "Now, %", "number", 4, "auto"),
    Column("drift_pct_per_year", "Drift, %/a", "change", width="auto"),
    Column("passes", "Passes a limit (90 %)", width="1.8fr"),
    Column("overdue", "Overdue", "said", width="1.1fr"),
    Column("crossing_limit_pct", "Limit, %", "number", 3),
    Column("crossing_p05", "Passes it: not before", "day"),
    Column("crossing_p50", "about", "day"),
    Column("crossing_p95", "not after", "day"),
    Column("latest_check_at", "Last check", "moment"),
    Column("next_check_due_on", "Next check due", "day"),
    Column("advice", "advice"),
    Column("patient_use", "patient_use"),
    Column("cause", "cause"),
    Column("cause_probability", "cause_probability", "number"),
    Column("reasons", "Reasons"),
)


def _passes(crossing: Crossing | None) -> str:
    """When a limit is passed, in a few words."""
    if crossing is None or crossing.p05 is None:
        return ""
    about = f"about {values.day(crossing.p50)}, " if crossing.p50 else ""
    until = f" to {values.day(crossing.p95)}" if crossing.p95 else " or later"
    return f"{crossing.limit_pct:g} %: {about}{values.day(crossing.p05)}{until}"


def probe_table(given: Gathered) -> Table:
    """One row a probe, with the response that speaks for it."""
    spoken, overdue = headline(given.assessment), overdue_of(given)
    rows = []
    for p in probes_in_scope(given):
        s = spoken.get(p.probe)
        rows.append(
            {
                "probe": p.probe,
                "site": p.site,
                "answer": f"{PROBE[p.advice].mark} {PROBE[p.advice].word}",
                "patient_use_words": USE_WORDS[p.patient_use],
                "cause_words": "" if p.cause == "none" else CAUSE[p.cause],
                "passes": _passes(s.crossing) if s is not None else "",
                "overdue": overdue.get(p.probe, ""),
                "latest_check_at": p.latest_check_at,
                "next_check_due_on": p.next_check_due_on,
                "advice": p.advice,
                "patient_use": p.patient_use,
                "cause": p.cause,
                "cause_probability": number(p.cause_probability),
                "reasons": " ".join((*p.missing, *p.reasons)),
                **(_numbers(s) if s is not None else {}),
                **({} if s is None or goes(p, s) else {"drift_pct_per_year": None}),  # as on the page of the fleet
            }
        )
    return Table(
        "Probes", "Every probe", PROBES, rows_of(PROBES, rows), "No probe is registered.", names(PROBES[:9])
    )


def _numbers(s: SeriesResult) -> dict[str, Any]:
    crossing = s.crossing
    within = crossing.probability_within_days if crossing else {}
    return {
        "current": number(s.current),
        "current_low": number(s.current_interval[0]) if s.current_interval else None,
        "current_high": number(s.current_interval[1]) if s.current_interval else None,
        "current_pct": number(s.current_pct),
        "drift_per_year": number(s.drift_per_year),
        "drift_low": number(s.drift_interval[0]) if s.drift_interval else None,
        "drift_high": number(s.drift_interval[1]) if s.drift_interval else None,
        "drift_pct_per_year": number(s.drift_pct_per_year),
        "crossing_limit_pct": number(crossing.limit_pct) if crossing else None,
        "crossing_p05": crossing.p05 if crossing else None,
        "crossing_p50": crossing.p50 if crossing else None,
        "crossing_p95": crossing.p95 if crossing else None,
        **{f"crossing_within_{days}_days": number(within.get(days)) for days in (90, 182, 365)},
    }


SERIES = (
    Column("probe", "Probe", width="1fr"),
    Column("window", "Window", width="1fr"),
    Column("jig", "Jig", width="1fr"),
    Column("collimator", "Collimator"),
    Column("nuclide", "Nuclide"),
    Column("quantity", "Quantity", "word", width="auto"),
    Column("unit", "Unit", width="auto"),
    Column("readings", "Checks", "whole", width="auto"),
    Column("latest_at", "Newest", "moment", width="auto"),
    Column("reference", "Reference", "number", 4, "auto"),
    Column("reference_readings", "Checks of the reference", "whole"),
    Column("reference_from", "Reference from", "moment"),
    Column("reference_to", "Reference to", "moment"),
    Column("current", "Now", "number", 4, "auto"),
    Column("current_low", "90 % from", "number", 4, "auto"),
    Column("current_high", "to", "number", 4, "auto"),
    Column("current_pct", "% of reference", "number", 4, "auto"),
    Column("drift_per_year", "Drift, unit a year", "number"),
    Column("drift_low", "Drift, 90 % from", "number"),
    Column("drift_high", "Drift, to", "number"),
    Column("drift_pct_per_year", "Drift, % a year", "change", width="auto"),
    Column("crossing_limit_pct", "Limit, %", "number"),
    Column("crossing_p05", "Passes it: not before", "day"),
    Column("crossing_p50", "Passes it: about", "day"),
    Column("crossing_p95", "Passes it: not after", "day"),
    Column("crossing_within_90_days", "Chance within 90 days", "number"),
    Column("crossing_within_182_days", "Chance within 182 days", "number"),
    Column("crossing_within_365_days", "Chance within 365 days", "number"),
    Column("repeat_requested", "Repeat asked for", "flag"),
    Column("open_alerts", "Open alerts", width="1fr"),
    Column("notes", "Notes"),
)


def series_rows(given: Gathered) -> list[dict[str, Any]]:
    """One row a charted quantity of the probes in scope, in the order of the answer."""
    mine = given.scope.probes(given.assessment)
    rows = []
    for s in given.assessment.series:
        if s.probe not in mine:
            continue
        r = s.reference
        rows.append(
            {
                **{name: getattr(s, name) for name in ("probe", "window", "jig", "collimator", "nuclide", "quantity", "unit")},
                **{name: getattr(s, name) for name in ("readings", "latest_at", "repeat_requested")},
                "reference": number(r.value) if r else None,
                "reference_readings": r.readings if r else None,
                "reference_from": r.from_at if r else None,
                "reference_to": r.to_at if r else None,
                "open_alerts": ", ".join(dict.fromkeys(RULE[a.rule] for a in s.alerts if a.settled_at is None)),
                "notes": " ".join(s.notes),
                **_numbers(s),
            }
        )
    return rows


def series_table(given: Gathered, *, printed: bool) -> Table:
    """The same as a table; printed for a single probe, else for the workbook."""
    shown = ("window", "jig", "quantity", "unit", "readings", "reference", "current", "current_low", "current_high", "current_pct",
             "drift_pct_per_year", "open_alerts") if printed else ()  # fmt: skip
    return Table("Series", "Everything that is charted", SERIES, rows_of(SERIES, series_rows(given)), printed=shown)


CHANGES = (
    Column("probe", "Probe", width="1fr"),
    Column("site", "Site", width="1fr"),
    Column("before", "Was", width="1.2fr"),
    Column("after", "Is", width="1.2fr"),
    Column("why", "Why", width="4fr"),
)


def change_table(given: Gathered) -> Table:
    """Probes whose answer is another than just before the period."""
    mine = given.scope.probes(given.assessment)
    found = changes(given.before, given.assessment) if given.before is not None else ()
    rows = [vars_of(one, ("probe", "site", "before", "after", "why")) for one in found if one.probe in mine]
    return Table("What changed", "What changed", CHANGES, rows_of(CHANGES, rows), "No answer changed.", names(CHANGES[:4]))


def vars_of(thing: Any, wanted: Iterable[str]) -> dict[str, Any]:
    """Some fields of an object."""
    return {name: getattr(thing, name) for name in wanted}


def names(columns: Iterable[Column]) -> tuple[str, ...]:
    """The names of columns."""
    return tuple(one.name for one in columns)


DEVICES = (
    Column("kind", "Kind", width="auto"),
    Column("name", "Name", width="1fr"),
    Column("site", "Site", width="1fr"),
    Column("answer", "Answer", width="auto"),
    Column("activity_kbq", "Activity, kBq", "number", 4, "auto"),
    Column("rate_now_cps", "Rate, cps", "number", 4, "auto"),
    Column("offset_pct", "Moved, %", "change", width="auto"),
    Column("too_weak_on", "Too weak after", "day", width="auto"),
    Column("reasons", "Reasons", "said", width="3fr"),
    Column("offset_low_pct", "Moved, 90 % from", "number"),
    Column("offset_high_pct", "Moved, to", "number"),
    Column("advice", "advice"),
)


def devices_in_scope(given: Gathered) -> list[DeviceResult]:
    """Sources, jigs and control units: of the site, or those the probe was read on; all for the fleet."""
    every = [*given.assessment.sources, *given.assessment.jigs, *given.assessment.readouts]
    if given.scope.probe is not None:
        records = cut(given.papers.records, given.assessment.as_of).readings
        mine = records[records["probe"] == given.scope.probe]
        used = {kind: set(mine[kind].dropna().astype(object)) for kind in ("source", "jig", "readout")}
        return [one for one in every if one.name in used[one.kind]]
    return [one for one in every if given.scope.site is None or one.site in (None, given.scope.site)]


def device_table(given: Gathered) -> Table:
    """Sources, jigs and control units."""
    rows = []
    for one in devices_in_scope(given):
        low, high = one.offset_interval_pct or (None, None)
        rows.append(
            {
                "kind": DEVICE_KIND[one.kind],
                "answer": f"{DEVICE[one.advice].mark} {DEVICE[one.advice].word}",
                "reasons": " ".join(one.reasons),
                "offset_low_pct": number(low),
                "offset_high_pct": number(high),
                **vars_of(one, ("name", "site", "advice", "too_weak_on")),
                **{name: number(getattr(one, name)) for name in ("activity_kbq", "rate_now_cps", "offset_pct")},
            }
        )
    return Table(
        "Sources and jigs", "Check sources, jigs and control units", DEVICES, rows_of(DEVICES, rows), "None.", names(DEVICES[:9])
    )


SETTINGS = (
    Column("setting", "Setting", width="2.2fr"),
    Column("value", "In force", width="1fr"),
    Column("shipped", "Shipped", width="0.8fr"),
    Column("unit", "Unit", width="auto"),
    Column("means", "What it is", width="3fr"),
)


def settings_tables(settings: Settings) -> tuple[Table, ...]:
    """Every setting in force, and where it is another than shipped; a setting that is a table of its own follows as one."""
    defaults, rows, more = shipped(), [], []
    for section, values_of in settings.model_dump(mode="json").items():
        fields = type(getattr(settings, section)).model_fields
        for name, value in values_of.items():
            field, default = fields[name], defaults.get(section, {}).get(name)
            extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
            said, setting = _said(value), f"{section}.{name}"
            if isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
                said = f"{len(value)} rows, below"
                more.append(_own_table(setting, [_row_said(one) for one in value] if setting == "decision.rows" else value))
                same = default is not None and len(default) == len(value) and all(map(_covers, value, default))
            else:
                same = said == _said(default)
            rows.append(
                {
                    "setting": setting,
                    "value": said,
                    "shipped": "" if same else "other rows" if said.endswith("below") else _said(default),
                    "unit": extra.get("unit") or _unit_of(field.metadata) or _default_unit(name),
                    "means": field.description or "",
                }
            )
    return Table("Settings", "Settings in force", SETTINGS, rows_of(SETTINGS, rows), printed=names(SETTINGS)), *more


def _row_said(row: dict[str, Any]) -> dict[str, Any]:
    """A row of the decision table in words, with the conditions as they are written beside it in the workbook."""
    return {"row": row["row"], "then": PROBE[row["advice"]].word, "if": conditions_said(row["when"]), "as_set": _said(row["when"])}


def _covers(whole: Any, part: Any) -> bool:
    """Whether everything that is said in ``part`` stands in ``whole`` (which has the defaults filled in)."""
    if isinstance(whole, dict) and isinstance(part, dict):
        return all(key in whole and _covers(whole[key], one) for key, one in part.items())
    return bool(whole == part)


def _own_table(setting: str, rows: list[dict[str, Any]]) -> Table:
    """A setting that is a list of rows, as a table."""
    heads = tuple(dict.fromkeys(key for row in rows for key in row))
    columns = tuple(Column(one, one.replace("_", " "), width={"row": "2fr", "if": "4fr"}.get(one, "1fr")) for one in heads)
    made = [{key: _said(one) for key, one in row.items()} for row in rows]
    return Table(setting, setting, columns, rows_of(columns, made), printed=tuple(one for one in heads if one != "as_set"))


def _said(value: Any) -> str:
    if value is None or value in ({}, "", []):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(_said, value))
    if isinstance(value, dict):
        return "; ".join(f"{key}: {_said(one)}" for key, one in sorted(value.items()))
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)


def _unit_of(metadata: Iterable[Any]) -> str | None:
    for one in metadata:
        extra = getattr(one, "json_schema_extra", None)
        if isinstance(extra, dict) and "unit" in extra:
            return str(extra["unit"])
    return None


def _default_unit(name: str) -> str:
    return "%" if name.endswith("_pct") else "d" if name.endswith("_days") else ""
