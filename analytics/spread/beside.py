"""A member of a team in a process of its own: ``python -m analytics.spread.beside``.

Tasks and what is sent come as pickles on standard input; what is said goes to standard output as ``("said", value)``, ``("done", answer)``
or ``("failed", error in words)``. It ends with its input.
"""

from __future__ import annotations

import contextlib
import gc
import pickle
import sys
import traceback
from typing import BinaryIO

from analytics.spread.team import keep_freed


def serve(there: BinaryIO, back: BinaryIO) -> None:
    """Work off one task after the other."""
    gc.disable()  # as ``team.uncollected``; imports make objects by the hundred thousand, too, and a fifth of their time went there
    keep_freed()
    import numpy as np

    from analytics.counting.arrays import segmented_cumsum
    from analytics.spread import member  # the longest part of the start; meanwhile the asking process starts too

    segmented_cumsum(np.ones((1, 1)), np.zeros(1, np.int64))  # the first compiled call readies all that compiled code needs

    def say(kind: str, value: object) -> None:
        pickle.dump((kind, value), back, protocol=5)
        back.flush()

    with contextlib.suppress(EOFError, BrokenPipeError):
        while True:
            task = pickle.load(there)  # noqa: S301 - from the process that started this one
            try:
                way = member.steps(task)
                said = next(way)
                while True:
                    say("said", said)
                    said = way.send(pickle.load(there))  # noqa: S301
            except StopIteration as end:
                say("done", end.value)
            except (EOFError, BrokenPipeError):
                raise
            except Exception:  # noqa: BLE001 - told to whoever asked, who then works alone
                say("failed", traceback.format_exc())


if __name__ == "__main__":
    mine, sys.stdout = sys.stdout, sys.stderr  # what anything prints must not come between the pickles
    serve(sys.stdin.buffer, mine.buffer)
