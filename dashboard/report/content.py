"""The contents of a report on the fleet, a site or a probe, from what was gathered."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime

import pandas as pd

from analytics.advice.look_back import look_back
from analytics.answer import as_json
from analytics.results import ProbeResult, SeriesResult
from dashboard.parts import values
from dashboard.parts.about_text import CAUTIONS
from dashboard.parts.words import CAUSE, PATIENT_USE, PROBE, PROBE_ORDER, as_on_pages
from dashboard.report import acts, other_checks, tables
from dashboard.report.charts import fleet_alt, fleet_chart, response_alt, response_chart
from dashboard.report.gathered import Gathered
from dashboard.report.model import Chart, Column, Report, Section, Table, rows_of
from dashboard.seam.digest import headline, on_time
from dashboard.seam.probe_facts import facts

MOST_CHARTS = 120  # a fleet larger than that shows the probes that are not fit, the worst first

OTHER = (
    "Checks that are not countings: what wants doing or is due, and every leak test and inventory of a source in use. "
    "Intervals are the site's to set; leak tests and inventory follow local law. The workbook holds all, and what was done in the period."
)
NOW = (
    "Now: response in per cent of the reference. A date is the median of the forecast, with its 90 % range; where none stands, "
    "no limit is forecast to be passed, or one is passed already."
)


def report(given: Gathered) -> Report:
    """The whole report."""
    one = given.scope.probe is not None
    probes = tables.probes_in_scope(given)
    people = [acts.decision_table(given), acts.exclusion_table(given), acts.correction_table(given)]
    told = _one_probe(given, probes[0]) if one else _many(given, probes)
    sections = [
        told.pop(0) if one else _summary(given, probes),
        Section("What changed", (_since(given),), tables=(tables.change_table(given),)),
        *told,
        Section("Check sources, jigs and control units", tables=(tables.device_table(given),)),
        Section("Alerts", (_alerts(given),), tables=(acts.alert_table(given), acts.taken_back_table(given))),
        Section("Other checks", (OTHER,), tables=other_checks.report_tables(given)),
        *(Section(table.title, tables=(table,)) for table in people),
        Section("Settings in force", (_settings(given),), tables=tables.settings_tables(given.settings)),
    ]
    return Report(
        title="Constancy of surgical gamma probes",
        subject=given.scope.words,
        made_at=given.made_at,
        by=given.by,
        as_of=given.assessment.as_of,
        facts=provenance(given),
        sections=tuple(sections),
        cautions=CAUTIONS,
        flat=_flat(given),
        footer=footer(given),
    )


def provenance(given: Gathered) -> tuple[tuple[str, str], ...]:
    """What the report was made from, term and value."""
    now = given.assessment
    return (
        ("Subject", given.scope.words),
        ("Period", f"{values.day(given.period.from_on)} to {values.day(given.period.to_on)}, both days included"),
        ("Answer as of", f"{values.moment(now.as_of)}, site-local; nothing dated later takes part"),
        ("Made", f"{values.moment(given.made_at)} by {given.by}"),
        ("Data revision", str(now.revision)),
        ("Version", f"Steadycount {now.version}"),
        ("Settings in force (sha256)", now.config),
        ("Head of the history (sha256)", given.papers.head),
        ("Changes in the history", str(given.papers.changes)),
    )


def footer(given: Gathered) -> str:
    """What stands on every page."""
    now = given.assessment
    return f"revision {now.revision} · settings {now.config[:12]} · history {given.papers.head[:12]} · version {now.version}"


def _summary(given: Gathered, probes: list[ProbeResult]) -> Section:
    many = Counter(p.advice for p in probes)
    barred = [p.probe for p in probes if p.patient_use == "not_until_cleared"]
    overdue = tables.overdue_of(given)
    late = [p.probe for p in probes if p.probe in overdue]
    counts = [
        (f"{PROBE[advice].mark} {PROBE[advice].word}", f"{many[advice]} of {len(probes)}. {PROBE[advice].means}")
        for advice in reversed(PROBE_ORDER)
    ]
    counts += [
        ("Not for patient use until cleared", _listed(barred)),
        ("With a check overdue", _listed(late)),
    ]
    if given.scope.probe is None and given.scope.site is None:
        kept, due = on_time(given.assessment)
        counts.append(("Checks on the source not past their day", f"{kept} of {due} probes that have one"))
    sentences = [] if probes else ["No probe is registered: there is nothing to report on."]
    if given.papers.records.readings.empty:
        sentences.append("No reading is on record.")
    return Section("Summary", tuple(sentences), facts=tuple(counts))


def _listed(names: list[str]) -> str:
    if not names:
        return "none"
    shown = ", ".join(names[:40]) + (f" and {len(names) - 40} more" if len(names) > 40 else "")
    return f"{len(names)}: {shown}"


def _since(given: Gathered) -> str:
    return (
        f"Answers at {values.moment(given.assessment.as_of)} against those at the end of "
        f"{values.day(given.period.before)}, both from the records and settings of today."
    )


def _alerts(given: Gathered) -> str:
    return (
        f"Given from {values.day(given.period.from_on)} to {values.day(given.period.to_on)}, or standing in that time. "
        "Those of sources and jigs are dated by whole periods of thirty days."
    )


def _settings(given: Gathered) -> str:
    versions = given.papers.settings_versions
    if versions.empty:
        return "The store has no settings of its own. Where a value is not the shipped one, that stands beside it."
    last = versions.iloc[-1]
    return (
        f"The store's own settings are version {last['version']}, saved {values.moment(last['saved_at'])} by {last['by']}. "
        "Where a value is not the shipped one, that stands beside it."
    )


def _many(given: Gathered, probes: list[ProbeResult]) -> list[Section]:
    spoken = headline(given.assessment)
    drawn = [p for p in probes if p.probe in spoken]
    nothing = () if drawn else ("No response is charted.",)
    note: tuple[str, ...] = ()
    if len(drawn) > MOST_CHARTS:
        drawn = [p for p in drawn if p.advice != "use"][:MOST_CHARTS]
        note = (f"{len(probes)} probes are too many to draw: here are {len(drawn)} of those that are not fit, the worst first.",)
    picture = Chart("fleet", fleet_chart(probes, spoken, given.settings.limits), fleet_alt(probes, spoken))
    return [
        Section("The fleet at a glance", nothing, charts=() if nothing else (picture,)),
        Section(
            "Every probe",
            (NOW,),
            tables=(tables.probe_table(given), tables.series_table(given, printed=False)),
        ),
        Section("Why", ("Probes that are not fit, the worst first.",), tables=(_why(probes),)),
        Section(
            "Response of every probe",
            (*(nothing or (_legend(),)), *note),
            charts=tuple(response(given, spoken[p.probe], wide=False) for p in drawn),
        ),
    ]


WHY = (Column("probe", "Probe", width="1fr"), Column("answer", "Answer", width="auto"), Column("why", "Because", "said", width="5fr"))


def _why(probes: list[ProbeResult]) -> Table:
    rows = [
        {"probe": p.probe, "answer": f"{PROBE[p.advice].mark} {PROBE[p.advice].word}", "why": " ".join((*p.missing, *p.reasons))}
        for p in probes
        if p.advice != "use" or p.patient_use != "allowed"
    ]
    return Table("Why", "Why", WHY, rows_of(WHY, rows), "Every probe is fit." if probes else "No probe is registered.", tables.names(WHY))


def _one_probe(given: Gathered, probe: ProbeResult) -> list[Section]:
    spoken = headline(given.assessment).get(probe.probe)
    told = [("Site", probe.site or values.DASH), ("Answer", f"{PROBE[probe.advice].mark} {PROBE[probe.advice].word}")]
    told += [("Patient use", PATIENT_USE[probe.patient_use].removeprefix("patient use: "))]
    told += facts(probe, spoken, given.assessment.as_of, given.settings.limits.tolerance_pct)
    if probe.cause != "none" and not probe.cause_probabilities:
        told.append(("Likely cause", CAUSE[probe.cause]))
    overdue = tables.overdue_of(given).get(probe.probe)
    told.append(("Overdue", as_on_pages(overdue or "nothing")))
    pictures = tuple(response(given, s) for s in given.assessment.series_of(probe.probe, "response"))
    return [
        Section("The probe", (*map(as_on_pages, (*probe.missing, *probe.reasons)), *_looked_back(given)), facts=tuple(told)),
        Section("Response", (_legend() if pictures else "No response is charted.",), charts=pictures),
        Section(
            "Everything that is charted",
            ("Intervals are 90 %.",),
            tables=(tables.series_table(given, printed=True), replace(tables.probe_table(given), printed=())),
        ),
        _checks(given, probe),
    ]


def _looked_back(given: Gathered) -> tuple[str, ...]:
    """Whether it was ever found out of tolerance, and where that is told."""
    told = look_back(given.assessment, given.papers.records, given.scope.probe or "")
    return (f"{told.says} The look back tells since when, how far, and the uses in between.",) if told.doubts else ()


def _legend() -> str:
    return (
        "Bars are 90 % intervals by counting and placing. Solid line: reference; dotted: action level; dashed: tolerance limit; "
        "grey: chart limits, which follow the counts. Squares belong to the reference; open marks were set aside. Numbered "
        "rings: alerts of the series. Thick bar: when the forecast passes the limit, 90 % range, with its median."
    )


def response(given: Gathered, series: SeriesResult, *, wide: bool = True) -> Chart:
    """The picture of one response series, with a sentence that says what it shows."""
    points = given.assessment.points_of(series)
    size = {"width": 720.0, "height": 260.0} if wide else {}
    start = first_shown(points, given.period.start) if given.scope.probe is not None else None
    svg = response_chart(series, points, given.assessment.as_of, start=start, **size)
    return Chart(f"{series.probe} {series.window}", svg, response_alt(series), wide)


def first_shown(points: pd.DataFrame, start: datetime) -> datetime | None:
    """The period's beginning, where at least two checks lie after it; else everything is shown."""
    return start if int((points["check_at"] >= start).sum()) >= 2 else None


