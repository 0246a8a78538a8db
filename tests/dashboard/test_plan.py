"""Service plan, under AppTest and as a figure."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from analytics.advice.visits import plain_plan
from analytics.records import loans
from analytics.records.load import load_files
from analytics.results import Crossing
from analytics.settings import load
from dashboard.figures.plan_calendar import TASKS, lanes, plan_calendar
from tests.advice import bench_case as case
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words

FROM, TO = date(2026, 3, 2), date(2026, 5, 31)


@pytest.fixture(scope="module")
def faulty():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


def visits(at):
    """The table of every visit on the page."""
    return next(one.value for one in at.dataframe if "due_on" in one.value)


@pytest.mark.parametrize(("kind", "said"), [
    ("faulty", "cannot wait its turn"), ("healthy", "Nothing: no service or replacement is due"),
    ("empty", "This store is empty"),
])  # fmt: skip
def test_the_page_opens_on_any_store(monkeypatch, faulty, kind, said):
    """With faults, without, and with nothing: no exception, and the page says which it is."""
    made = {"faulty": lambda: faulty, "healthy": lambda: made_up.fleet(("healthy",) * 4), "empty": made_up.empty}[
        kind
    ]()
    use(monkeypatch, *made)
    at = open_page("plan")
    assert not at.exception
    assert not at.error
    assert said in words(at)


def test_each_pressing_thing_has_its_reason_and_a_link_to_the_probe(monkeypatch, faulty):
    """A probe to be serviced stands under what cannot wait, with its reason, and its name leads to its page."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    said = words(open_page("plan"))
    pulled = next(one for one in assessment.probes if one.advice == "service")
    assert f'href="probe?probe={pulled.probe}"' in said
    assert "advice is a service" in said


def test_every_task_in_the_table_leads_to_its_probe(monkeypatch, faulty):
    """The link column holds the address of the probe's page, for each row."""
    use(monkeypatch, *faulty)
    rows = visits(open_page("plan"))
    assert len(rows) > 0
    assert all(
        link == (f"sources?source={name}" if "source" in what and "replace" in what else f"probe?probe={name}")
        for link, name, what in zip(rows["story"], rows["probe"], rows["what"], strict=True)
    )


def test_a_link_restores_site_and_horizon(monkeypatch, faulty):
    """An address with site and dates opens on these: only that site, no day outside."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    site = assessment.probes[0].site
    first, last = (assessment.as_of.date() + timedelta(days=n) for n in (0, 30))
    rows = visits(open_page("plan", **{"site": site, "from": str(first), "to": str(last)}))
    assert set(rows["site"]) == {site}
    assert all(first <= day <= last for day in rows["on"])


def test_a_reversed_horizon_gets_one_clear_line(monkeypatch, faulty):
    """An address whose end lies before its beginning says so and shows no plan."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    later = assessment.as_of.date().replace(year=assessment.as_of.year + 1)
    at = open_page("plan", **{"from": later.isoformat()})
    assert not at.exception
    assert "before it begins" in at.error[0].value
    assert not at.dataframe


def test_a_horizon_in_the_past_gets_one_clear_line(monkeypatch, faulty):
    """Dates that are over say so; a beginning in the past alone is moved to today, and the page says that too."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    at = open_page("plan", **{"from": "2020-01-01", "to": "2020-02-01"})
    assert "before the day it is made on" in at.error[0].value
    assert "cannot be planned any more" in words(open_page("plan", **{"from": "2020-01-01"}))


def test_unknown_cost_is_a_dash_with_its_reason(monkeypatch, faulty):
    """No prices are set: the cost is not known, and the page says why."""
    use(monkeypatch, *faulty)
    assert "Cost: – (the settings name no price" in words(open_page("plan"))


def made(probes, series=None, **layers):
    """A plan of the plain case, in which somebody comes for every check."""
    records = case.records(probes=len(probes))
    layers = {"schedule": {"visit_from_days": 1}, **layers}
    return plain_plan(case.assessment(probes, series), records, load(layers), FROM, TO)


def test_routine_probes_share_their_sites_lane():
    """Six routine probes at two sites make two lanes; a service gets a lane of its own below its site."""
    routine = tuple(case.probe(f"GP-{n + 1}", ("North", "South")[n % 2]) for n in range(6))
    assert [row.label for row in lanes(made(routine))] == ["North: visits", "South: visits"]
    pulled = (*routine[:5], case.probe("GP-6", "South", advice="service"))
    assert [row.label for row in lanes(made(pulled))] == ["North: visits", "South: visits", "GP-6"]
    assert len(lanes(made(routine), every_probe=True)) == 8


def test_the_calendar_draws_every_task_of_its_lanes():
    """Each service of the plan is one mark on its day, in its lane, saying why."""
    pulled = (case.probe("GP-1"), case.probe("GP-2", advice="service", reasons=("response 88 %.",)))
    figure = plan_calendar(made(pulled), {}, FROM)
    (service,) = [trace for trace in figure.data if trace.name == TASKS["service"].word]
    assert list(service.x) == [FROM]
    assert [list(one) for one in service.customdata] == [["North", "GP-2", "service"]]
    assert "response 88 %" in service.text[0]


def test_a_forecast_is_a_bar_with_its_median():
    """A crossing inside the horizon is drawn from its 5 % to its 95 % date, with a tick at the median."""
    coming = Crossing(90.0, date(2026, 4, 1), date(2026, 4, 20), date(2026, 5, 10), {})
    plan = made((case.probe(advice="watch"),), (case.series(crossing=coming),))
    figure = plan_calendar(plan, {"GP-1": coming}, FROM)
    bar = next(trace for trace in figure.data if trace.name and "90 %" in trace.name)
    tick = next(trace for trace in figure.data if trace.name == "its median")
    assert [bar.x[0], bar.x[1]] == [date(2026, 4, 1), date(2026, 5, 10)]
    assert list(tick.x) == [date(2026, 4, 20)]


def test_a_site_short_of_cover_is_shaded():
    """Where fewer fit probes are left than must stay, the site's lane is shaded from that day."""
    figure = plan_calendar(made((case.probe(),), cover={"least_fit_probes": 2}), {}, FROM)
    (shape,) = [one for one in figure.layout.shapes if one.type == "rect"]
    assert str(shape.x0) == FROM.isoformat()


