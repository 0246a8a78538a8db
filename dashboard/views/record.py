"""Record a check: scan, count, type; the verdict stands beside the numbers as they are typed."""

from __future__ import annotations

from datetime import datetime, timedelta

import streamlit as st

from analytics import moment
from analytics.advice.bench_expectation import Expectation
from analytics.advice.bench_verdict import BenchVerdict, SideVerdict, judge_background, judge_window
from analytics.errors import UserError
from dashboard.figures.bench_ruler import bench_ruler, whole
from dashboard.parts import bench_form as form
from dashboard.parts import bench_saved, bench_words, links, person, start, values, waiting
from dashboard.seam import act_record, bench, read
from dashboard.seam.bench_entry import Entry, seconds
from dashboard.seam.worker import StillWorkingError

MOST_DUE = 18
REFUSED, KNOWN = "b_refused", "b_known"  # what came of the press of the button, said once under it
DRAFT, SAVED, AT = "draft", "saved", "at"  # query parameters: a draft's number; a recorded check's probe and beginning


def show() -> None:
    """The bench, or what became of the check that was just saved."""
    st.title("Record a check")
    if not read.exists() or read.records().probes.empty:
        start.ready()
        return
    bench_words.apply()
    if saved := st.query_params.get(SAVED, ""):
        bench_saved.show(saved, st.query_params.get(AT, ""))
        return
    draft = _wanted_draft()
    look = read.newest()
    probe = _choose(look)
    if probe is None:
        _unfinished()
        return
    if not form.filled(probe):
        form.fill(draft if draft is not None and draft.probe == probe else bench.last_setup(look.records, probe))
        st.session_state["b_kept"] = None
    if not bench.usable_sources(look.records, probe):
        st.warning(
            "No check source is registered: its nuclide and reference date are needed before a check can be recorded.",
            icon=":material/adjust:",
        )
        links.to("import_log", "Import the sources", icon=":material/arrow_forward:")
        return
    form.setup(look.records, probe)
    _bench(probe)


def _wanted_draft() -> Entry | None:
    """The draft that the address names; the probe's box follows it."""
    asked = st.query_params.get(DRAFT, "")
    if not asked.isdigit():
        return None
    draft = act_record.draft(int(asked))
    if draft is None:
        del st.query_params[DRAFT]
    elif not st.session_state.get("probe") and not st.query_params.get("probe"):
        st.session_state["probe"] = draft.probe
    if draft is not None and draft.by and draft.by != act_record.NOBODY and not person.name():
        st.session_state["person_kept"] = draft.by
    return draft


def _choose(look: read.Look) -> str | None:
    """The probe that was typed, scanned or picked; None until there is one."""
    with st.container(key="scan"):
        typed = st.text_input(
            "Probe",
            key="probe",
            bind="query-params",
            placeholder="type or scan, then Enter",
            autocomplete="off",
            icon=":material/barcode_scanner:",
            width=420,
        )
    if not typed:
        _due(look)
        return None
    found = bench.find_probe(look.records, typed)
    if found.probe is None:
        st.error(
            f"`{typed}` is not registered here."
            + (" Did you mean:" if found.near else " Import it with the table of probes first."),
            icon=":material/help:",
        )
        links.to("import_log", "Import a table of probes", icon=":material/upload_file:")
        if found.near:
            with st.container(key="near"):
                st.pills(
                    "Registered probes with a name like it", found.near, key="b_near", on_change=_pick, args=("b_near",)
                )
        return None
    one = look.assessment.probe(found.probe)
    with st.container(horizontal=True, gap="small", vertical_alignment="center"):
        links.to("probe", found.probe, probe=found.probe, icon=":material/show_chart:", hint="Its story")
        st.markdown(
            f"{links.escape(one.site)}. {bench_saved.standing(one)}. Last check: "
            f"{values.ago(one.latest_check_at, look.as_of)}."
        )
    return found.probe


def _due(look: read.Look) -> None:
    """Probes to be read today, of one site where there are several, as large buttons."""
    sites = sorted({one.site for one in look.assessment.probes})
    with st.container(key="site-choice"):
        site = st.pills("Site", sites, key="site", bind="query-params") if len(sites) > 1 else None
    due = [one for one in bench.due_now(look.assessment) if site is None or one.site == site]
    if not due:
        st.markdown("No check is due today" + (f" at {links.escape(site)}." if site else "."))
        return
    with st.container(key="due"):
        st.pills(
            f"Due today ({len(due)})",
            [one.probe for one in due[:MOST_DUE]],
            key="b_due",
            on_change=_pick,
            args=("b_due",),
        )
    if len(due) > MOST_DUE:
        st.caption(f"and {len(due) - MOST_DUE} more; the service plan names them all.")


