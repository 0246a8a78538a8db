"""Fleet, Alerts, Probe and Sources under AppTest: on a faulty, a healthy and an empty store, and by their links."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words

PAGES = ("fleet", "alerts", "probe", "sources")


def link(probe):
    """A probe's name in a sentence, as a link that stays in its tab."""
    return f'<a href="probe?probe={probe}" target="_self">{probe}</a>'


@pytest.fixture(scope="module")
def faulty():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("kind", ["faulty", "healthy", "young", "empty"])
def test_a_page_opens_without_an_exception(monkeypatch, faulty, name, kind):
    """Each page opens on a fleet with every fault, a sound one, one with no reference yet, and on nothing."""
    made = {
        "faulty": lambda: faulty,
        "healthy": lambda: made_up.fleet(("healthy",) * 4),
        "young": lambda: made_up.fleet(("young",)),
        "empty": made_up.empty,
    }[kind]()
    use(monkeypatch, *made)
    at = open_page(name)
    assert not at.exception
    assert not at.error
    assert len(at.title) == 1


@pytest.mark.parametrize("name", PAGES)
def test_an_empty_store_says_what_to_do_first(monkeypatch, name):
    """With nothing recorded each page names the demo and the import, and shows nothing else."""
    use(monkeypatch, *made_up.empty())
    said = words(open_page(name))
    assert "This store is empty" in said
    assert "steadycount demo" in said


@pytest.mark.parametrize("name", PAGES)
def test_every_page_carries_the_cautions(monkeypatch, faulty, name):
    """The footer stands under each page and says that the tool clears no probe for a patient."""
    use(monkeypatch, *faulty)
    assert "does not clear a probe for a patient" in words(open_page(name))


def test_fleet_says_who_is_fit_and_who_is_barred(monkeypatch, faulty):
    """The first sentence counts the fit probes and names those that are not for patient use."""
    use(monkeypatch, *faulty)
    said = words(open_page("fleet"))
    assert "9 of 17 probes are fit" in said
    assert f"Not for patient use until cleared: **{link('GP-005')}, {link('GP-009')}**" in said
    assert "CK-C1" in said


def test_a_sound_probe_that_is_withdrawn_is_not_counted_as_fit(monkeypatch, faulty):
    """Advice `use` with patient use barred: not among the fit in the first sentence nor in the figure over them."""
    records, assessment = faulty
    idle = next(one for one in assessment.probes if one.advice == "use")
    probes = tuple(replace(one, patient_use="not_until_cleared") if one is idle else one for one in assessment.probes)
    use(monkeypatch, records, replace(assessment, probes=probes))
    at = open_page("fleet")
    assert "8 of 17 probes are fit" in words(at)
    assert at.button(key="pick-use").label.startswith("**8**")
    assert "1 more would be, but out of use" in at.button(key="pick-use").help


def test_every_name_and_figure_of_the_first_sentence_leads_on(monkeypatch, faulty):
    """Barred probes and doubtful sources are links to their pages."""
    use(monkeypatch, *faulty)
    said = words(open_page("fleet"))
    assert link("GP-005") in said
    assert 'href="sources?kind=check+sources&amp;name=CK-C1"' in said


def test_the_time_range_is_kept_over_pages(monkeypatch, faulty):
    """A year chosen on one probe is the year shown of the next, after another page; an address that names a range has its own."""
    use(monkeypatch, *faulty)
    at = open_page("probe", probe="GP-001")
    at.segmented_control(key="span").set_value("1 year").run()
    at.switch_page("views/alerts.py").run()
    at.query_params["probe"] = "GP-002"
    at.switch_page("views/probe.py").run()
    assert at.segmented_control(key="span").value == "1 year"
    assert open_page("probe", probe="GP-002").segmented_control(key="span").value == "all"


def test_fleet_says_what_changed_in_a_month(monkeypatch, faulty):
    """A probe whose answer is another than 30 days ago is listed with both answers."""
    use(monkeypatch, *faulty)
    said = words(open_page("fleet"))
    assert "fit → **pull in**" in said
    assert "fit → **retire, not for patients until cleared**" in said


def test_pressing_a_count_leaves_these_probes_in_the_table(monkeypatch, faulty):
    """The figure over an answer is a way to its probes."""
    use(monkeypatch, *faulty)
    at = open_page("fleet")
    at.button(key="pick-watch").click().run()
    assert sorted(_probes(at)["probe"]) == ["GP-002", "GP-006"]


def _probes(at):
    """The table of all chosen probes."""
    return next(one.value for one in at.dataframe if "why" in one.value)


def test_a_fleet_link_restores_its_choice(monkeypatch, faulty):
    """A link with a status and a site opens on these probes alone."""
    use(monkeypatch, *faulty)
    at = open_page("fleet", status="pull in", site="Old Mill")
    assert list(_probes(at)["probe"]) == ["GP-003"]


