"""Where what a probe did cannot be told from what its source did: too few others on it, or others that fell alike.

A probe's loss stands apart from its source by the other probes read there that did not lose. Two probes alone on a source
that fall alike, or one group of probes that moved alike while another did not, leave open which of them moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.baseline.rows import Bools, Floats, Ints, Rows
from analytics.charts.response import LEVEL_RULES, ResponseCharts
from analytics.words import pct

RECENT_DAYS = 90.0  # a probe read on the source within this time of the newest check there speaks for it now
NEWEST = 5  # checks of each that tell where it stands
LEAST_GAP = 0.03  # natural log: groups nearer than this are one
ALIKE = 0.5  # two changes are alike where the smaller is at least so much of the larger
TIGHT = 0.5  # a group moved alike where it spreads over at most so much of the gap to the other
GROUP_SHARE = 0.4  # of the probes on a source: a smaller group is its own probes' doing
STOOD_SHARE = 0.25  # the same where two and more of the smaller group stand where they stood, and the larger moved


@dataclass(frozen=True)
class Levels:
    """Where the units of probes stand that are read on the same sources."""

    rows: Rows
    alpha: Floats  # [units] reference
    ends: Floats  # [units] day on which a new reference ended the unit, inf where it is in force
    alarmed: Bools  # [units] an alarm of its level stands

    @classmethod
    def of(cls, charts: ResponseCharts) -> Levels:
        """Those of the charts."""
        alarmed = np.zeros(charts.rows.units, bool)
        alarmed[[charts.rows.unit[o.row] for o in charts.openings if o.settled_days is None and o.rule in LEVEL_RULES]] = True
        return cls(charts.rows, charts.corrected.alpha, charts.unit_ends, alarmed)


@dataclass(frozen=True)
class Untold:
    """Sentences by probe code."""

    missing: dict[int, str]  # nothing can be said of the probe before this is there
    remark: dict[int, str]
    suspect: dict[int, str]  # source by probe code, where all or a group on it moved alike and the source may have done it


def untold(levels: Levels, sources: tuple[str, ...], least_probes: int) -> Untold:
    """Probes with a standing alarm of their level that cannot be told from the source they are read on.

    sources: names by code. Only units in force; probes without an alarm, or read beside enough others that stand where they
    stood, are not named.
    """
    rows = levels.rows
    out = Untold({}, {}, {})
    alarmed = set(np.flatnonzero(levels.alarmed).tolist())
    if not alarmed:
        return out
    newest = rows.unit_first[1:] - 1
    in_force = np.flatnonzero(~np.isfinite(levels.ends) & np.isfinite(levels.alpha))
    for code in np.unique(rows.source[newest[in_force]]):
        mine = in_force[rows.source[newest[in_force]] == code]
        at = rows.at_days[newest[mine]]
        mine = mine[at >= at.max() - RECENT_DAYS]
        if alarmed & set(mine.tolist()):
            _on_source(levels, sources[int(code)], mine, alarmed, least_probes, sources, out)
    return out


def _on_source(
    levels: Levels, name: str, units: Ints, alarmed: set[int], least_probes: int, sources: tuple[str, ...], out: Untold
) -> None:
    change = np.array([_raw_change(levels, int(u)) for u in units])
    if len(np.unique(levels.rows.unit_probe[units])) < least_probes:
        _too_few(levels, name, units, change, alarmed, least_probes, sources, out)
        return
    split = _two_groups(change)
    if split is None or _by_device(levels, units, split[0]):
        return
    left, gap = split
    standing = np.array([int(u) in alarmed for u in units])
    steady = left if abs(change[left].mean()) < abs(change[~left].mean()) else ~left
    told = not standing[steady].any()
    # Where it cannot be told, those without an alarm are as doubtful as the others: theirs may have been taken for the source's.
    for k in np.flatnonzero(standing if told else np.ones(len(units), bool)):
        group = int((left == left[k]).sum())
        code = int(levels.rows.unit_probe[units[k]])
        moved = f"{group} of the {len(units)} probes read on {name} moved alike, {pct(100 * abs(np.expm1(gap)))} from the others"
        if told and group == 1:
            continue
        if told:
            out.remark[code] = f"{moved}, which stand where they stood: look for what they share beside the source."
        else:
            out.suspect[code] = name
            out.missing[code] = (
                f"{moved}: whether these moved, or the others and the source, cannot be told apart until they are read on another source."
            )


def _too_few(
    levels: Levels, name: str, units: Ints, change: np.ndarray, alarmed: set[int], least_probes: int, sources: tuple[str, ...],
    out: Untold,
) -> None:
    """Fewer probes on a source than are needed."""
    probe = levels.rows.unit_probe[units]
    for unit, own in zip(units, change, strict=True):
        if int(unit) not in alarmed:
            continue
        code = int(levels.rows.unit_probe[unit])
        others = change[probe != code]
        small, large = np.minimum(np.abs(others), abs(own)), np.maximum(np.abs(others), abs(own))
        before = _change_before_source(levels, int(unit))
        if len(others) == 0 and before is not None and abs(own - before[1]) > ALIKE * abs(own):
            was = sources[before[0]]
            out.suspect[code] = name
            out.missing[code] = (
                f"It alone is read on {name}, and changed when it came to be read there and not on {was}: it or the source "
                f"cannot be told apart until another probe is read on {name}, or it on {was} again."
            )
        elif len(others) == 0:
            out.remark[code] = (
                f"It alone is read on {name}: its own movement and the source's cannot be told apart ({least_probes} probes are needed)."
            )
        elif bool(((np.sign(others) == np.sign(own)) & (small >= ALIKE * large)).all()):
            out.suspect[code] = name
            out.missing[code] = (
                f"Both probes read on {name} moved alike, and {least_probes} are needed to tell a probe from its source: the two "
                "cannot be told apart until a third is read on it, or these on another source."
            )


def _by_device(levels: Levels, units: Ints, left: np.ndarray) -> bool:
    """Whether the two groups are on different jigs or control units, which tells them apart."""
    newest = levels.rows.unit_first[units + 1] - 1
    return any(not set(on[newest][left].tolist()) & set(on[newest][~left].tolist()) for on in (levels.rows.jig, levels.rows.readout))


def _raw_change(levels: Levels, unit: int) -> float:
    """Median of the newest checks against the reference, with nothing taken off for the source; natural log."""
    rows = levels.rows
    part = np.arange(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
    late = part[rows.last[part] & (rows.source[part] == rows.source[part[-1]])][-NEWEST:]
    return float(np.median(rows.y[late]) - levels.alpha[unit])


def _change_before_source(levels: Levels, unit: int) -> tuple[int, float] | None:
    """Source before the present one, and the median of the newest checks there against the reference; None where it was always this."""
    rows = levels.rows
    part = np.arange(int(rows.unit_first[unit]), int(rows.unit_first[unit + 1]))
    other = part[rows.last[part] & (rows.source[part] != rows.source[part[-1]])]
    if len(other) == 0:
        return None
    late = other[rows.source[other] == rows.source[other[-1]]][-NEWEST:]
    return int(rows.source[other[-1]]), float(np.median(rows.y[late]) - levels.alpha[unit])


def _two_groups(change: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Which belong to the lower of two tight groups, and how far the groups lie apart; None where there are not two.

    >>> _two_groups(np.array([0.0, 0.01, -0.2, -0.21, -0.2]))[0].tolist()
    [False, False, True, True, True]
    >>> _two_groups(np.array([0.0, 0.01, -0.02, -0.21, 0.0])) is None
    True
    >>> int(_two_groups(np.array([0.0, 0.01, -0.08, -0.08, -0.08, -0.08]))[0].sum()), _two_groups(np.array([0.08, 0.08, 0, 0, 0, 0]))
    (4, None)
    """
    ordered = np.sort(change)
    steps = np.diff(ordered)
    if len(steps) == 0:
        return None
    k = int(np.argmax(steps)) + 1
    low, high = ordered[:k], ordered[k:]
    gap = float(high.mean() - low.mean())
    spread = max(float(np.ptp(low)), float(np.ptp(high)))
    least = 1.0 if len(change) == 3 and abs(change).min() < 0.5 * gap else GROUP_SHARE * len(change)
    few, many = sorted((low, high), key=len)
    if len(few) >= 2 and np.abs(few).max() < LEAST_GAP <= np.abs(many).min():
        least = min(least, STOOD_SHARE * len(change))  # probes that never moved had all risen, were the others right
    if steps[k - 1] < LEAST_GAP or spread > TIGHT * gap or min(len(low), len(high)) < least:
        return None
    return change <= low[-1], gap
