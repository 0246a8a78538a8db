"""What watching costs, under AppTest: begun from the fleet, restored by its link, with a picture and its numbers."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path

import pytest

from analytics.charts.price import Situation, mean_checks
from analytics.charts.price_basis import basis_of
from analytics.charts.price_document import BUDGETS, price_document
from dashboard.figures.price import price_curves
from dashboard.seam import pricing
from dashboard.seam.price_curves import CURVE_DRIFTS_PCT_PER_YEAR, CURVE_STEPS_PCT, curves
from tests.dashboard import made_up
from tests.dashboard.opened import open_page, use, words

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def fleet():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


@pytest.fixture
def page(monkeypatch, fleet):
    """The page as it opens on the fleet."""
    use(monkeypatch, *fleet)
    return open_page("price")


def test_it_begins_with_the_fleets_own_medians(page, fleet):
    """The four fields hold cadence, counts and spread of the store's own checks to two digits, and the budget of the settings."""
    own = basis_of(fleet[1], fleet[0].readings)
    held = {one.key: one.value for one in page.number_input}
    assert held["budget"] == 0.05
    assert held["cadence"] == pytest.approx(own.cadence_days, abs=0.051)
    assert (held["counts"], held["placing"]) == (float(f"{own.counts:.2g}"), float(f"{own.repositioning_pct:.2g}"))
    assert "medians of your own fleet" in words(page)


def test_the_fleets_spread_is_the_one_its_intervals_were_made_with(fleet):
    """Counting and placing together are the scatter by which the charted values' 90 % intervals were drawn."""
    assessment = fleet[1]
    own = basis_of(assessment, fleet[0].readings)
    assert own.checks > 100
    points = assessment.points[assessment.points["series"].isin([s.index for s in assessment.series if s.quantity == "response"])]
    drawn = float((50.0 * (points["value_high"] - points["value_low"]) / 1.6448536 / points["value"]).median())
    assert math.hypot(own.repositioning_pct, 100.0 / math.sqrt(own.counts)) == pytest.approx(drawn, rel=0.1)


def test_a_link_restores_the_question(monkeypatch, fleet):
    """Budget, cadence, counts and placing stand in the address, and the answer is theirs."""
    use(monkeypatch, *fleet)
    at = open_page("price", budget="0.2", cadence="30", counts="20000", placing="0.8")
    assert not at.exception
    held = {one.key: one.value for one in at.number_input}
    assert [held[one] for one in ("budget", "cadence", "counts", "placing")] == [0.2, 30.0, 20000.0, 0.8]
    days = 30.0 * mean_checks(Situation(0.2, 30.0, 20000.0, 0.8), "drift", 10.0)[0]
    assert f"a loss of 10 % a year after **{days:.3g} d**" in words(at)


def test_an_impossible_link_falls_back(monkeypatch, fleet):
    """Numbers out of bounds and words in the address leave the fleet's own values, and no error."""
    use(monkeypatch, *fleet)
    at = open_page("price", budget="-1", counts="many", cadence="nan")
    assert not at.exception
    assert {one.key: one.value for one in at.number_input}["budget"] == 0.05
    assert all(math.isfinite(one.value) for one in at.number_input)


def test_the_picture_has_a_line_for_every_budget_and_the_old_habit(page):
    """Two panels: each with 0.02, 0.05, 0.1, 0.2 a probe-year, the one asked for thick, and the fixed limit."""
    spec = json.loads(page.get("plotly_chart")[0].proto.spec)
    names = [one["name"] for one in spec["data"]]
    assert len(names) == 10
    assert {name.split(",")[0] for name in names} == {*(f"{one:g} a probe-year" for one in BUDGETS), "fixed ±10 %"}
    assert [one["line"]["width"] for one in spec["data"] if "asked for" in one["name"]] == [4, 4]


def test_larger_budgets_lie_lower(page):
    """At the same loss a larger budget signals no later, and each line falls with the size of a drift."""
    found = curves(Situation(0.05, 7.0, 4000.0, 1.0))
    drifts = sorted((one for one in found if one.kind == "drift" and one.budget), key=lambda one: one.budget)
    for smaller, larger in pairwise(drifts):
        assert all(b <= 1.02 * a for a, b in zip(smaller.days, larger.days, strict=True))
    for one in drifts:
        assert list(one.days) == sorted(one.days, reverse=True)


def test_the_table_holds_what_the_picture_shows():
    """One row a loss, one column a budget; what is not signalled within a century has no number and no point."""
    found = curves(Situation(0.05, 7.0, 4000.0, 1.0))
    rows = pricing.curve_table(found)
    assert list(rows.columns) == ["loss", *(f"{one:g} a probe-year" for one in BUDGETS), "fixed ±10 %"]
    assert len(rows) == len(CURVE_STEPS_PCT) + len(CURVE_DRIFTS_PCT_PER_YEAR)
    one = next(c for c in found if c.kind == "step" and c.budget is None)
    assert one.days[0] is None
    trace = next(t for t in price_curves(found, 0.05).data if t.name == "fixed ±10 %")
    assert len(trace.x) == sum(d is not None for d in one.days)


def test_an_empty_store_says_what_to_do_first(monkeypatch):
    """Without a reading the page names the demo and the import."""
    use(monkeypatch, *made_up.empty())
    assert "steadycount demo" in words(open_page("price"))


def test_the_readme_names_every_key_of_the_answer(page):
    """The keys of ``design --json`` for users are in the README, so that a script can be written from it."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    answer = price_document(Situation(0.05, 7.0, 5000.0, 1.0), reference_readings=20, window_cadence_days=None)
    assert [one for one in answer if f"`{one}`" not in readme] == []
