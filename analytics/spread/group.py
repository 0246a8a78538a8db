"""A group of probes as it stands, row by row and check by check, so that it can be gone on with and not worked out anew.

All columns are sorted by probe, then as the probe's own checks are, so that those of one probe stand together and can be
exchanged for others. Codes are places in the names of the group alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from analytics.advice.told_apart import Levels, Untold
from analytics.baseline.forward import Corrected
from analytics.baseline.reference import References
from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.response import ResponseCharts
from analytics.counting.arrays import expand_ranges
from analytics.counting.columns import Names
from analytics.counting.response import CountingOf
from analytics.counting.tables import Counted, Keys
from analytics.spread.partition import DEVICES, Grouping
from analytics.together import Checks, Together

Array = npt.NDArray[Any]
Columns = dict[str, Array]
OF_ROWS = ("probe", "source", "jig", "readout", "at_days", "first_days", "y", "first", "last", "ordinal", "partial")
PASSED = (
    "x", "shift", "shift_var", "noise", "persistent", "speakers", "placing", "alpha_then", "alpha_var_then", "anchor_then", "start_then",
)  # fmt: skip
AT_THE_END = ("alpha", "alpha_var", "reference_checks", "unit_placing")
OF_REFERENCES = tuple(one.name for one in fields(References))
COUNTING = tuple(one.name for one in fields(CountingOf))
MEASURED = (*OF_ROWS, *COUNTING, "log_var", "placements")  # columns of what was counted, before any pass
OF_CHECKS = tuple(one.name for one in fields(Checks))
KEY = ("window", "jig", "collimator", "nuclide")


@dataclass(frozen=True)
class GroupNames:
    """Sorted names of the probes of a group and, by kind, of its devices; with the fleet's codes of the probes."""

    of: Mapping[str, pd.Index]
    fleet_code: Ints  # [probes]

    @classmethod
    def in_fleet(cls, groups: Grouping, group: int) -> GroupNames:
        """Those of one group."""
        code = np.flatnonzero(groups.group == group)
        names = {"probe": groups.names["probe"][code]}
        names |= {kind: groups.names[kind][groups.of_device[kind] == group] for kind in DEVICES}
        return cls(names, code.astype(np.int64))

    def codes(self, probes: frozenset[str]) -> Ints:
        """Their codes in the group."""
        return np.flatnonzero(self.of["probe"].isin(list(probes))).astype(np.int64)

    def categories(self, readings: pd.DataFrame) -> pd.DataFrame:
        """The readings with the categories of the group; KeyError where one names a device that is none of the group's."""
        out = {}
        for kind, names in self.of.items():
            column = cast("pd.Categorical", readings[kind].array)
            codes = column.codes.astype(np.int64)
            used = np.flatnonzero(np.bincount(codes + 1, minlength=len(column.categories) + 1)[1:])
            place = np.full(len(column.categories) + 1, -1, np.int64)
            place[used] = names.get_indexer(pd.Index(column.categories[used], dtype=object))
            if (place[used] < 0).any():
                raise KeyError(kind)
            out[kind] = pd.Categorical.from_codes(place[codes], dtype=pd.CategoricalDtype(names))
        return readings.assign(**out)

    @cached_property
    def names(self) -> Names:
        """As the counting has them; what no device of the group has a name for is left out."""
        probe, source, jig, readout = (tuple(self.of[kind]) for kind in ("probe", *DEVICES))
        return Names(probe=probe, window=(), jig=jig, collimator=(), nuclide=(), source=source, readout=readout, operator=())


