"""The answer as the document of the contract: every name and type, ten significant digits, null and never NaN."""

from __future__ import annotations

import json
import math
from datetime import date, datetime
from pathlib import Path

import jsonschema
import pytest

from analytics import settings
from analytics.answer import alert_json, as_json, device_json, number
from analytics.fleet import assess
from analytics.results import COUNTING_COLUMNS, POINT_COLUMNS, SHARED_COLUMNS, Alert, DeviceResult
from analytics.simulate import scoring_fleet, to_records

SHIPPED = settings.load()
SCHEMA = json.loads((Path(__file__).parent / "commands" / "assess.schema.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=["weekly", "monthly"])
def answer(request):
    """A fleet with faults of every kind, answered at its end."""
    made = scoring_fleet(9, probes=16, years=1.5, cadence=request.param, sites=2, wrong_date=True, two_windows=0.4)
    return assess(to_records(made), SHIPPED, made.ends_at)


def leaves(value, path="$"):
    """Every value of a document that is no container, with its path."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield from leaves(one, f"{path}.{name}")
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from leaves(one, f"{path}[{place}]")
    else:
        yield path, value


def test_it_is_the_document_of_the_contract(answer):
    """Every name, type and label is the contract's."""
    problems = jsonschema.Draft202012Validator(SCHEMA).iter_errors(as_json(answer))
    assert [f"{one.json_path}: {one.message[:200]}" for one in problems] == []


def test_it_goes_through_json_and_back(answer):
    """The document is plain JSON: no NaN, no infinity, and read back it is the same."""
    document = as_json(answer)
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_numbers_have_ten_significant_digits(answer):
    """No number carries more than ten digits, and there are numbers that carry as many as that."""
    numbers = [value for _, value in leaves(as_json(answer)) if isinstance(value, float)]
    assert all(value == float(f"{value:.10g}") for value in numbers)
    assert any(value != float(f"{value:.9g}") for value in numbers)


def test_intervals_hold_what_they_are_of(answer):
    """Current value and drift lie in their intervals, per cents are of the reference, crossings are in order."""
    for one in as_json(answer)["series"]:
        for name in ("current", "drift"):
            value, interval = one["current" if name == "current" else "drift_per_year"], one[f"{name}_interval"]
            assert interval is None or interval[0] <= value <= interval[1]
        if one["current_pct"] is not None:
            assert one["current_pct"] == pytest.approx(100 * one["current"] / one["reference"]["value"], rel=1e-8)
        if one["quantity"] == "response" and one["drift_per_year"] is not None:
            pct = 100 * one["drift_per_year"] / one["reference"]["value"]
            assert one["drift_pct_per_year"] == pytest.approx(pct, rel=1e-8, abs=1e-12)
        if one["crossing"] is not None:
            days = [one["crossing"][q] for q in ("p05", "p50", "p95") if one["crossing"][q] is not None]
            assert days == sorted(days)
            chances = [one["crossing"]["probability_within_days"][d] for d in ("90", "182", "365")]
            assert chances == sorted(chances)


def test_a_fleet_with_faults_has_crossings_alerts_and_nulls(answer):
    """The checks above are not held by an empty document."""
    series = as_json(answer)["series"]
    assert any(one["crossing"] is not None for one in series)
    assert any(one["alerts"] for one in series)
    assert any(one["drift_per_year"] is None for one in series)
    assert {one["quantity"] for one in series} >= {"response", "background", "window_shift", "scatter"}


def test_nothing_is_dated_after_the_moment(answer):
    """No alert, settling, reference or reading lies after ``as_of``."""
    as_of = answer.as_of
    for s in answer.series:
        assert s.latest_at <= as_of
        assert s.reference is None or s.reference.from_at <= s.reference.to_at <= as_of
        for a in s.alerts:
            assert a.signalled_at <= as_of
            assert a.settled_at is None or a.signalled_at <= a.settled_at <= as_of
            assert a.onset_estimate is None or a.onset_estimate <= a.signalled_at


def test_one_probe_alone_is_its_part_of_the_whole(answer):
    """``probe=`` leaves that probe's series and answer, and all sources, jigs and control units."""
    whole = as_json(answer)
    name = answer.probes[3].probe
    part = as_json(answer, name)
    assert part["series"] == [one for one in whole["series"] if one["probe"] == name]
    assert part["probes"] == [one for one in whole["probes"] if one["probe"] == name]
    assert part["sources"] == whole["sources"]


def test_tables_have_their_columns_in_order(answer):
    """Points, countings and shared movement carry the columns that were promised, the points in order."""
    assert list(answer.points.columns) == list(POINT_COLUMNS)
    assert list(answer.countings.columns) == list(COUNTING_COLUMNS)
    assert list(answer.shared.columns) == list(SHARED_COLUMNS)
    assert answer.points["series"].is_monotonic_increasing
    for s in answer.series:
        points = answer.points_of(s)
        assert points["check_at"].is_monotonic_increasing
        assert len(points) == s.readings
    assert set(answer.points["check"]) <= set(answer.countings["check"])


@pytest.mark.parametrize(("value", "said"), [
    (1 / 3, 0.3333333333), (123456789012.345, 123456789000.0), (0.0, 0.0), (-2.5e-13, -2.5e-13),
    (math.nan, None), (math.inf, None), (-math.inf, None), (None, None)])
def test_number(value, said):
    """Ten significant digits; what is not finite is not known."""
    assert number(value) == said


def test_moments_are_iso_8601():
    """Times to the second, to the microsecond only where there are some; null where there is none."""
    at = datetime(2024, 1, 2, 3, 4, 5)
    said = alert_json(Alert("E-1", "cusum", at, None, at.replace(microsecond=60), "low", "It fell."))
    assert said["signalled_at"] == "2024-01-02T03:04:05"
    assert said["settled_at"] == "2024-01-02T03:04:05.000060"
    assert said["onset_estimate"] is None


def test_a_device_stands_under_its_own_key():
    """A jig is `{"jig": name, …}`, with no more than the contract's names."""
    jig = DeviceResult("jig", "J-1", None, "use", (), (), too_weak_on=date(2024, 1, 1))
    assert device_json(jig) == {"jig": "J-1", "advice": "use", "reasons": [], "alerts": []}
