"""The choice as a mixed-integer programme, and its solution by HiGHS (``scipy.optimize.milp``).

Unknowns: whether a site is visited in a week (0/1), in which week each thing is done (0/1 for each week it may be done
in), spares lent from site to site in a week (whole numbers), cover that is missing (probes in a week).
Minimised: what visits, days at risk, bringing forward and loans weigh.
Under: each thing once, only in weeks with a visit to its site; of a recurring one, whatever is brought forward brings
its successors forward by as many weeks; in each site, kind and week at least the least number of fit probes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
REL_GAP = 1e-3  # where the search may stop; what is left is said
SOONER = 0.003  # by which the first week's visit weighs more than the last's: of equal plans the one that comes later
CellWeek = tuple[int, int]  # number of a cell (site and kind), number of a week


@dataclass(frozen=True)
class Item:
    """One thing to do. weeks, sites, weight, risk_days: one entry for each week in which it may be done.

    effect: for each of them what it changes in the fit probes, by cell and week. optional: need not be done at all.
    """

    weeks: tuple[int, ...]
    sites: tuple[int, ...]
    weight: tuple[float, ...]
    risk_days: tuple[float, ...]
    effect: tuple[Mapping[CellWeek, int], ...] = ()
    optional: bool = False


@dataclass(frozen=True)
class Follows:
    """Item ``later`` follows item ``earlier``: brought forward by at least as many weeks from its own due week."""

    earlier: int
    later: int
    earlier_due: int
    later_due: int


@dataclass(frozen=True)
class Cap:
    """The visits to some sites and the days at risk of some items may not exceed these."""

    sites: tuple[int, ...]
    items: tuple[int, ...]
    visits: float
    risk_days: float


@dataclass(frozen=True)
class Problem:
    """The whole choice for some sites.

    spare: [cells, weeks], fit probes above the least number (negative: too few), before anything of ``items``.
    days: [weeks], operating days of each week. lendable: pairs of cells (from, to) between which spares may go.
    firm: cells in which no cover may be missing, whatever is missing elsewhere.
    """

    weeks: int
    sites: tuple[int, ...]
    items: tuple[Item, ...]
    follows: tuple[Follows, ...]
    spare: Ints
    days: Ints
    visit_weight: float
    loan_weight: float
    caps: tuple[Cap, ...] = ()
    lendable: tuple[tuple[int, int], ...] = ()
    firm: tuple[int, ...] = ()
    windows: tuple[tuple[tuple[int, int], ...], ...] = ()  # in each, one (site, week) at least is visited


@dataclass(frozen=True)
class Chosen:
    """The choice: for each item the place of its week in ``Item.weeks`` (None: not done); None of all: there is none.

    short: [cells, weeks] missing probes. lent: (from cell, to cell, week) -> probes. value, bound: of what is minimised,
    and what no choice can be below.
    """

    option: tuple[int | None, ...] | None
    short: Ints
    lent: Mapping[tuple[int, int, int], int] = field(default_factory=dict)
    value: float = 0.0
    bound: float = 0.0
    visited: tuple[tuple[int, int], ...] = ()  # (week, site)
    by_windows: bool = False  # recurring things are not among the items, but in the windows


class _Rows:
    """Sparse rows of a matrix with bounds, collected one by one."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.entry: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, columns: Sequence[int], entries: Sequence[float], low: float, high: float) -> None:
        self.row += [len(self.low)] * len(columns)
        self.column += columns
        self.entry += entries
        self.low.append(low)
        self.high.append(high)


class _Layout:
    """Which unknown stands in which column."""

    def __init__(self, problem: Problem, *, soft: bool) -> None:
        weeks, cells = problem.weeks, problem.spare.shape[0]
        self.site = {site: n for n, site in enumerate(problem.sites)}
        self.weeks = weeks
        at = len(problem.sites) * weeks
        self.item = []
        for item in problem.items:
            self.item.append(at)
            at += len(item.weeks)
        self.short = at
        self.soft = soft
        at += cells * weeks if soft else 0
        self.lend = {pair: at + 2 * n * weeks for n, pair in enumerate(problem.lendable)}
        self.total = at + 2 * len(problem.lendable) * weeks  # lent in a week, and sent off in a week

    def visit(self, site: int, week: int) -> int:
        return self.site[site] * self.weeks + week

    def missing(self, cell: int, week: int) -> int:
        return self.short + cell * self.weeks + week


