"""``steadycount design``: run lengths on the command line."""

from __future__ import annotations

import pytest

from tests.commands.cli import document, run, run_apart, said_in_one_line


def test_cusum_rows_stand_in_the_order_asked_shifts_first():
    """Rows carry the sizes as asked, shifts before drifts, each with its mean run length."""
    rows = document(
        run("design", "--chart", "cusum", "--k", 0.5, "--h", 5, "--shifts=0.5,-0.25,0", "--drifts=0.1,0.01", "--json")
    )["rows"]
    assert [(row.get("shift"), row.get("drift")) for row in rows] == [
        (0.5, None),
        (-0.25, None),
        (0.0, None),
        (None, 0.1),
        (None, 0.01),
    ]
    assert all(row["mean_run_length"] > 1 for row in rows)


def test_cusum_in_control_run_length_is_the_published_one():
    """CUSUM k 0.5, h 4, two-sided, for 0, 0.25, 0.5 sigma: 168, 74.2, 26.6 (Lucas & Crosier 1982, Table 1)."""
    rows = document(run("design", "--chart", "cusum", "--k", 0.5, "--h", 4, "--shifts=0,0.25,0.5", "--json"))["rows"]
    assert [round(row["mean_run_length"], 1) for row in rows] == [167.7, 74.2, 26.6]  # printed without the decimal: 168


def test_run_rules_are_taken_as_a_list():
    """Western Electric 1 to 4 together: 91.75 in control (Champ & Woodall 1987; methods §5, computed)."""
    result = run("design", "--chart", "shewhart", "--limit", 3, "--runs", "1,2,3,4", "--shifts=0", "--json")
    assert document(result)["rows"][0]["mean_run_length"] == pytest.approx(91.75, abs=0.01)


def test_ewma_limits_can_be_fixed_or_varying():
    """Limits that widen from the start signal a large early shift sooner than fixed ones."""
    asked = ("--chart", "ewma", "--weight", 0.1, "--limit", 2.7, "--shifts=2", "--json")
    fixed, varying = (document(run("design", *asked, "--limits", how)) for how in ("fixed", "varying"))
    assert varying["rows"][0]["mean_run_length"] < fixed["rows"][0]["mean_run_length"]


def test_numbers_have_ten_significant_digits():
    """A printed number is the value rounded to ten significant digits."""
    row = document(run("design", "--chart", "shewhart", "--limit", 3, "--shifts=0", "--json"))["rows"][0]
    assert row["mean_run_length"] == float(f"{row['mean_run_length']:.10g}")
    assert row["mean_run_length"] == pytest.approx(370.398, abs=0.001)


def test_standard_output_holds_the_document_alone(tmp_path):
    """In a process of its own, --json prints one document and standard error stays empty."""
    result = run_apart("design", "--chart", "shewhart", "--limit", 3, "--shifts=0", "--json", cwd=tmp_path)
    assert result.returncode == 0
    assert len(document(result)["rows"]) == 1
    assert result.stderr == ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--chart", "cusum", "--k", "0.5", "--shifts=0"], "--h"),
        (["--chart", "cusum", "--k", "0.5", "--h", "5", "--shifts=0,half"], "--shifts"),
        (["--chart", "cusum", "--k", "0.5", "--h", "-5", "--shifts=0"], "h"),
        (["--chart", "shewhart", "--limit", "3", "--runs", "one", "--shifts=0"], "--runs"),
        (["--chart", "ewma", "--weight", "1.5", "--limit", "3", "--shifts=0"], "weight"),
    ],
)
def test_a_chart_that_cannot_be_is_refused_in_one_line(arguments, said):
    """Missing, impossible and unreadable parameters end with 2 and name the option."""
    assert said in said_in_one_line(run("design", *arguments))


def test_without_json_a_table_is_printed():
    """A person reads sizes and run lengths in columns."""
    lines = run("design", "--chart", "cusum", "--k", 0.5, "--h", 5, "--shifts=1", "--drifts=0.1").stdout.splitlines()
    assert [line.split()[0] for line in lines[1:]] == ["step", "drift"]
