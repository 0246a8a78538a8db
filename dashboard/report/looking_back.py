"""The contents of a look back: a probe found out of tolerance, since when, how far off, and the uses in between."""

from __future__ import annotations

from typing import Any

from analytics.advice.look_back import NEIGHBOURS, Doubt, LookBack, Reading, UseInDoubt, look_back
from analytics.answer import number
from dashboard.parts import values
from dashboard.parts.about_text import CAUTIONS
from dashboard.parts.words import RULE, as_on_pages
from dashboard.report import tables
from dashboard.report.charts import doubt_chart
from dashboard.report.content import footer, provenance
from dashboard.report.gathered import Gathered
from dashboard.report.model import Chart, Column, Report, Section, Table, rows_of

METHOD = (
    (
        "The last good check is the last one before it was found whose whole 90 % interval (counting, placing, reference and "
        "shared movement) lay within the tolerance and which was charted; excluded and set-aside checks do not count. It was "
        "found when the alarm was tipped. It is over when somebody cleared the probe, or a service was followed by a good check."
    ),
    (
        f"The likely response at a moment is told by the {NEIGHBOURS} charted checks before it and the {NEIGHBOURS} after it: "
        "one change at most (a step, a step that went back, a ramp), averaged over when it came. Between two checks a step may "
        "have come at any moment, each as likely. The interval is 90 %; spread beyond counting and placing widens it. After the "
        "last check it is carried on, and assumes that nothing happened since."
    ),
    "The response is that on the check source in its jig. What it means for an examination is for the physicist to say.",
)
USES = (
    Column("used_at", "Used", "moment", width="auto"),
    Column("case_reference", "Case reference", width="1.4fr"),
    Column("when", "When", width="1.4fr"),
    Column("likely_pct", "Likely response, %", "number", 3, "auto"),
    Column("likely_low_pct", "90 % from", "number", 3, "auto"),
    Column("likely_high_pct", "to", "number", 3, "auto"),
    Column("chance_beyond_pct", "Chance of beyond tolerance, %", "number", 2, "auto"),
    Column("day_only", "Day only", "flag"),
)
LIKELY = (
    Column("at", "At", "moment"),
    Column("likely_pct", "Likely response, %", "number"),
    Column("likely_low_pct", "90 % from", "number"),
    Column("likely_high_pct", "to", "number"),
    Column("chance_beyond_pct", "Chance of beyond tolerance, %", "number"),
)


def look_back_report(given: Gathered) -> Report:
    """The whole document for the probe of the scope."""
    told = look_back(given.assessment, given.papers.records, given.scope.probe or "")
    answer = given.assessment.probe(told.probe)
    patient_use = tables.USE_WORDS[answer.patient_use]
    head = Section(
        "Finding",
        (told.says,),
        facts=(
            ("Probe", told.probe),
            ("Site", told.site or values.DASH),
            ("Tolerance (site choice)", values.DASH if told.tolerance_pct is None else f"±{told.tolerance_pct:g} %"),
            ("Patient use now", patient_use),
            ("Uses on record", str(told.uses_recorded)),
        ),
    )
    sections = [head]
    for place, doubt in enumerate(told.doubts, 1):
        sections.append(_doubt(given, doubt, place if len(told.doubts) > 1 else 0))
    if told.doubts:
        sections.append(Section("How this is told", METHOD))
    return Report(
        title="Look back on a gamma probe",
        subject=f"Probe {told.probe}",
        made_at=given.made_at,
        by=given.by,
        as_of=told.as_of,
        facts=tuple(one for one in provenance(given) if one[0] not in ("Period", "Subject")),
        sections=tuple(sections),
        cautions=CAUTIONS,
        flat=_flat(given, told),
        footer=footer(given),
    )


def doubt_facts(doubt: Doubt) -> tuple[tuple[str, str], ...]:
    """The doubt in a few lines, term and value."""
    before = [one for one in doubt.uses if not one.after_found]
    after = len(doubt.uses) - len(before)
    many = values.count(len(doubt.uses), "use")
    return (
        ("Series", ", ".join(one for one in (doubt.series.window, doubt.series.jig, doubt.series.collimator) if one)),
        ("Last good check", reading(doubt.last_good) if doubt.last_good else f"{values.DASH} (none is good beyond doubt)"),
        ("First check out", reading(doubt.first_out)),
        ("Found", f"{values.moment(doubt.found_at)}, by the rule: {RULE[doubt.rule]}"),
        ("Over", f"{values.moment(doubt.ended_at)}. {as_on_pages(doubt.ended_by)}" if doubt.ended_at else doubt.ended_by),
        ("Possibly beyond from (chance 5 %)", values.moment(doubt.possibly_out_at)),
        ("Probably beyond from (chance 50 %)", values.moment(doubt.probably_out_at)),
        ("Uses in doubt", f"{many}: {len(before)} before it was found, {after} after"),
    )