def _pick(key: str) -> None:
    """A probe picked from a list goes into the box, as if it were typed."""
    if st.session_state.get(key):
        st.session_state["probe"] = st.session_state[key]
        st.session_state[key] = None


def _unfinished() -> None:
    kept = act_record.open_drafts()
    kept = kept[kept["probe"] != ""]
    if kept.empty:
        return
    st.header("Not finished yet")
    for row in kept.head(8).to_dict("records"):
        probe, number = str(row["probe"]), int(row["draft_id"])
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            links.to("record", probe, probe=probe, draft=str(number), icon=":material/edit:")
            st.markdown(f"kept {values.moment(row['saved_at'])} by {links.escape(str(row['by']))}")
            st.button("Forget", key=f"forget-{number}", type="tertiary", on_click=act_record.drop_draft, args=(number,))


@st.fragment
def _bench(probe: str) -> None:
    """Boxes on one side, expectation and verdict on the other; runs anew with every number typed, nothing else does."""
    if st.query_params.get(SAVED):
        st.rerun()  # it is in the records: the page of what became of it, and not the form once more
    try:
        look = read.newest()
    except StillWorkingError as wait:  # a part of a page that runs by itself is out of reach of who catches this for pages
        waiting.instead(wait.job)
        return
    now = moment.now(look.settings.site.time_zone)
    entry = _typed(probe, person.name(), now)
    background = entry.background_counting()
    expected, verdict = bench.judged(look, entry, now)
    _expected(expected)
    boxes, answer = st.columns([3, 2], gap="large")
    with answer, st.container(key="verdict"):
        _ruler(expected, entry)
        _verdict(look, verdict, entry)
    with boxes, st.container(key="bench"):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            form.seconds_box("Counting time, s", "time_s")
            form.seconds_box("Background, s", "background_time_s")
            form.counts_box("Background counts", "background")
        _said(
            judge_background(look.assessment, look.settings, entry.bench, [background] if background else []),
            quiet=background is None,
        )
        form.placements(verdict.repeat)
        _positions(look, entry)
        form.conditions(now)
    _finish(entry, verdict, now)


def _typed(probe: str, by: str, now: datetime) -> Entry:
    """What the boxes hold; the first count that is typed sets when the check began."""
    entry = form.entry(probe, by)
    if entry.started and entry.started_at is None:
        form.begin(now - timedelta(seconds=round(seconds(entry.time_s) or 0)))
        entry = form.entry(probe, by)
    return entry


def _expected(expected: Expectation) -> None:
    """The counts to expect, before and while counting, in one line that stays where it is."""
    if expected.missing is not None or expected.counts is None or expected.usual is None:
        st.info(expected.missing or "", icon=":material/straighten:")
        return
    st.markdown(
        f"## Expect {whole(expected.counts)} counts in {expected.count_time_s:g} s\n"
        f"usually {whole(expected.usual[0])} to {whole(expected.usual[1])}, background included"
    )


def _ruler(expected: Expectation, entry: Entry) -> None:
    """Where the typed counts lie between the levels, and what the expectation rests on."""
    if expected.counts is None:
        return
    typed = [
        sum(one.counts for one in p) * expected.count_time_s / sum(one.time_s for one in p)
        for p in entry.countings()
        if p
    ]
    st.html(bench_ruler(expected, typed))
    said = [f"Background: {expected.background_basis}.", *expected.notes]
    if expected.recent_pct is not None:
        said.insert(0, f"In {links.escape(entry.window)} this probe stands at {expected.recent_pct:.1f} % of its reference.")
    if expected.needed_time_s is not None:
        limit = (
            "Placing the probe scatters more than the tolerance: no counting time can watch it."
            if expected.needed_time_s == float("inf")
            else f"{expected.count_time_s:g} s on this source cannot tell the tolerance from chance: "
            f"it would need {expected.needed_time_s:.0f} s."
        )
        said.append(limit)
    st.caption(" ".join(said))


def _verdict(look: read.Look, verdict: BenchVerdict, entry: Entry) -> None:
    if not any(entry.countings()):
        return
    st.html(bench_words.panel(verdict))
    if verdict.patient_use == "not_until_cleared":
        bench_saved.call_and_spares(look, entry.probe)


