"""The readings of the response as rows that walk forward in time.

A row is the value of a check at the moment one of its countings came in; most checks have one row, a check whose
background is counted after the source has two. All sums over rows are sums of *increments* (a row takes back what the
earlier row of the same check had put in), so that a sum up to any moment is what was known at that moment.

A *unit* is a series between two new references (repair, detector replaced, window recentred).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.counting.arrays import order_by
from analytics.counting.columns import Names
from analytics.counting.tables import Responses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAY_US = 86_400_000_000
CLOSED_AFTER_DAYS = 2.0 / 24.0  # a check takes in countings for two hours; after that it cannot change any more


def days(moments: NDArray[np.datetime64]) -> Floats:
    """Moments as days since 1970 (float64); NaT gives NaN.

    >>> float(days(np.array(["1970-01-02T12:00"], "datetime64[us]"))[0])
    1.5
    """
    out = moments.astype("datetime64[us]").astype(np.int64) / DAY_US
    return np.where(np.isnat(moments), np.nan, out)


@dataclass(frozen=True)
class Rows:
    """Rows of the response, ordered by (unit, at_days); arrays of length n unless said otherwise."""

    index: Ints  # row of Counted.response_states
    unit: Ints
    series: Ints
    probe: Ints
    source: Ints
    jig: Ints
    readout: Ints  # control unit, -1 where none is recorded
    check: Ints
    at_days: Floats
    first_days: Floats  # first counting of the check
    y: Floats  # log response
    first: Bools  # first row of its check
    last: Bools  # last row of its check
    ordinal: Ints  # number of the check within its unit, from 0
    partial: Bools  # fewer countings so far than the check before had: more are on their way, no judgement yet
    unit_series: Ints  # [units]
    unit_probe: Ints  # [units]
    unit_first: Ints  # [units + 1] offsets of the rows of each unit

    @property
    def units(self) -> int:
        """Number of units."""
        return len(self.unit_series)

    @cached_property
    def last_rows(self) -> Ints:
        """Last row of every check, [checks]."""
        return np.flatnonzero(self.last)

    @cached_property
    def number(self) -> Ints:
        """Number of each row's check over all units, from 0."""
        return np.cumsum(self.first) - 1

    def some(self, kept: Ints) -> Rows:
        """These rows alone, of the same units; whole checks, and of each unit all before them as well."""
        per_row = {one.name: getattr(self, one.name)[kept] for one in fields(self) if not one.name.startswith("unit_")}
        unit_first = np.searchsorted(per_row["unit"], np.arange(self.units + 1))
        return Rows(**per_row, unit_series=self.unit_series, unit_probe=self.unit_probe, unit_first=unit_first)

    def increment(self, values: Floats) -> Floats:
        """Values minus the value of the earlier row of the same check: their running sum is what was known."""
        out = values.copy()
        again = np.flatnonzero(~self.first)
        out[again] -= values[again - 1]
        return out


def reference_epochs(events: pd.DataFrame, names: Names) -> tuple[Ints, Floats]:
    """Probe code and day of every event that starts a new reference, ordered by both."""
    starts = np.flatnonzero(events["new_reference"].to_numpy(bool))
    place = {name: code for code, name in enumerate(names.probe)} if len(starts) else {}
    codes = np.array([place.get(one, -1) for one in events["probe"].to_numpy(object)[starts].tolist()], np.int64)
    at = days(events["happened_at"].to_numpy().astype("datetime64[us]")[starts])
    known = (codes >= 0) & np.isfinite(at)
    order = np.lexsort((at[known], codes[known]))
    return codes[known][order], at[known][order]


def epoch_of(probe: Ints, at_days: Floats, epoch_probe: Ints, epoch_days: Floats) -> Ints:
    """How many new references the probe had had by then (0 before the first)."""
    begin, end = (np.searchsorted(epoch_probe, probe, side) for side in ("left", "right"))
    out = np.zeros(len(probe), np.int64)
    while (left := np.flatnonzero(begin + out < end)).size:
        left = left[epoch_days[begin[left] + out[left]] <= at_days[left]]
        if not left.size:
            break
        out[left] += 1
    return out


def build_rows(states: Responses, events: pd.DataFrame, names: Names) -> Rows:
    """Rows of every check that has a response; no-signal and refused countings are left out."""
    keep = np.flatnonzero(np.isfinite(states.log_response) & ~states.no_signal)
    series = states.series[keep].astype(np.int64)
    probe = states.keys.probe[series].astype(np.int64)
    at, first_at = days(states.check_at[keep]), days(states.first_at[keep])
    epoch = epoch_of(probe, first_at, *reference_epochs(events, names))
    check = states.check[keep].astype(np.int64)
    # Rows of one check stand together, checks in the order of their first counting.
    order = order_by(series, epoch, first_at, check, at)
    keep, series, probe, epoch, check = (a[order] for a in (keep, series, probe, epoch, check))
    at, first_at = at[order], first_at[order]
    new_unit = np.ones(len(keep), bool)
    new_unit[1:] = (np.diff(series) != 0) | (np.diff(epoch) != 0)
    unit = np.cumsum(new_unit) - 1
    first = new_unit.copy()
    first[1:] |= np.diff(check) != 0
    last = np.ones(len(keep), bool)
    last[:-1] = first[1:]
    number = np.cumsum(first) - 1
    starts = np.flatnonzero(new_unit)
    begins = np.flatnonzero(first)
    moments = np.diff(np.append(begins, len(keep)))  # rows of each check
    usual = np.append(0, moments)[:-1][number] if len(keep) else moments
    ordinal = number - number[starts][unit] if len(starts) else number
    so_far = np.arange(len(keep)) - begins[number] + 1 if len(keep) else number
    return Rows(
        index=keep,
        unit=unit,
        series=series,
        probe=probe,
        source=states.source[keep].astype(np.int64),
        jig=states.keys.jig[series].astype(np.int64),
        readout=states.readout[keep].astype(np.int64),
        check=check,
        at_days=at,
        first_days=first_at,
        y=states.log_response[keep],
        first=first,
        last=last,
        ordinal=ordinal,
        partial=(so_far < usual) & (ordinal > 0),
        unit_series=series[starts],
        unit_probe=probe[starts],
        unit_first=np.append(starts, len(keep)),
    )
