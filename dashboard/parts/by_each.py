"""What is made of each thing of a fleet is kept as long as the very thing is handed on.

A check more makes a new answer in which the results of some probes are new; those of all others are the same objects. What a
page makes of each of them, words above all, need not be made again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class ByEach(Generic[T]):
    """Applies a pure function to things one by one, and keeps what came of those of the last call.

    make: takes what one row holds; frozen results, plain values and None. Never change what comes back.

    >>> asked = []
    >>> by_each = ByEach(lambda name, size: asked.append(name) or f"{name} {size}")
    >>> one, two = ("a", 1), ("b", 2)
    >>> by_each([one, two]), by_each([one, ("b", 3)]), asked
    (['a 1', 'b 2'], ['a 1', 'b 3'], ['a', 'b', 'b'])
    """

    def __init__(self, make: Callable[..., T]) -> None:
        self._make = make
        self._kept: dict[tuple[int, ...], tuple[tuple[Any, ...], T]] = {}

    def __call__(self, rows: Iterable[tuple[Any, ...]]) -> list[T]:
        """What is made of each row, in order. Things are told apart by being the very object, so they are kept alive here."""
        before, now, out = self._kept, dict[tuple[int, ...], tuple[tuple[Any, ...], T]](), list[T]()
        for row in rows:
            key = tuple(map(id, row))  # the row is kept, so no other thing can get one of these numbers
            held = before.get(key)
            if held is None:
                held = row, self._make(*row)
            now[key] = held
            out.append(held[1])
        self._kept = now
        return out
