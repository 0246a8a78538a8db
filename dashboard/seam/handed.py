"""How an answer comes back from the process beside the server: whole once, and then only what is another.

Of an answer on two thousand probes a check more alters some hundred results. To take all of it apart and put it together
again would hold the server's interpreter, and every page with it, as long as ten pages take.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable
from dataclasses import dataclass
from typing import IO, Any

from analytics.results import FleetAssessment


@dataclass(frozen=True)
class Anew:
    """An answer worked out whole: those after it speak of its results by their number in ``parts``."""

    answer: FleetAssessment


class LackingError(Exception):
    """The process has not kept what this request goes on from; it is to be asked with all of it."""


def parts(answer: FleetAssessment) -> tuple[Any, ...]:
    """The results that an answer holds, in an order both sides know."""
    return (*answer.series, *answer.probes, *answer.sources, *answer.jigs, *answer.readouts)


class Giver(pickle.Pickler):
    """Writes objects, and only the number of those that the other side has. known: these, kept alive here."""

    def __init__(self, stream: IO[bytes], known: Iterable[Any]) -> None:
        super().__init__(stream, protocol=5)
        self._number = {id(one): number for number, one in enumerate(known)}

    def persistent_id(self, thing: Any) -> int | None:
        """Told by pickle of everything that it meets."""
        return self._number.get(id(thing))


class Taker(pickle.Unpickler):
    """Reads what a ``Giver`` wrote with the same things known."""

    def __init__(self, stream: IO[bytes], known: tuple[Any, ...]) -> None:
        super().__init__(stream)
        self._known = known

    def persistent_load(self, number: int) -> Any:
        """The thing of that number."""
        return self._known[number]
