"""Which window a finding speaks of, where a probe is read in more than one: two of them seldom say the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analytics.results import Crossing, SeriesResult


@dataclass(frozen=True)
class NamedWindows:
    """The windows of a probe's findings; None and empty where it is read in one alone.

    level: of its level and drift. beyond: in which the tolerance limit is passed. crossing: of the forecast.
    """

    level: str | None = None
    beyond: tuple[str, ...] = ()
    crossing: str | None = None


def named_windows(mine: Iterable[SeriesResult], level: str | None, crossing: Crossing | None) -> NamedWindows:
    """The windows to name. mine: the series of a probe; level: window of its level and drift; crossing: the forecast spoken of."""
    responses = [one for one in mine if one.quantity == "response"]
    if len({one.window for one in responses}) < 2:
        return NamedWindows()
    beyond = {one.window for one in responses if any(a.rule == "tolerance" and a.settled_at is None for a in one.alerts)}
    ahead = next((one.window for one in responses if crossing is not None and one.crossing is crossing), None)
    return NamedWindows(level, tuple(sorted(beyond)), ahead)