def solve(problem: Problem, *, soft: bool, most_short: float | None = None, time_limit_s: float = 10.0) -> Chosen:
    """The best choice, or none (``option`` None) where the rules contradict each other or time ran out before any.

    soft: cover may be missing, and then what is missing is minimised and nothing else, unless ``most_short`` (operating
    days times probes) says how much may be. Deterministic as long as the time limit is not reached.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    at = _Layout(problem, soft=soft)
    rows = _Rows()
    _once(problem, at, rows)
    _only_with_a_visit(problem, at, rows)
    _successors(problem, at, rows)
    for window in problem.windows:
        rows.add([at.visit(site, week) for site, week in window], [1.0] * len(window), 1.0, np.inf)
    _cover(problem, at, rows)
    _caps(problem, at, rows)
    only_short = soft and most_short is None
    if soft and most_short is not None:
        cells = range(problem.spare.shape[0])
        columns = [at.missing(c, w) for c in cells for w in range(problem.weeks)]
        rows.add(columns, np.tile(problem.days, len(cells)).astype(float).tolist(), -np.inf, most_short + 1e-6)
    weight = _weights(problem, at, only_short=only_short)
    if at.total == 0:  # no day to choose and nothing to do
        none = np.zeros_like(problem.spare)
        return Chosen(() if (problem.spare >= 0).all() else None, none)
    upper = np.ones(at.total)
    upper[at.short :] = np.inf
    if soft:
        for cell in problem.firm:
            upper[at.missing(cell, 0) : at.missing(cell, problem.weeks)] = 0.0
    whole = np.ones(at.total, int)
    matrix = csr_array((rows.entry, (rows.row, rows.column)), shape=(len(rows.low), at.total))
    found = milp(
        weight,
        integrality=whole,
        bounds=Bounds(np.zeros(at.total), upper),
        constraints=LinearConstraint(matrix, np.array(rows.low), np.array(rows.high)) if rows.low else (),
        options={"time_limit": max(time_limit_s, 0.1), "mip_rel_gap": REL_GAP, "presolve": True},
    )
    if found.x is None:
        return Chosen(None, np.zeros_like(problem.spare))
    return _read(problem, at, np.round(found.x), float(found.fun), _bound(found))


def _bound(found: object) -> float:
    bound = getattr(found, "mip_dual_bound", None)
    return float(found.fun if bound is None else bound)  # type: ignore[attr-defined]


def _once(problem: Problem, at: _Layout, rows: _Rows) -> None:
    for item, first in zip(problem.items, at.item, strict=True):
        columns = list(range(first, first + len(item.weeks)))
        rows.add(columns, [1.0] * len(columns), 0.0 if item.optional else 1.0, 1.0)


def _only_with_a_visit(problem: Problem, at: _Layout, rows: _Rows) -> None:
    for item, first in zip(problem.items, at.item, strict=True):
        for n, (week, site) in enumerate(zip(item.weeks, item.sites, strict=True)):
            rows.add([first + n, at.visit(site, week)], [1.0, -1.0], -np.inf, 0.0)


def _successors(problem: Problem, at: _Layout, rows: _Rows) -> None:
    """For every e: the later one is brought forward by e weeks or more if the earlier one is."""
    for one in problem.follows:
        earlier, later = problem.items[one.earlier], problem.items[one.later]
        for ahead in sorted({one.earlier_due - week for week in earlier.weeks}):
            if later.optional and one.later_due - ahead >= problem.weeks:
                continue  # it then falls due after the plan
            before = [at.item[one.earlier] + n for n, w in enumerate(earlier.weeks) if one.earlier_due - w >= ahead]
            after = [at.item[one.later] + n for n, w in enumerate(later.weeks) if one.later_due - w >= ahead]
            if before:
                rows.add(before + after, [1.0] * len(before) + [-1.0] * len(after), -np.inf, 0.0)


def _cover(problem: Problem, at: _Layout, rows: _Rows) -> None:
    cells, weeks = problem.spare.shape
    terms = _changes(problem, at, rows)
    for cell in range(cells):
        for week in range(weeks):
            found = terms.get((cell, week), [])
            if not found and problem.spare[cell, week] >= 0:
                continue
            columns, entries = [c for c, _ in found], [e for _, e in found]
            if at.soft:
                columns, entries = [*columns, at.missing(cell, week)], [*entries, 1.0]
            if columns:
                rows.add(columns, entries, -float(problem.spare[cell, week]), np.inf)
            elif problem.spare[cell, week] < 0:
                rows.add([0], [0.0], 1.0, np.inf)  # cannot be met


def _changes(problem: Problem, at: _Layout, rows: _Rows) -> dict[CellWeek, list[tuple[int, float]]]:
    """What changes the fit probes of each cell in each week: column and by how many; and the rows of sending off."""
    weeks = problem.weeks
    terms: dict[CellWeek, list[tuple[int, float]]] = {}
    for item, first in zip(problem.items, at.item, strict=True):
        for n, effect in enumerate(item.effect):
            for key, change in effect.items():
                terms.setdefault(key, []).append((first + n, float(change)))
    for (giver, taker), start in at.lend.items():
        for week in range(weeks):
            terms.setdefault((giver, week), []).append((start + week, -1.0))
            terms.setdefault((taker, week), []).append((start + week, 1.0))
            sent = start + weeks + week
            before = ([start + week - 1], [1.0]) if week else ([], [])
            rows.add([sent, start + week, *before[0]], [1.0, -1.0, *before[1]], 0.0, np.inf)
    return terms


def _caps(problem: Problem, at: _Layout, rows: _Rows) -> None:
    for cap in problem.caps:
        visits = [at.visit(site, week) for site in cap.sites for week in range(problem.weeks)]
        rows.add(visits, [1.0] * len(visits), -np.inf, cap.visits)
        columns: list[int] = []
        entries: list[float] = []
        for number in cap.items:
            for n, risk in enumerate(problem.items[number].risk_days):
                if risk > 0:
                    columns.append(at.item[number] + n)
                    entries.append(risk)
        if columns:
            rows.add(columns, entries, -np.inf, cap.risk_days + 1e-6)


def _weights(problem: Problem, at: _Layout, *, only_short: bool) -> Floats:
    weight = np.zeros(at.total)
    if only_short:
        cells = problem.spare.shape[0]
        weight[at.short : at.short + cells * problem.weeks] = np.tile(problem.days, cells)
        return weight
    late = 1.0 + SOONER * (1.0 - np.arange(problem.weeks) / problem.weeks)
    weight[: len(problem.sites) * problem.weeks] = problem.visit_weight * np.tile(late, len(problem.sites))
    for item, first in zip(problem.items, at.item, strict=True):
        weight[first : first + len(item.weeks)] = item.weight
    for start in at.lend.values():
        weight[start : start + problem.weeks] = 0.01 * problem.loan_weight
        weight[start + problem.weeks : start + 2 * problem.weeks] = problem.loan_weight
    return weight


def _read(problem: Problem, at: _Layout, x: Floats, value: float, bound: float) -> Chosen:
    option: list[int | None] = []
    for item, first in zip(problem.items, at.item, strict=True):
        done = np.flatnonzero(x[first : first + len(item.weeks)] > 0.5)
        option.append(int(done[0]) if len(done) else None)
    short = np.zeros_like(problem.spare)
    if at.soft:
        short = x[at.short : at.short + short.size].reshape(short.shape).astype(np.int64)
    lent = {
        (giver, taker, week): int(x[start + week])
        for (giver, taker), start in at.lend.items()
        for week in range(problem.weeks)
        if x[start + week] > 0.5
    }
    visited = tuple(
        (week, site) for week in range(problem.weeks) for site in problem.sites if x[at.visit(site, week)] > 0.5
    )
    return Chosen(tuple(option), short, lent, value, bound, visited, bool(problem.windows))
