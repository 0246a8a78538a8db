"""Openings as alerts: episodes of one happening, and sentences with their numbers."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from analytics.charts.alerts import TOGETHER_DAYS, Located, alerts_by_series, begun_within, sentence
from analytics.charts.openings import Opening
from analytics.results import Alert

DAY0 = datetime(2024, 1, 1)
FIRST = (DAY0 - datetime(1970, 1, 1)).days


def located(day, rule="cusum", *, series=0, probe="P", settled=None, direction="low", change=-0.08, **more):
    """An opening so many days after the first of January."""
    opening = Opening(
        series, rule, 0, FIRST + float(day), FIRST + day - 10.0, None if settled is None else FIRST + float(settled),
        direction, change, "")
    words = {"quantity": "response", "unit": "cps/kBq", "reference": None, "limit_pct": 10.0} | more
    return Located(
        probe, series, words["quantity"], words["unit"], opening, DAY0 + timedelta(days=day), words["reference"],
        words["limit_pct"])


def episodes(*some):
    """Episode of each alert, by series and in order."""
    return {series: [a.episode for a in alerts] for series, alerts in alerts_by_series(list(some)).items()}


def test_alarms_on_one_happening_share_an_episode():
    """While an earlier alarm is open, or within weeks of it, a further alarm of the probe is the same happening."""
    assert episodes(located(0), located(30, series=1), located(400, series=2)) == {
        0: ["E-P-20240101"], 1: ["E-P-20240101"], 2: ["E-P-20240101"]}
    gap = int(TOGETHER_DAYS) + 20
    made = episodes(located(0, settled=10), located(20, series=1, settled=21), located(20 + gap, series=2))
    assert made[0] == made[1] != made[2]


def test_probes_have_their_own_episodes():
    """What happens to one probe is not another's happening."""
    made = episodes(located(0, probe="P"), located(1, probe="Q", series=1))
    assert made == {0: ["E-P-20240101"], 1: ["E-Q-20240102"]}


def test_an_episode_does_not_depend_on_what_comes_later():
    """The episode of an alarm is the same with and without the alarms after it."""
    some = [located(0, settled=12), located(100), located(160, series=1), located(500, series=2)]
    whole = episodes(*some)
    for n in (1, 2, 3):
        part = episodes(*some[:n])
        assert all(whole[s][: len(names)] == names for s, names in part.items())


def test_order_of_the_openings_does_not_matter():
    """Alerts come oldest first, in whatever order the openings were found."""
    some = [located(5, "tolerance"), located(0), located(9, "action_level")]
    assert alerts_by_series(some) == alerts_by_series(some[::-1])
    assert [a.signalled_at.day for a in alerts_by_series(some)[0]] == [1, 6, 10]


def test_moments_are_carried_over():
    """Signalled, onset and settled are the opening's, as moments."""
    (alert,) = alerts_by_series([located(20, settled=40)])[0]
    assert alert.signalled_at == datetime(2024, 1, 21)
    assert alert.onset_estimate == datetime(2024, 1, 11)
    assert alert.settled_at == datetime(2024, 2, 10)


@pytest.mark.parametrize(("one", "said"), [
    (located(0), "fell by 7.7 % against its reference, since about 2023-12-22"),
    (located(0, "change_point", direction="high", change=0.05), "rose by 5.1 % against all checks before"),
    (located(0, "tolerance", change=-0.12), "−11 % from the reference, beyond the tolerance limit of 10 %"),
    (located(0, "action_level", limit_pct=5.0, change=-0.06), "beyond the action level of 5 %"),
    (located(0, "scatter", direction="high", change=0.031), "scatter by 3.1 % beyond counting and placing"),
    (located(0, "scatter", change=0.0), "less than counting statistics allow"),
    (located(0, "scatter", direction="both", change=0.0), "chi-square"),
    (located(0, "no_signal"), "no net counts above the decision limit"),
    (located(0, "background", change=27.0, reference=3.0), "rose by 27 cps, 10.0 times its usual 3 cps"),
    (located(0, "window_shift", change=-2.34, unit="%"), "−2.3 % of its energy"),
    (located(0, "window_shift", change=0.21, unit="log ratio"), "23 % against each other"),
    (located(0, "side", change=1.5), "rose by 1.5 percentage points"),
    (located(0, "below_side_readings"), "does not count more than"),
])
def test_sentences_carry_their_numbers(one, said):
    """Each rule has one sentence, with its number and unit, and a full stop."""
    text = sentence(one)
    assert said in text
    assert text.endswith(".")
    assert text.count(". ") == 0


def test_a_change_that_began_inside_the_reference_is_looked_for_among_standing_alarms_of_level():
    """Settled ones, other rules and onsets outside are passed over; the first of the others counts."""
    def alert(rule, onset, settled=None):
        return Alert("E", rule, datetime(2024, 9, 1), onset, settled, "low", "")

    inside, later = datetime(2024, 3, 1), datetime(2024, 4, 1)
    span = (datetime(2024, 1, 1), datetime(2024, 6, 1))
    assert begun_within([alert("change_point", later), alert("cusum", inside)], *span) == inside
    for other in (alert("change_point", inside, datetime(2024, 10, 1)), alert("scatter", inside), alert("cusum", datetime(2024, 7, 1)), alert("cusum", None)):
        assert begun_within([other], *span) is None


@pytest.mark.parametrize(("change", "direction", "said"), [
    (750.0, "high", "rose by 1,000,000 % and more"), (-750.0, "low", "fell by 100 %"), (float(np.log(3.0)), "high", "rose by 200 %")])
def test_a_change_beyond_all_measure_is_said_in_so_many_words(change, direction, said):
    """A record that is wrong by many powers of ten has its sentence and is no error; three times as much is 200 % more."""
    assert said in sentence(located(0, direction=direction, change=change))


def test_a_high_background_is_written_out():
    """Twelve thousand counts a second, and no power of ten."""
    assert "rose by 12346 cps" in sentence(located(0, "background", change=12345.6, quantity="background", unit="cps"))
