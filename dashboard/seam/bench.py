"""What the bench page asks of the records: which probe was scanned, how it was last read, who can stand in."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import pandas as pd

from analytics.advice.bench_expectation import Expectation, expect
from analytics.advice.bench_verdict import BenchVerdict, judge
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment, ProbeResult
from dashboard.seam import keep
from dashboard.seam.bench_entry import SETUP, Entry, seconds
from dashboard.seam.place import store_path
from dashboard.seam.read import Look

TYPED_IN = "typed in"  # what the records call the file of a check that was typed
CHECK_HOURS = timedelta(hours=2)

_SYMBOLOGY = re.compile(
    r"^\][A-Za-z][0-9A-Za-z]"
)  # ISO/IEC 15424 identifier that some scanners put first [from memory]


@dataclass(frozen=True)
class Found:
    """What a typed or scanned text means: the probe, or else the nearest known ids."""

    probe: str | None
    near: tuple[str, ...] = ()


def find_probe(records: Records, typed: str) -> Found:
    """The registered probe that was typed or scanned.

    Exactly as registered; else the only one alike but for case; never the nearest: a wrong probe is worse than none.
    """
    text = _SYMBOLOGY.sub("", typed.strip())
    known = records.probes["probe"].tolist()
    if text in known:
        return Found(text)
    alike = [one for one in known if one.casefold() == text.casefold()]
    if len(alike) == 1:
        return Found(alike[0])
    lowered = {one.casefold(): one for one in known}
    near = difflib.get_close_matches(text.casefold(), list(lowered), n=4, cutoff=0.5)
    return Found(None, tuple(alike or [lowered[one] for one in near]))


def last_setup(records: Records, probe: str) -> Entry:
    """An empty check of a probe, with window, source, jig, control unit and times as last used for it.

    A source that was withdrawn since gives way to the one in its place: of the same nuclide, at the probe's site if there is one.
    """
    of_probe = records.readings[(records.readings["probe"] == probe) & ~records.readings["excluded"]]
    on_source = of_probe[of_probe["measurement"] == "source"]
    if on_source.empty:
        sources = usable_sources(records, probe)
        windows = known(records, "window")
        return Entry(probe=probe, source=sources[0] if sources else "", window=windows[0] if windows else "")
    last = on_source.iloc[-1]
    backgrounds = of_probe[(of_probe["measurement"] == "background") & (of_probe["window"] == last["window"])]
    times = {"time_s": f"{last['count_time_s']:g}"}
    if len(backgrounds):
        times["background_time_s"] = f"{backgrounds.iloc[-1]['count_time_s']:g}"
    setup = {name: _text(last[name]) for name in SETUP}
    setup["source"] = _in_its_place(records, probe, setup["source"])
    return Entry.from_payload({"probe": probe, **setup, **times})


def _in_its_place(records: Records, probe: str, source: str) -> str:
    """The source, or the usable one that took its place; the withdrawn one where none did, so that saving says what is wrong."""
    usable = usable_sources(records, probe)
    nuclide = dict(zip(records.sources["source"].astype(str), records.sources["nuclide"].astype(str), strict=True))
    if source in usable or source not in nuclide:
        return source
    return next((one for one in usable if nuclide[one] == nuclide[source]), source)


def usable_sources(records: Records, probe: str) -> list[str]:
    """Sources that are not withdrawn, those of the probe's site first."""
    sources = records.sources[records.sources["withdrawn_on"].isna()]
    site = records.probes.set_index("probe")["site"].get(probe)
    here = sources["site"] == site
    return sources[here]["source"].tolist() + sources[~here]["source"].tolist()


def known(records: Records, column: str, probe: str | None = None) -> list[str]:
    """Names in use in a column of the readings, of one probe the most recent first; registered windows are added."""
    readings = records.readings
    if probe is not None:
        readings = readings[readings["probe"] == probe]
        used = [str(one) for one in readings[column].dropna().iloc[::-1].drop_duplicates()]
    else:
        used = [str(one) for one in readings[column].cat.categories]
    if column == "window":
        used += [one for one in records.windows["window"].tolist() if one not in used]
    return used


