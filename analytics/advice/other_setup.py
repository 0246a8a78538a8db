"""A probe that is read on another jig or collimator from some day on: its series begins anew, and what it lost with the change is in none."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from analytics.results import SeriesResult


def changed_setups(series: Iterable[SeriesResult], action_pct: float, served_days: Iterable[str]) -> tuple[str, ...]:
    """One sentence for each change of jig or collimator at which the response changed by more than the action level.

    series: those of one probe. served_days: ISO days of its services; after one between the two series they are not compared.
    Compared are the reference on the new setup and the level on the one before, of one window, nuclide and unit, where the checks
    on the one ended before those on the other began.
    """
    groups: dict[tuple[str, str | None, str], list[SeriesResult]] = {}
    for one in series:
        if one.quantity == "response" and one.reference is not None and one.current is not None and one.latest_at is not None:
            groups.setdefault((one.window, one.nuclide, one.unit), []).append(one)
    served, out = sorted(served_days), []
    for mine in groups.values():
        for old, new in pairwise(sorted(mine, key=lambda one: one.latest_at.isoformat() if one.latest_at else "")):
            if old.latest_at is None or old.current is None or new.reference is None or old.latest_at >= new.reference.from_at:
                continue
            ended, began = old.latest_at.date().isoformat(), new.reference.from_at.date().isoformat()
            pct = 100.0 * new.reference.value / old.current
            if abs(pct - 100.0) <= action_pct or any(ended <= day <= began for day in served):
                continue
            out.append(
                f"Since {began} it is read {_setup(new, old)}, where its response began at {pct:.0f} % of that {_setup(old, new)} before:"
                " the other setup or the probe did that; read it once in each to tell."
            )
    return tuple(out)


def _setup(one: SeriesResult, other: SeriesResult) -> str:
    said = []
    if one.jig != other.jig:
        said.append(f"on jig {one.jig}" if one.jig is not None else "with no jig written down")
    if one.collimator != other.collimator:
        said.append(f"with collimator {one.collimator}" if one.collimator is not None else "without a collimator")
    return " and ".join(said)