@dataclass(frozen=True)
class Stand:
    """A group as it stands."""

    rows: Columns  # ``MEASURED``, ``PASSED``, ``starts`` (first row of its unit), ``pending``
    units: Columns  # ``AT_THE_END``, ``OF_REFERENCES``, ``probe``, ``ends``, ``alarmed``
    keys: tuple[tuple[str | None, ...], ...]  # [units] window, jig, collimator and nuclide by name
    votes: tuple[Floats, Floats]  # [halts, units] what the pass said of the fleet's placing
    checks: Columns  # ``OF_CHECKS``
    apart: Untold  # by code in the group

    def rows_of(self, probes: Ints) -> Bools:
        """Which rows are of these probes."""
        return np.isin(self.rows["probe"], probes)

    def units_of(self, probes: Ints) -> Bools:
        """Which units are of these probes."""
        return np.isin(self.units["probe"], probes)

    @cached_property
    def as_rows(self) -> Rows:
        """The rows as the pass takes them; their index is their own place, and the numbers of series and checks are the group's."""
        own, starts = self.rows, self.rows["starts"]
        begins = np.flatnonzero(starts)
        new_series = [k == 0 or self.keys[k] != self.keys[k - 1] or own["probe"][begins[k]] != own["probe"][begins[k - 1]]
                      for k in range(len(begins))]  # fmt: skip
        unit_series = (np.cumsum(np.array(new_series, bool)) - 1).astype(np.int64)
        unit = np.cumsum(starts) - 1
        return Rows(
            index=np.arange(len(starts)),
            unit=unit,
            series=unit_series[unit] if len(begins) else unit,
            check=np.cumsum(own["first"]) - 1,
            unit_series=unit_series,
            unit_probe=own["probe"][begins],
            unit_first=np.append(begins, len(starts)),
            **{name: own[name] for name in OF_ROWS},
        )

    def corrected(self) -> Corrected:
        """What the pass made of the rows."""
        return Corrected(
            **{name: self.rows[name] for name in PASSED},
            **{name: self.units[name] for name in AT_THE_END},
            references=References(**{name: self.units[name] for name in OF_REFERENCES}),
        )

    def counting(self) -> CountingOf:
        """What the counting variance of the rows is made of."""
        return CountingOf(**{name: self.rows[name] for name in COUNTING})

    def together(self, names: Names) -> Together:
        """All that devices are judged by."""
        rows = self.as_rows
        levels = Levels(rows, self.units["alpha"], self.units["ends"], self.units["alarmed"])
        return Together(names, rows, self.corrected(), self.rows["pending"], levels, Checks(**self.checks))

    def with_pass(self, made: Corrected, votes: tuple[Floats, Floats]) -> Stand:
        """The same after another pass."""
        rows = self.rows | {name: getattr(made, name) for name in PASSED}
        units = self.units | {name: getattr(made, name) for name in AT_THE_END}
        return replace(self, rows=rows, units=units | {n: getattr(made.references, n) for n in OF_REFERENCES}, votes=votes)

    def with_charts(self, probes: Ints, charts: ResponseCharts) -> Stand:
        """The same after the charts of some probes."""
        rows, units = self.rows_of(probes), self.units_of(probes)
        pending, ends, alarmed = self.rows["pending"].copy(), self.units["ends"].copy(), self.units["alarmed"].copy()
        pending[rows], ends[units], alarmed[units] = charts.outliers.pending, charts.unit_ends, Levels.of(charts).alarmed
        return replace(self, rows=self.rows | {"pending": pending}, units=self.units | {"ends": ends, "alarmed": alarmed})


def corrected_of(made: Corrected, rows: Bools | Ints, units: Bools | Ints) -> Corrected:
    """Of some units, with all their rows."""
    return Corrected(
        **{name: getattr(made, name)[rows] for name in PASSED},
        **{name: getattr(made, name)[units] for name in AT_THE_END},
        references=References(**{name: getattr(made.references, name)[units] for name in OF_REFERENCES}),
    )


