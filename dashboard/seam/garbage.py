"""How seldom a process that keeps a fleet looks for garbage: hardly any of millions of objects is, and each look held all else."""

from __future__ import annotations

import gc
import time

SELDOM = 50_000, 20, 20  # how many new objects, and rounds of them, before Python looks for garbage
SWEEP_EVERY_S = 3600.0  # between two looks at everything, also at what was to stay

_swept = float("-inf")


def settle() -> None:
    """Tell Python that what is there now is there to stay: looking through all of it for garbage took every page 0.2 s."""
    global _swept  # noqa: PLW0603 - one heap
    gc.set_threshold(*SELDOM)
    if time.monotonic() > _swept + SWEEP_EVERY_S:
        _swept = time.monotonic()
        gc.unfreeze()
        gc.collect()
    gc.freeze()