def reading(one: Reading) -> str:
    """A check in words."""
    if one.pct is None:
        return f"{values.moment(one.at)}: no signal"
    bounds = "" if one.low_pct is None or one.high_pct is None else f"; 90 %: {values.interval((one.low_pct, one.high_pct), '%')}"
    return f"{values.moment(one.at)}: {values.number(one.pct, '% of reference', digits=3)}{bounds}"


def _doubt(given: Gathered, doubt: Doubt, place: int) -> Section:
    title = f"Interval of doubt{f' {place}' if place else ''}, found {values.day(doubt.found_at)}"
    points = given.assessment.points_of(doubt.series)
    return Section(
        title,
        tuple(f"Missing: {one}" for one in doubt.missing),
        facts=doubt_facts(doubt),
        tables=(use_table(doubt, place), _likely_table(doubt, place)),
        charts=(Chart(f"look back {place}", doubt_chart(doubt, points, given.assessment.as_of), alt(doubt)),),
    )


def alt(doubt: Doubt) -> str:
    """The picture in a sentence."""
    begin = values.day(doubt.last_good.at) if doubt.last_good else "before the records"
    end = values.day(doubt.ended_at) if doubt.ended_at else "now"
    worst = max(doubt.likely, key=lambda m: abs(m.pct - 100), default=None)
    far = f", farthest off at {values.number(worst.pct, '%', digits=3)} on {values.day(worst.at)}" if worst else ""
    return (
        f"Likely response with its 90 % interval from {begin} to {end}{far}, the checks as marks, and "
        f"{values.count(len(doubt.uses), 'use')} as bars. The table holds each use."
    )


def use_table(doubt: Doubt, place: int = 0) -> Table:
    """One row a use in doubt, oldest first."""
    rows = [_use(one) for one in doubt.uses]
    key = f"Uses in doubt{f' {place}' if place else ''}"
    empty = next((one for one in doubt.missing if "uses" in one.lower()), "No use lies within the doubt.")
    return Table(key, "Uses in doubt", USES, rows_of(USES, rows), empty, tables.names(USES[:7]))


def _use(one: UseInDoubt) -> dict[str, Any]:
    m = one.likely
    return {
        "used_at": one.used_at,
        "case_reference": one.case_reference,
        "when": ("after it was found" if one.after_found else "before it was found") + (", day only" if one.day_only else ""),
        "day_only": one.day_only,
        "likely_pct": number(m.pct) if m else None,
        "likely_low_pct": number(m.low_pct) if m else None,
        "likely_high_pct": number(m.high_pct) if m else None,
        "chance_beyond_pct": number(100 * m.probability_beyond) if m else None,
    }


def _likely_table(doubt: Doubt, place: int) -> Table:
    """The likely response over the doubt, for the workbook."""
    rows = [
        {
            "at": m.at,
            "likely_pct": number(m.pct),
            "likely_low_pct": number(m.low_pct),
            "likely_high_pct": number(m.high_pct),
            "chance_beyond_pct": number(100 * m.probability_beyond),
        }
        for m in doubt.likely
    ]
    key = f"Likely response{f' {place}' if place else ''}"
    return Table(key, "Likely response", LIKELY, rows_of(LIKELY, rows), "The checks do not tell it.")


def _flat(given: Gathered, told: LookBack) -> Table:
    """One row a use in doubt; a doubt without one has a row of its own."""
    about = (
        Column("probe", "probe"),
        Column("window", "window"),
        Column("jig", "jig"),
        Column("last_good_at", "last_good_at", "moment"),
        Column("first_out_at", "first_out_at", "moment"),
        Column("found_at", "found_at", "moment"),
        Column("ended_at", "ended_at", "moment"),
    )
    last = tuple(Column(one, one) for one in ("missing", "finding", "as_of", "revision", "version", "config", "history_head", "by"))
    columns = (*about, *USES, *last)
    source = {
        "finding": told.says,
        "as_of": told.as_of,
        "revision": given.assessment.revision,
        "version": given.assessment.version,
        "config": given.assessment.config,
        "history_head": given.papers.head,
        "by": given.by,
    }
    rows: list[dict[str, Any]] = []
    for d in told.doubts:
        what = {
            "probe": told.probe,
            "window": d.series.window,
            "jig": d.series.jig,
            "last_good_at": d.last_good.at if d.last_good else None,
            "first_out_at": d.first_out.at,
            "found_at": d.found_at,
            "ended_at": d.ended_at,
            "missing": " ".join(d.missing),
            **source,
        }
        rows += [{**what, **_use(one)} for one in d.uses] or [what]
    if not rows:
        rows = [{"probe": told.probe, **source}]
    return Table("Look back", "Look back", columns, rows_of(columns, rows))
