"""``design`` for textbook charts: the contract's rows, in the order asked, and clear refusals."""

import json

import pytest

from analytics.charts.design import chart_rows
from analytics.errors import UserError


def test_rows_follow_the_contract():
    """Shifts come first, then drifts, each with its mean run length and nothing else."""
    answer = chart_rows("cusum", k=0.5, h=5.0, shifts=[0.5, -0.25], drifts=[0.1, 0.01])
    names = [list(row) for row in answer["rows"]]
    assert names == [["shift", "mean_run_length"]] * 2 + [["drift", "mean_run_length"]] * 2
    assert [row.get("shift", row.get("drift")) for row in answer["rows"]] == [0.5, -0.25, 0.1, 0.01]
    assert answer["rows"][0]["mean_run_length"] == pytest.approx(37.9961431893664, rel=1e-9)


def test_each_chart_takes_its_options():
    """Head start, sides, varying limits and run rules reach the charts they belong to (published values)."""
    head = chart_rows("cusum", k=0.5, h=4.0, head_start=2.0, shifts=[0.0])
    upper = chart_rows("cusum", k=0.5, h=3.0, sides=1, shifts=[0.0])
    varying = chart_rows("ewma", weight=0.05, limit=3.0, limits="varying", shifts=[0.0])
    rules = chart_rows("shewhart", limit=3.0, runs=(1, 2), shifts=[0.0])
    values = [answer["rows"][0]["mean_run_length"] for answer in (head, upper, varying, rules)]
    assert values == pytest.approx([148.69564999, 117.59570422, 1347.1625375, 225.4384067], rel=1e-7)


def test_a_run_length_without_a_mean_is_null():
    """What has no finite mean is null in the answer, which stays valid JSON."""
    answer = chart_rows("cusum", k=0.5, h=5.0, sides=1, drifts=[-0.1])
    assert answer == {"rows": [{"drift": -0.1, "mean_run_length": None}]}
    json.dumps(answer, allow_nan=False)


@pytest.mark.parametrize(("chart", "parameters", "says"), [
    ("cusum", {"k": 0.5, "shifts": [0]}, "needs --h"),
    ("cusum", {"k": 0.5, "h": 5, "weight": 0.1, "shifts": [0]}, "has no --weight"),
    ("ewma", {"weight": 0.1, "limit": 3}, "no shift and no drift"),
    ("shewhart", {"limit": 3, "shifts": [float("nan")]}, "not a finite number"),
    ("moving", {"shifts": [0]}, "is no chart"),
    ("ewma", {"weight": 2, "limit": 3, "shifts": [0]}, "between"),
])
def test_refusals_say_what_is_wrong(chart, parameters, says):
    """A missing, foreign or impossible parameter is named."""
    with pytest.raises(UserError, match=says):
        chart_rows(chart, **parameters)
