"""What a chart must offer so that its run lengths can be computed."""

from __future__ import annotations

from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
State = TypeVar("State")


class Process(Protocol[State]):
    """A chart whose statistic is Markov under independent N(mean, 1) readings."""

    def start(self) -> State:
        """The state before the first reading, with mass one."""
        ...

    def steady(self) -> State:
        """The state after many readings of mean 0, given that there was no signal, with mass one."""
        ...

    def step(self, state: State, mean: float) -> State:
        """The state after one more reading; the mass lost is the probability of the signal."""
        ...

    def mass(self, state: State) -> float:
        """The probability of not having signalled."""
        ...

    def scaled(self, state: State, factor: float) -> State:
        """The state with its mass multiplied by ``factor``."""
        ...

    def remaining(self, state: State, mean: float) -> float:
        """Sum of the survival probabilities from here on, all readings having this mean."""
        ...

    def certain(self, drift: float) -> bool:
        """Whether a drift of this sign ends in a signal with probability one."""
        ...


class Flat(Process[State], Protocol[State]):
    """A process whose state becomes a vector with a constant transition matrix after a few readings."""

    def vector(self, state: State) -> Array | None:
        """The state as a vector; None while it is none yet."""
        ...

    def matrix(self, mean: float) -> Array:
        """Transition matrix of these vectors; column: from, row: to."""
        ...

    def counted(self) -> Array:
        """The vector whose product with the state is its mass."""
        ...