CHECKS = (
    Column("check_at", "Check", "moment"),
    Column("window", "Window"),
    Column("quantity", "Quantity"),
    Column("unit", "Unit"),
    Column("value", "Value", "number"),
    Column("value_low", "90 % from", "number"),
    Column("value_high", "to", "number"),
    Column("corrected", "Charted value", "number"),
    Column("expected", "Reference", "number"),
    Column("z", "Standard deviations off", "number"),
    Column("flag", "Flag"),
    Column("source", "Source"),
    Column("jig", "Jig"),
)


def _checks(given: Gathered, probe: ProbeResult) -> Section:
    """Every check of the period, for the workbook."""
    rows = []
    for s in given.assessment.series_of(probe.probe):
        points = given.assessment.points_of(s)
        mine = points[(points["check_at"] >= given.period.start) & (points["check_at"] <= given.period.end)]
        kept = mine[["check_at", "value", "value_low", "value_high", "corrected", "expected", "z", "flag", "source", "jig"]]
        rows += [
            {**{str(key): one for key, one in row.items()}, "window": s.window, "quantity": s.quantity, "unit": s.unit}
            for row in kept.astype({"flag": object, "source": object, "jig": object}).to_dict("records")
        ]
    note = f"{values.count(len(rows), 'point')} of the period stand in the workbook form of this report." if rows else "No check in the period."
    return Section("Checks of the period", (note,), tables=(Table("Checks", "Checks", CHECKS, rows_of(CHECKS, rows)),))


