"""The chart core on real series whose breaks are known, and on one that has none."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

from analytics.baseline.noise import PlacingSpread
from tests.baseline.logbook import Log, rules
from tests.charts.plain_rows import chart, plain_rows

DATA = Path(__file__).parent.parent / "external" / "data"


def moment(text):
    """A UTC time of the file, without its zone."""
    return datetime.fromisoformat(text.removesuffix("Z"))


def monitor(detector, begin, end):
    """Moments and counts of one fixed monitor between two days."""
    with (DATA / "radnet_two_windows.csv").open(encoding="utf-8") as file:
        rows = [(moment(r["taken_at"]), float(r["counts"])) for r in csv.DictReader(file) if r["detector"] == detector]
    rows = [one for one in rows if datetime.fromisoformat(begin) <= one[0] < datetime.fromisoformat(end)]
    return [one[0] for one in rows], np.array([one[1] for one in rows])


def watched(at, counts, quiet_until):
    """Logarithms of counts through the core; the spread of radon and weather from differences of the quiet part."""
    y, quiet = np.log(counts), sum(one < datetime.fromisoformat(quiet_until) for one in at)
    spread = PlacingSpread.empty(1)
    counting = 60.0 / counts  # counts a minute × 60: the minutes were what was counted
    spread.add(
        np.zeros(quiet - 1, np.int64), np.diff(y[:quiet]), counting[1:quiet] + counting[: quiet - 1],
        np.full(quiet - 1, 0.05**2), 10_000)
    days = [(one - datetime(1970, 1, 1)).total_seconds() / 86400.0 for one in at]
    return chart(plain_rows([len(y)], y, days), spread.estimate(0.05**2, 5.0)[0] + counting, dead_band=0.005), quiet


STEPS = [
    # site, data from, to, the step, direction
    ("AZ_PHOENIX", "2016-04-01", "2017-01-18", "2016-10-05", "high"),
    ("AZ_PHOENIX", "2016-10-06", "2017-06-13", "2017-01-20", "low"),
    ("AZ_PHOENIX", "2017-01-24", "2018-03-31", "2017-06-13", "high"),  # over a gap to 2017-10-16
]


@pytest.mark.parametrize(("detector", "begin", "end", "step", "direction"), STEPS)
def test_steps_of_a_fixed_monitor_are_signalled_and_dated(detector, begin, end, step, direction):
    """US EPA RadNet, Phoenix: steps on 2016-10-05, 2017-01-20 and over the gap of 2017, signalled in three checks."""
    at, counts = monitor(detector, begin, end)
    made, quiet = watched(at, counts, step)
    ratio, onset = getattr(made, f"ratio_{direction}"), getattr(made, f"onset_row_{direction}")
    assert max(made.ratio_low[:quiet].max(), made.ratio_high[:quiet].max()) < 1.0
    first = np.flatnonzero(ratio > 1.0)[0]
    assert quiet <= first <= quiet + 2
    assert abs(onset[first] - quiet) <= 1


def test_a_gain_that_runs_away_is_signalled_before_it_is_reset():
    """US EPA RadNet, Kalispell: the gain ran away to May 2017; signalled by mid-April, two months before its reset."""
    at, counts = monitor("MT_KALISPELL", "2017-02-01", "2017-06-13")
    made, _ = watched(at, counts, "2017-03-20")
    first = int(np.flatnonzero(made.ratio_high > 1.0)[0])
    assert datetime(2017, 3, 20) <= at[first] <= datetime(2017, 4, 18)
    assert made.ratio_low.max() < 1.0
    assert made.ratio_high[at.index(moment("2017-05-29T21:06:00Z"))] > 2.0


def test_after_its_reset_the_gain_creeps_again():
    """US EPA RadNet, Kalispell: reset on 13–15 June 2017 and crept again; quiet for five weeks, then signalled high."""
    at, counts = monitor("MT_KALISPELL", "2017-06-14", "2018-01-01")
    made, quiet = watched(at, counts, "2017-07-25")
    assert quiet == 6
    assert made.ratio_high[:quiet].max() < 1.0
    first = int(np.flatnonzero(made.ratio_high > 1.0)[0])
    assert at[first] < datetime(2017, 9, 1)
    assert datetime(2017, 7, 20) <= at[made.onset_row_high[first]] <= at[first]


def test_the_nile_is_dated_to_1899_when_it_is_signalled():
    """Nile flow (statsmodels' data set; Durbin & Koopman): quiet to 1898, signalled low soon after, onset 1899 ± 2."""
    nile = sm.datasets.nile.load_pandas().data
    year, flow = nile["year"].to_numpy(int), np.log(nile["volume"].to_numpy(float))
    spread = np.median(np.diff(flow) ** 2) / 0.4549 / 2.0
    made = chart(plain_rows([100], flow, year * 365.2422), spread)
    assert max(made.ratio_low[year <= 1898].max(), made.ratio_high[year <= 1898].max()) < 1.0
    first = int(np.flatnonzero(made.ratio_low > 1.0)[0])
    assert 1899 <= year[first] <= 1906
    assert abs(year[made.onset_row_low[first]] - 1899) <= 2


@pytest.fixture(scope="module")
def marshak():
    """211 nuclear counts, plain Poisson."""
    with (DATA / "nist_nuclear_counts.csv").open(encoding="utf-8") as file:
        return np.array([float(row["counts"]) for row in csv.DictReader(file)])


def test_plain_poisson_counts_give_no_signal(marshak):
    """NIST Dataplot MARSHAK.DAT: with the Poisson variance alone neither side of the core signals."""
    made = chart(plain_rows([211], np.log(marshak)), 1.0 / marshak.mean(), dead_band=0.005)
    assert max(made.ratio_low.max(), made.ratio_high.max()) < 1.0


def test_plain_poisson_counts_through_the_whole_line_give_no_alarm(marshak):
    """NIST Dataplot MARSHAK.DAT as 211 weekly checks on I-129: no alert of any kind, and the probe is `use`."""
    log = Log().source(nuclide="I-129").probe("P")
    for week, counts in enumerate(marshak):
        log.count("P", 7.0 * week, "background", 30).count("P", 7.0 * week + 2e-3, "source", counts)
    answer = log.assess(7.0 * 210 + 1)
    assert rules(answer, "P") == set()
    assert answer.probe("P").advice == "use"