def test_alerts_tell_the_gravest_first(monkeypatch, faulty):
    """A probe barred from patients stands before one that is only to be pulled in, and both before a watched one."""
    use(monkeypatch, *faulty)
    heads = [m.value for m in open_page("alerts").markdown if m.value.startswith("## ")]
    names = [one.split()[-1].replace("\\", "") for one in heads]
    assert names[:2] == ["GP-009", "GP-005"] or names[:2] == ["GP-005", "GP-009"]
    assert names.index("GP-004") < names.index("GP-006")
    assert "GP-002" not in names


def test_alerts_speak_in_sentences_with_date_and_cause(monkeypatch, faulty):
    """Each open happening says what, since when, when first signalled and by which rule, and the likely cause."""
    use(monkeypatch, *faulty)
    said = words(open_page("alerts"))
    assert "It probably began about" in said
    assert "First signalled on" in said
    assert "Most likely cause: loss of efficiency, 93 % sure" in said


def test_a_probe_link_opens_that_probe(monkeypatch, faulty):
    """``/probe?probe=GP-004`` shows GP-004, its verdict, its reasons and its likely cause."""
    use(monkeypatch, *faulty)
    at = open_page("probe", probe="GP-004")
    said = words(at)
    assert at.selectbox(key="probe").value == "GP-004"
    assert "GP\\-004: pull in".replace("\\-", "-") in said
    assert "The photopeak has slid 4.6 % in its window" in said


def test_an_undetermined_probe_says_what_is_missing(monkeypatch, faulty):
    """Where the records do not carry an answer, the page names what would have to be there."""
    use(monkeypatch, *faulty)
    assert "**Missing:** A check on the check source" in words(open_page("probe", probe="GP-007"))


def test_a_check_link_shows_its_countings_and_its_steps(monkeypatch, faulty):
    """``at=`` picks a check; its countings come with file and row, its number step by step."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    series = assessment.series_of("GP-001", "response")[0]
    when = assessment.points_of(series)["check_at"].iloc[40].strftime("%Y-%m-%dT%H:%M:%S")
    at = open_page("probe", probe="GP-001", at=when)
    steps = at.table[0].value
    assert list(steps["Step"])[:5] == ["Gross", "Dead time", "Background", "Net", "Decay"]
    countings = next(d.value for d in at.dataframe if "file" in d.value)
    assert set(countings["role"]) == {"source", "background"}
    assert set(countings["file"]) == {"checks.csv"}


def _reason(at):
    """The field that asks why a counting is hidden."""
    return next(one for one in at.text_input if str(one.key).startswith("exclude-reason"))


def test_excluding_needs_a_name_and_a_reason(monkeypatch, faulty):
    """The button that hides a counting stays shut until both are given."""
    use(monkeypatch, *faulty)
    at = open_page("probe", probe="GP-001")
    assert at.button(key="exclude-now").disabled
    _reason(at).set_value("source not seated")
    at.text_input(key="exclude-by").set_value("A. Lind")
    at.run()
    assert not at.button(key="exclude-now").disabled


def test_excluding_passes_the_countings_the_name_and_the_reason_on(monkeypatch, faulty):
    """What is written is exactly what was chosen: the source countings of the check, by whom, and why."""
    from dashboard.seam import act

    use(monkeypatch, *faulty)
    written = []
    monkeypatch.setattr(act, "exclude", lambda ids, *, by, reason: written.append((list(ids), by, reason)))
    at = open_page("probe", probe="GP-001")
    _reason(at).set_value("source not seated")
    at.text_input(key="exclude-by").set_value("A. Lind")
    at.run()
    at.button(key="exclude-now").click().run()
    records = faulty[0]
    mine = records.readings[(records.readings["probe"] == "GP-001") & (records.readings["measurement"] == "source")]
    assert written == [([int(mine["reading_id"].iloc[-1])], "A. Lind", "source not seated")]


def test_a_source_in_doubt_opens_first_and_says_why(monkeypatch, faulty):
    """The page opens on the source to be verified, with its reason, its activity and the probes on it."""
    use(monkeypatch, *faulty)
    at = open_page("sources")
    said = words(at)
    assert "CK-C1: verify" in said
    assert "its half-life on record is doubtful" in said
    on_it = next(one.value for one in at.dataframe if "first_on" in one.value)
    assert set(on_it["probe"]) == {"GP-003", "GP-006", "GP-009", "GP-012", "GP-015"}


def test_a_jig_link_opens_the_jig(monkeypatch, faulty):
    """``/sources?kind=jigs&name=J2`` shows that jig."""
    use(monkeypatch, *faulty)
    at = open_page("sources", kind="jigs", name="J2")
    assert at.selectbox(key="name").value == "J2"


def test_two_probes_can_be_set_beside_each_other(monkeypatch, faulty):
    """``with=`` adds the response of another probe as a row of the same time axis, under its own name."""
    import json

    use(monkeypatch, *faulty)
    at = open_page("probe", probe="GP-003", **{"with": "GP-012"})
    assert not at.exception
    charts = [json.loads(one.proto.spec) for one in at.get("plotly_chart")]
    titles = [note["text"] for chart in charts for note in chart["layout"]["annotations"]]
    assert "GP-012: Response, cps/kBq" in titles