def _flat(given: Gathered) -> Table:
    """One row a charted quantity with the answer on its probe, and one for a probe without any; each says where it is from."""
    by_probe = {p.probe: p for p in given.assessment.probes}
    told = tables.probe_table(given)
    own = {row[0]: dict(zip(tables.names(told.columns), row, strict=True)) for row in told.rows}
    probe_columns = tuple(c for c in told.columns if c.name in ("site", "advice", "patient_use", "cause", "cause_probability", "overdue"))
    last = tuple(Column(one, one) for one in ("reasons", "as_of", "revision", "version", "config", "history_head", "made_at", "by"))
    columns = (tables.SERIES[0], *probe_columns, *tables.SERIES[1:], *last)
    document = as_json(given.assessment)
    source = {
        **{name: document[name] for name in ("as_of", "revision", "version", "config")},
        "history_head": given.papers.head,
        "made_at": given.made_at.isoformat(timespec="seconds"),
        "by": given.by,
    }
    series = tables.series_rows(given)
    read = {row["probe"] for row in series}
    rows = [*series, *({"probe": p} for p in own if p not in read)]
    rows.sort(key=lambda row: row["probe"])
    made = []
    for row in rows:
        answer = own[row["probe"]]
        p = by_probe[row["probe"]]
        about = {name: answer[name] for name in ("site", "advice", "patient_use", "cause", "cause_probability", "overdue")}
        made.append({**row, **about, "reasons": " ".join((*p.missing, *p.reasons)), **source})
    return Table("Report", "Report", columns, rows_of(columns, made))