def fit_spares(assessment: FleetAssessment, probe: str) -> list[ProbeResult]:
    """Other probes of the same site that are fit and allowed for patients, those without any finding first."""
    site = next((one.site for one in assessment.probes if one.probe == probe), None)
    found = [
        one
        for one in assessment.probes
        if one.site == site and one.probe != probe and one.advice in ("use", "watch") and one.patient_use == "allowed"
    ]
    return sorted(found, key=lambda one: (one.advice != "use", one.probe))


def due_now(assessment: FleetAssessment) -> list[ProbeResult]:
    """Probes to be read today: a repeat is asked for, or the check is due; the longest due first."""
    today = assessment.as_of.date()
    due = [
        one
        for one in assessment.probes
        if one.patient_use == "repeat_first" or (one.next_check_due_on is not None and one.next_check_due_on <= today)
    ]
    return sorted(due, key=lambda one: (one.patient_use != "repeat_first", one.next_check_due_on or today, one.probe))


def countings_of(records: Records, probe: str, at: datetime) -> pd.DataFrame:
    """What was typed in for a probe in the check that began at ``at``, in order; empty where it was taken back."""
    readings = records.readings[records.readings["probe"] == probe]
    readings = readings[(readings["taken_at"] >= at) & (readings["taken_at"] < at + CHECK_HOURS)]
    typed = readings["file"].astype("object") == TYPED_IN
    return readings[typed].sort_values(["taken_at", "reading_id"], kind="stable")


def later_reading(records: Records, rows: pd.DataFrame) -> bool:
    """True where the probe was read again after these countings: they stand from then on."""
    readings = records.readings[records.readings["probe"] == rows["probe"].iloc[0]]
    others = readings[~readings["reading_id"].isin(rows["reading_id"])]
    return bool((others["taken_at"] > rows["taken_at"].max()).any())


def as_entered(rows: pd.DataFrame) -> Entry:
    """The countings of a recorded check, put back together as they were typed."""
    source = rows[rows["measurement"] == "source"]
    background = rows[rows["measurement"] == "background"]
    first = source.iloc[0] if len(source) else rows.iloc[0]
    placements: list[list[str]] = []
    for row in source.itertuples():
        if row.reseated or not placements:
            placements.append([])
        placements[-1].append(f"{row.counts:.0f}")
    typed = {"probe": first["probe"], "time_s": f"{first['count_time_s']:g}", "placements": placements}
    if len(background):
        typed["background"] = f"{background['counts'].sum():.0f}"
        typed["background_time_s"] = f"{background['count_time_s'].sum():g}"
    begun = {"started_at": rows["taken_at"].iloc[0].isoformat()}
    return Entry.from_payload({**typed, **begun, **{name: _text(first[name]) for name in SETUP}})


def judged(look: Look, entry: Entry, at: datetime) -> tuple[Expectation, BenchVerdict]:
    """What the countings should show, and what those typed so far say."""
    background = entry.background_counting()
    begun, time_s = entry.started_at or at, seconds(entry.time_s) or 0.0

    def work_out() -> Expectation:
        return expect(
            look.assessment, look.records, look.settings, entry.bench, begun,
            count_time_s=time_s, background=[background] if background else [],
        )  # fmt: skip

    # Once, and not with every key that is typed, nor again once it is saved: it does not hang on the counts.
    answer = (look.assessment.revision, look.assessment.config, look.as_of, look.settings.fingerprint)
    probes, sources = look.records.probes, look.records.sources
    rows = (probes[probes["probe"] == entry.probe], sources[sources["source"] == entry.source])
    expected = keep.alike(work_out, "expected", str(store_path()), answer, entry.bench, begun, time_s, background, *rows)
    if _answered(look.assessment, entry):
        expected = replace(expected, standing="allowed")  # what the answer says of the probe is not from before this check
    return expected, judge(expected, entry.countings(), look.settings)


def _answered(assessment: FleetAssessment, entry: Entry) -> bool:
    """Whether the answer has this very check, or a later one, in it."""
    newest = next((one.latest_check_at for one in assessment.probes if one.probe == entry.probe), None)
    return newest is not None and entry.started_at is not None and newest >= entry.started_at


def _text(value: object) -> str:
    return str(value) if isinstance(value, str) else ""