def _positions(look: read.Look, entry: Entry) -> None:
    """The three-position window check and the side reading, opened on demand (or when something was typed there)."""
    with st.expander(
        "Window check and side reading",
        icon=":material/compare_arrows:",
        expanded=bool(entry.below or entry.above or entry.side),
    ):
        with st.container(horizontal=True):
            form.counts_box("Window below the peak", "below")
            form.counts_box("Window above the peak", "above")
            form.counts_box("Source beside the shaft", "side")
        centre = [one for placement in entry.countings() for one in placement]
        below, above = entry.positioned("below"), entry.positioned("above")
        _said(judge_window(below, centre, above), quiet=below is None and above is None)
        side = entry.positioned("side")
        if side is not None and centre:
            front = sum(one.counts for one in centre) / sum(one.time_s for one in centre)
            usual = next(
                (one.reference for one in look.assessment.series_of(entry.probe, "side") if one.window == entry.window),
                None,
            )
            known = f", usually {usual.value:.2g} %" if usual is not None else "; no usual value is known yet"
            st.caption(
                f"Side over front: {100 * side.rate_cps / front:.2g} % (gross){known}."
                if front > 0
                else "No counts in front."
            )


def _said(side: SideVerdict, *, quiet: bool) -> None:
    if quiet:
        st.caption(side.sentence)
    elif side.good is False:
        st.warning(side.sentence, icon=":material/warning:")
    else:
        st.caption(f"{'✓ ' if side.good else ''}{side.sentence}")


def _finish(entry: Entry, verdict: BenchVerdict, now: datetime) -> None:
    """Keep the draft, and save the check once it can be saved."""
    problems = entry.problems()
    for one in problems:
        st.error(one, icon=":material/edit:")
    draft_id = _keep(entry)
    with st.container(horizontal=True, vertical_alignment="bottom", key="save"):
        with st.container(width=360):
            by = person.name_field()
        missing = _missing(entry, by)
        st.button(
            "Save the check",
            type="primary",
            icon=":material/save:",
            disabled=bool(missing),
            width=240,
            help=f"Still missing: {missing}." if missing else "Goes into the records under your name.",
            on_click=_save,
            args=(entry.probe,),
        )
    if refused := st.session_state.pop(REFUSED, ""):
        st.error(refused, icon=":material/report:")
    if st.session_state.pop(KNOWN, False):
        st.info("This check is in the records already: nothing was added.", icon=":material/content_copy:")
    if missing:
        st.caption(f"Still missing before it can be saved: {missing}.")
    elif verdict.repeat:
        st.caption(
            "A reseated repeat is asked for. Saved as it is, the probe waits for it: patient use only after a good "
            "repeat."
        )
    if draft_id is not None:
        st.caption(
            f"Kept as a draft ({values.moment(now)}): it survives a reload and a lost connection. Nothing is in the records "
            "before this page says Saved; where it does not after a press, press again."
        )


def _missing(entry: Entry, by: str) -> str:
    """What is still missing before the check can be saved; empty where nothing is."""
    if not any(entry.countings()):
        return "a count on the source"
    if not by:
        return "your name"
    return "numbers that can be read" if entry.problems() else ""


def _save(probe: str) -> None:
    """What the button does, before anything is drawn: the check into the records, and its address into the page's."""
    by, asked = person.typed(), st.query_params.get(DRAFT, "")
    try:
        settings = read.settings()
        now = moment.now(settings.site.time_zone)
        entry = _typed(probe, by, now)
        if _missing(entry, by):
            return  # the form says what
        if (over := entry.over_by(now)) is not entry:
            form.begin(over.started_at)  # kept, so that pressing again after a lost connection saves the same check
            entry = over
        report = act_record.save_check(entry, settings, by=by, draft_id=int(asked) if asked.isdigit() else None)
    except UserError as error:
        st.session_state[REFUSED] = str(error)
        return
    if report.load is None:
        st.session_state[KNOWN] = True
        return
    st.session_state["person_kept"] = by
    st.session_state.pop(form.FOR, None)
    st.query_params.pop(DRAFT, None)
    st.query_params.update({SAVED: entry.probe, AT: (entry.started_at or now).isoformat()})


def _keep(entry: Entry) -> int | None:
    """Keep what was typed; the draft's number goes into the address, so that a reload finds it."""
    asked = st.query_params.get(DRAFT, "")
    draft_id = int(asked) if asked.isdigit() else None
    if not entry.started:
        return draft_id
    payload = entry.payload()
    if payload != st.session_state.get("b_kept"):
        try:
            draft_id = act_record.keep_draft(entry, draft_id)
        except UserError as error:
            st.warning(f"What was typed is not kept as a draft yet: {error}", icon=":material/cloud_off:")
            return draft_id
        st.session_state["b_kept"] = payload
        if str(draft_id) != asked:
            st.query_params[DRAFT] = str(draft_id)
    return draft_id


if __name__ == "__main__":
    show()
