"""How a number came about, held against worked examples from textbooks."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta

import pytest

from analytics.records import snapshot
from analytics.records.snapshot import Records
from analytics.results import SeriesResult
from analytics.settings import load
from dashboard.seam.steps import account

AT = datetime(2024, 3, 1, 8)


class Point:
    """A point of the table, as far as the account looks at it."""

    check_at, flag, source, shared_pct, corrected, expected, z = AT, "used", "CK-1", 0.0, float("nan"), 1.0, 0.0


def _account(
    gross, background, seconds, *, age_days=0.0, dead_time_us=0.0, activity_kbq=1.0, excluded=False, point=Point
):
    readings = [
        {"reading_id": 1, "taken_at": AT - timedelta(minutes=2), "measurement": "background", "counts": background},
        {
            "reading_id": 2,
            "taken_at": AT,
            "measurement": "source",
            "counts": gross,
            "source": "CK-1",
            "excluded": excluded,
        },
    ]
    same = {
        "probe": "GP-1",
        "window": "Co-57",
        "count_time_s": seconds,
        "repeat": 1,
        "jig": "J1",
        "file": "a.csv",
        "row": 2,
    }
    empty = Records.nothing()
    source = {
        "source": ["CK-1"],
        "nuclide": ["Co-57"],
        "reference_at": [AT - timedelta(days=age_days)],
        "activity_kbq": [activity_kbq],
    }
    records = Records(
        revision=1,
        readings=Records.table(
            snapshot.READINGS, {k: [(r | same).get(k) for r in readings] for k in snapshot.READINGS}
        ),
        probes=Records.table(snapshot.PROBES, {"probe": ["GP-1"], "site": ["S"], "dead_time_us": [dead_time_us]}),
        sources=Records.table(snapshot.SOURCES, source),
        windows=empty.windows,
        events=empty.events,
        inspections=empty.inspections,
        uses=empty.uses,
        outcomes=empty.outcomes,
        decisions=empty.decisions,
    )
    series = SeriesResult(
        0,
        "GP-1",
        "Co-57",
        "J1",
        None,
        "Co-57",
        "response",
        "cps/kBq",
        1,
        AT,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        False,
        (),
    )
    found = account(records, load(), series, point, AT + timedelta(hours=1))
    plain = [
        dataclasses.replace(step, value=step.value.replace("\N{NARROW NO-BREAK SPACE}", " ")) for step in found.steps
    ]
    return {step.name: step for step in plain}, found


def test_net_counts_and_their_uncertainty():
    """40,000 less 2,000 is 38,000 ± 205 (Saha, Physics and Radiobiology of Nuclear Medicine, p. 39).

    561 less 410 in a minute each is 151 ± 31.2 (Knoll, problem 3.7).
    """
    steps, _ = _account(40000, 2000, 1.0)
    assert steps["Gross"].value == "40 000 ± 200 cps"
    assert steps["Net"].value == "38 000 ± 205 cps"
    steps, _ = _account(561, 410, 60.0)
    assert steps["Net"].value == "2.52 ± 0.52 cps"


def test_dead_time_is_put_back():
    """With 10 µs non-paralysable, 20,000 cps observed are 25,000 cps true (computed from n = m/(1 − mτ))."""
    steps, found = _account(200000, 0, 10.0, dead_time_us=10.0)
    assert steps["Dead time"].value.startswith("25 000 ±")
    assert "20 % of the counts lost" in steps["Dead time"].how
    assert any("10 % of the counts" in text for text in found.remarks)


def test_decay_is_taken_out():
    """After 30 days 3.7 MBq of Co-57 are 3,427,426 Bq (ICRP 107: 271.74 d, by the radioactivedecay package)."""
    steps, _ = _account(100000, 0, 10.0, age_days=30.0)
    assert "271.74 d" in steps["Decay"].how
    assert float(steps["Decay"].value.removeprefix("÷ ")) == pytest.approx(3427426 / 3700000, abs=1e-5)


def test_a_rest_of_arithmetic_is_no_finding():
    """Of a check that is its own reference the departure is nought, and not fifteen noughts and a digit."""

    class Own(Point):
        corrected, expected, z, shared_pct = 1.228, 1.228, 3.7e-16, -0.057

    said, _ = _account(592, 64, 10.0, point=Own)
    assert said["Charted"].how == "against a reference of 1.228 cps/kBq: 0.0 standard deviations"
    assert said["Shared movement"].value == "−0.1 %"


def test_a_response_is_net_over_decayed_activity():
    """10,000 cps on 3,700 kBq at its reference date are 2.703 cps/kBq."""
    steps, _ = _account(100000, 0, 10.0, activity_kbq=3700.0)
    assert steps["Response"].value.startswith("2.70")
    assert steps["Response"].value.endswith("cps/kBq")


def test_no_logarithm_is_taken_of_nothing():
    """A net count under the decision limit ends the account with "no signal"."""
    steps, _ = _account(31, 30, 10.0)
    assert steps["Response"].value == "no signal"
    assert "Charted" not in steps


def test_every_counting_comes_with_file_and_row():
    """The account lists source and background counting, each with where it came from."""
    _, found = _account(40000, 2000, 1.0)
    assert found.countings["role"].tolist() == ["background", "source"]
    assert found.countings["file"].tolist() == ["a.csv", "a.csv"]


def test_an_excluded_check_is_still_accounted_for():
    """Its steps are those it would have had, so that the reason can be judged."""

    class Hidden(Point):
        flag = "excluded"

    steps, found = _account(40000, 2000, 1.0, excluded=True, point=Hidden)
    assert steps["Net"].value == "38 000 ± 205 cps"
    assert found.countings["excluded"].tolist() == [False, True]
