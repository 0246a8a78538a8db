"""Plain functions over arrays as machine code, for what has to go from row to row.

The code is made at the first call, takes a second or two, and is kept beside the file (or in the person's cache where that
folder may not be written), so that later runs only read it. It is kept by the stamp of the file that the function stands
in: a compiled function calls only compiled functions of its own file, else a change in one would not reach the other.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])
Result = TypeVar("Result")
WORTH_A_THREAD = 5_000


def compiled(function: Function) -> Function:
    """The function as machine code: IEEE arithmetic in the order written (no fast maths), the lock of Python given up meanwhile.

    >>> compiled(lambda x: x + 1.0)(1.5)
    2.5
    """
    try:
        made = njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # neither folder may be written: made anew in every process
        made = njit(nogil=True, error_model="numpy")(function)
    return cast(Function, made)


def on_all_cores(work: Callable[[slice], Result], items: int) -> list[Result]:
    """``work`` on consecutive slices of so many items, one a core, in order; one slice where they are few.

    >>> on_all_cores(lambda some: some.stop - some.start, 12)
    [12]
    """
    cores = min(os.cpu_count() or 1, max(items // WORTH_A_THREAD, 1))
    edges = [items * k // cores for k in range(cores + 1)]
    slices = [slice(low, high) for low, high in pairwise(edges)]
    if cores == 1:
        return [work(slices[0])]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(work, slices))
