"""The assessment boiled down: counts, changes, episodes and overdue checks."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta

import pytest

from analytics.results import Alert
from dashboard.parts.words import CAUSE, PATIENT_USE, PROBE, QUANTITY, RULE
from dashboard.seam import digest
from dashboard.seam.probe_facts import facts
from tests.dashboard import made_up


@pytest.fixture(scope="module")
def made():
    """Records and answer of the fixture fleet."""
    return made_up.fleet()


def test_the_table_has_each_probe_once_worst_first(made):
    """Every registered probe is one row; those to be retired or pulled in stand on top."""
    records, assessment = made
    table = digest.fleet_table(assessment, records)
    assert sorted(table["probe"]) == sorted(records.probes["probe"])
    assert table["answer"].iloc[0].endswith("retire")
    assert table["answer"].iloc[-1].endswith("fit")


def test_what_is_not_known_stays_missing(made):
    """A probe without a present response has no number in the table, and its reason beside it."""
    records, assessment = made
    row = digest.fleet_table(assessment, records).set_index("probe").loc["GP-008"]
    assert row["now_pct"] != row["now_pct"]
    assert "17 more checks" in row["why"]


def test_no_drift_is_shown_as_minus_nought(made):
    """A slope of −0.01 % a year reads 0.0, not −0.0."""
    records, assessment = made
    series = tuple(
        dataclasses.replace(s, drift_pct_per_year=-0.01) if s.probe == "GP-001" and s.quantity == "response" else s
        for s in assessment.series
    )
    table = digest.fleet_table(dataclasses.replace(assessment, series=series), records).set_index("probe")
    assert str(table.loc["GP-001", "drift_pct_per_year"]) == "0.0"


def test_the_farthest_series_speaks_for_a_probe(made):
    """Of two response series the one farther from its reference is shown."""
    _, assessment = made
    one = assessment.series_of("GP-001", "response")[0]
    other = dataclasses.replace(one, window="Tc-99m", current_pct=88.0)
    both = dataclasses.replace(assessment, series=(*assessment.series, other))
    assert digest.headline(both)["GP-001"].window == "Tc-99m"


def test_a_check_due_today_is_not_overdue(made):
    """The day itself is still in time; the day after is not."""
    _, assessment = made
    today = assessment.as_of.date()
    first = dataclasses.replace(assessment.probes[0], next_check_due_on=today, next_window_check_due_on=None)
    second = dataclasses.replace(
        assessment.probes[1], next_check_due_on=today - timedelta(days=1), next_window_check_due_on=None
    )
    two = dataclasses.replace(assessment, probes=(first, second))
    assert digest.overdue(two)["probe"].tolist() == ["GP-002"]
    assert digest.on_time(two) == (1, 2)


def test_a_probe_that_stayed_as_it_was_is_no_change(made):
    """Comparing an answer with itself gives no change."""
    _, assessment = made
    assert digest.changes(assessment, assessment) == ()


def test_a_new_probe_is_a_change(made):
    """A probe that was not registered before is listed as such."""
    _, assessment = made
    before = dataclasses.replace(assessment, probes=assessment.probes[1:])
    found = digest.changes(before, assessment)
    assert [(c.probe, c.before) for c in found] == [("GP-001", "not here")]


def test_alerts_on_one_happening_are_one_episode(made):
    """Two alerts of the same episode on one probe stand together, by time."""
    _, assessment = made
    found = {e.subject: e for e in digest.episodes(assessment)}
    assert [a.rule for a, _ in found["GP-003"].alerts] == ["cusum", "action_level"]
    assert found["GP-003"].onset == found["GP-003"].alerts[0][0].onset_estimate


def test_an_episode_is_settled_only_when_all_of_it_is(made):
    """One open alert keeps the episode open; when all are settled, the last settling counts."""
    _, assessment = made
    found = {e.subject: e for e in digest.episodes(assessment)}
    first, second = found["GP-003"].alerts
    ended = datetime(2025, 6, 1)
    half = dataclasses.replace(
        found["GP-003"], alerts=((dataclasses.replace(first[0], settled_at=ended), first[1]), second)
    )
    assert half.settled_at is None
    later = ended + timedelta(days=3)
    whole = dataclasses.replace(
        half, alerts=(half.alerts[0], (dataclasses.replace(second[0], settled_at=later), second[1]))
    )
    assert whole.settled_at == later


def test_open_episodes_stand_before_settled_ones(made):
    """The order is: open and barred from patients, open by gravity, then settled."""
    _, assessment = made
    found = digest.episodes(assessment)
    settled = [e.settled_at is not None for e in found]
    assert settled == sorted(settled)
    assert {e.subject for e in found[:2]} == {"GP-005", "GP-009"}


def test_a_source_in_doubt_is_an_episode_of_its_own(made):
    """What a source did is listed under the source, not under a probe."""
    _, assessment = made
    one = next(e for e in digest.episodes(assessment) if e.subject == "CK-C1")
    assert one.kind == "source"
    assert one.probe is None


def test_every_answer_has_its_words():
    """No value of the results lacks its word; the check runs over the types themselves."""
    from typing import get_args

    from analytics import results

    assert set(PROBE) == set(get_args(results.ProbeAdvice))
    assert set(PATIENT_USE) == set(get_args(results.PatientUse))
    assert set(CAUSE) == set(get_args(results.Cause))
    assert set(QUANTITY) == set(get_args(results.Quantity))
    assert set(RULE) == set(get_args(results.Rule))


def test_facts_say_why_a_number_is_missing(made):
    """Each unknown is a dash with its reason."""
    _, assessment = made
    young = assessment.series_of("GP-008", "response")[0]
    said = dict(facts(assessment.probe("GP-008"), dataclasses.replace(young, drift_per_year=None), assessment.as_of))
    assert said["Response now"].startswith("– (")
    assert said["Reference"].startswith("– (")
    assert said["Drift"].startswith("– (")


def test_facts_carry_units_and_intervals(made):
    """Response, reference and drift are given in the series' unit with their 90 % interval."""
    _, assessment = made
    series = assessment.series_of("GP-003", "response")[0]
    said = dict(facts(assessment.probe("GP-003"), series, assessment.as_of))
    assert "cps/kBq" in said["Response now"]
    assert "90 %:" in said["Response now"]
    assert "% of the reference a year" in said["Drift"]
    assert "passes 90 %" in said["Reaches a limit"]


def test_an_alert_without_an_onset_does_not_hide_the_others_onset(made):
    """The earliest known onset of an episode is kept where one alert could give none."""
    _, assessment = made
    one = next(e for e in digest.episodes(assessment) if e.subject == "GP-003")
    bare = Alert("E-003", "tolerance", datetime(2025, 6, 2), None, None, "low", "x")
    assert dataclasses.replace(one, alerts=((bare, None), *one.alerts)).onset == one.onset