def measured_of(rows: Rows, counting: CountingOf, log_var: Floats, placements: Array, some: Ints | slice = slice(None)) -> Columns:
    """``MEASURED`` and ``starts`` of some rows, whose units are whole. counting, log_var, placements: by ``rows.index``."""
    index = rows.index[some]
    starts = np.zeros(len(rows.unit), bool)
    starts[rows.unit_first[:-1]] = True
    out = {name: getattr(rows, name)[some] for name in OF_ROWS} | {"starts": starts[some]}
    out |= {name: getattr(counting, name)[index] for name in COUNTING}
    return out | {"log_var": log_var[index], "placements": placements[index]}


def keys_of(series: Ints, keys: Keys, names: Names) -> tuple[tuple[str | None, ...], ...]:
    """Window, jig, collimator and nuclide of each of these series by name."""
    return tuple(
        tuple(None if code < 0 else getattr(names, name)[code] for name, code in zip(KEY, codes, strict=True))
        for codes in zip(*(getattr(keys, name)[series].tolist() for name in KEY), strict=True)
    )


@dataclass(frozen=True)
class Ground:
    """Of a fleet that was worked out whole, what its groups are made of when they are first gone on with: columns that are there anyway."""

    together: Together
    counting: CountingOf  # of the states of the response
    log_var: Floats
    placements: Array
    keys: Keys
    votes: list[tuple[Floats, Floats]]

    @classmethod
    def of(cls, counted: Counted, charts: ResponseCharts, votes: list[tuple[Floats, Floats]]) -> Ground:
        """That of everything."""
        states = counted.response_states
        together = Together.of(counted, charts)
        return cls(together, CountingOf.states(states), states.log_var, states.placements, counted.response.keys, votes)

    def group(self, names: GroupNames, apart: Untold) -> Stand:
        """One group. apart: by code in the group."""
        whole, rows = self.together, self.together.rows
        local = {kind: np.append(names.of[kind].get_indexer(pd.Index(getattr(whole.names, kind), dtype=object)), -1) for kind in names.of}
        units = np.flatnonzero(local["probe"][rows.unit_probe] >= 0)
        first = rows.unit_first[units]
        some = expand_ranges(first, rows.unit_first[units + 1] - first)
        mine = np.flatnonzero(local["probe"][:-1] >= 0)
        low, high = np.searchsorted(whole.checks.probe, mine), np.searchsorted(whole.checks.probe, mine, side="right")
        checked = expand_ranges(low, high - low)
        made = corrected_of(whole.corrected, some, units)

        def own(columns: Columns) -> Columns:
            return columns | {kind: local[kind][columns[kind]] for kind in names.of}

        return Stand(
            own(measured_of(rows, self.counting, self.log_var, self.placements, some))
            | {name: getattr(made, name) for name in PASSED}
            | {"pending": whole.pending[some]},
            {name: getattr(made, name) for name in AT_THE_END}
            | {name: getattr(made.references, name) for name in OF_REFERENCES}
            | {"probe": local["probe"][rows.unit_probe[units]], "ends": whole.levels.ends[units], "alarmed": whole.levels.alarmed[units]},
            keys_of(rows.unit_series[units], self.keys, whole.names),
            (np.array([one[units] for one, _ in self.votes]), np.array([one[units] for _, one in self.votes])),
            own({name: getattr(whole.checks, name)[checked] for name in OF_CHECKS}),
            apart,
        )


def joined(one: Columns, other: Columns) -> Columns:
    """Columns of some probes with those of others, by probe; names that only one has are left out."""
    order = np.argsort(np.concatenate([one["probe"], other["probe"]]), kind="stable")
    return {name: np.concatenate([one[name], other[name]])[order] for name in one if name in other}


def picked(columns: Columns, some: Bools | Ints) -> Columns:
    """Some rows of every column."""
    return {name: column[some] for name, column in columns.items()}


def differ(one: Array, other: Array) -> Bools:
    """Where two columns of one length are not the same to the last bit, a lost number being like any other."""
    if one.dtype.kind == "f" and other.dtype.kind == "f":
        return np.asarray(one.view(np.int64) != other.view(np.int64))
    return np.asarray(one != other)