def test_names_from_the_records_are_no_markup():
    """A probe called <b>x</b> is written as it is, not taken for markup."""
    odd = (case.probe("GP-1", advice="service", reasons=("<b>bold</b>",)),)
    figure = plan_calendar(made(odd), {}, FROM)
    service = next(trace for trace in figure.data if trace.name == TASKS["service"].word)
    assert "&lt;b&gt;bold" in service.text[0]


@pytest.fixture
def book(monkeypatch, faulty, tmp_path):
    """A store that holds the probes of the made-up fleet, for the register of loans."""
    records, assessment = faulty
    table = tmp_path / "probes.csv"
    records.probes[["probe", "site", "model_type"]].to_csv(table, index=False)
    load_files(tmp_path / "s.duckdb", [table], by="A. Lind", create=True)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(tmp_path / "s.duckdb"))
    use(monkeypatch, records, assessment)
    return tmp_path / "s.duckdb"


def field(at, kind, key):
    """A field of the page by its key."""
    return next(one for one in getattr(at, kind) if one.key == key)


def test_a_loan_is_entered_on_the_page_and_taken_back(book, faulty):
    """The form enters it with name and note; choosing its row and pressing takes it back; the register says both."""
    _, assessment = faulty
    home = assessment.probes[0]
    elsewhere = next(one.site for one in assessment.probes if one.site != home.site)
    at = open_page("plan")
    field(at, "selectbox", "loan_probe").set_value(home.probe)
    field(at, "selectbox", "loan_site").set_value(elsewhere)
    field(at, "text_input", "loan_note").set_value("cover in winter")
    next(one for one in at.button if one.label == "Enter").click()
    at.run()
    assert "no name was given" in at.error[0].value
    field(at, "text_input", "person_loan").set_value("A. Lind")
    next(one for one in at.button if one.label == "Enter").click()
    at.run()
    assert not at.exception
    (one,) = loans.loans(book)
    assert (one.probe, one.site, one.by, one.note) == (home.probe, elsewhere, "A. Lind", "cover in winter")
    at.session_state["loans"] = {"selection": {"rows": [0], "columns": [], "cells": []}}
    at.run()
    field(at, "text_input", "loan_change_why").set_value("wrong probe")
    next(one for one in at.button if one.label == "Take the entry back").click()
    at.run()
    assert loans.loans(book) == ()
    assert loans.register(book)["taken_back"].tolist() == [True]


def test_the_plan_stands_beside_the_one_by_due_dates(monkeypatch, faulty):
    """A table holds visits, cost, days at risk and missing cover of both, and no visits are more than by due dates."""
    use(monkeypatch, *faulty)
    at = open_page("plan")
    rows = at.table[0].value
    assert list(rows.index) == ["Visits", "Cost", "Days at risk", "Probe-days short of cover"]
    assert int(rows.loc["Visits", "This plan"]) <= int(rows.loc["Visits", "Each on its own due date"])
    assert "worked out to the end" in words(at)


def test_days_at_risk_lead_to_the_readings_they_come_from(monkeypatch, faulty):
    """Each probe with a forecast stands with its dates and its days, which add up to the plan's, and a link."""
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    at = open_page("plan")
    rows = next(one.value for one in at.dataframe if "plan_days" in one.value)
    assert len(rows) > 0
    assert set(rows["probe"]) <= {one.probe for one in assessment.series if one.crossing is not None}
    assert all(link == f"probe?probe={probe}" for link, probe in zip(rows["story"], rows["probe"], strict=True))
    total = at.table[0].value.loc["Days at risk", "This plan"]
    assert float(total.split()[0]) == pytest.approx(rows["plan_days"].sum(), rel=0.01)
