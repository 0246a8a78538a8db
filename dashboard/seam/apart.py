"""What is worked out in a process of its own, beside the server; imports no page. Run as ``python -m dashboard.seam.apart``.

Requests come as pickles on standard input, ``(name, arguments)``; answers go to standard output: ``("told", (sentence, share))``
any number of times, then ``("done", result)``, ``("failed", error)``, or ``("lacking", None)`` where it is to be asked with all
that belongs to the question. It ends at once when its server does.
"""

from __future__ import annotations

import io
import os
import pickle
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, BinaryIO

from analytics.advice.plan_result import Plan
from analytics.records.loan import Loan
from analytics.records.snapshot import Records
from analytics.records.standing import Standing
from analytics.results import FleetAssessment, ProbeResult
from analytics.settings import Settings
from dashboard.seam import garbage
from dashboard.seam.handed import Anew, Giver, LackingError, parts

if TYPE_CHECKING:
    from analytics.charts.price import Situation
    from analytics.replays.results import Replay
    from analytics.spread.kept import KeptFleet
    from dashboard.seam.price_curves import Curve

Tell = Callable[[str, float], None]
Place = tuple[str, str]  # store and folder of settings


def answer(records: Records, settings: Settings, as_of: datetime, *, tell: Tell) -> FleetAssessment:  # noqa: ARG001
    """The analysis of the whole fleet."""
    from analytics.fleet import assess

    return assess(records, settings, as_of)


@dataclass
class _Kept:
    """A fleet to go on from. number: of the records that everything after them was read on from."""

    number: int
    base: Records
    fleet: KeptFleet


_kept: dict[Place, _Kept] = {}


def newest(
    place: Place, number: int, stand: Standing, settings: Settings, as_of: datetime, *, tell: Tell  # noqa: ARG001
) -> FleetAssessment | Anew:
    """The analysis of the whole fleet as it stands, kept to be gone on from. number: of ``stand.base``."""
    from analytics.spread.kept import KeptFleet

    one = _kept.get(place)
    if one is None or one.number != number:
        one = _kept[place] = _Kept(number, stand.base, KeptFleet())
    before = one.fleet.passes
    found = one.fleet.answer(replace(stand, base=one.base), settings, as_of)
    return Anew(found) if one.fleet.passes > before else found


def newest_of(place: Place, number: int, bare: Standing, settings: Settings, as_of: datetime, *, tell: Tell) -> FleetAssessment | Anew:
    """The same; the readings of ``bare.base`` are left out, since this process should have them.

    Raises:
        LackingError: it has not.
    """
    one = _kept.get(place)
    if one is None or one.number != number:
        raise LackingError
    return newest(place, number, replace(bare, base=one.base), settings, as_of, tell=tell)


def probes_at(records: Records, settings: Settings, as_of: datetime, *, tell: Tell) -> tuple[ProbeResult, ...]:  # noqa: ARG001
    """What was the answer on each probe at a moment."""
    from analytics.fleet import assess

    return assess(records, settings, as_of).probes


def plan(
    assessment: FleetAssessment, records: Records, settings: Settings, from_on: date, to_on: date, lent: Sequence[Loan],
    *, tell: Tell,
) -> Plan:  # fmt: skip
    """The service plan."""
    from analytics.planning.service_plan import service_plan

    return service_plan(assessment, records, settings, from_on, to_on, list(lent), progress=tell)


def price(
    asked: Situation, reference_readings: int, window_cadence_days: float | None, *, tell: Tell  # noqa: ARG001
) -> tuple[dict[str, Any], tuple[Curve, ...]]:  # fmt: skip
    """What watching costs: the document, and the curves of the picture."""
    from analytics.charts.price_document import price_document
    from dashboard.seam.price_curves import curves

    document = price_document(asked, reference_readings=reference_readings, window_cadence_days=window_cadence_days)
    return document, curves(asked)


def replayed(records: Records, settings: Settings, until: datetime, *, tell: Tell) -> Replay:
    """The replay of the records."""
    from analytics.replay import replay

    return replay(records, settings, until, tell)


TASKS: dict[str, Callable[..., Any]] = {
    "answer": answer, "newest": newest, "newest_of": newest_of, "probes_at": probes_at, "plan": plan, "price": price, "replay": replayed,
}  # fmt: skip


def main() -> None:
    """Answer one request after the other, until the server ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's; this ends with it
    ours = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever else is printed stays out of the answers
    if hasattr(os, "nice") and len(sys.argv) > 1:
        os.nice(int(sys.argv[1]))  # pages come first
    waiting: SimpleQueue[tuple[str, tuple[Any, ...]]] = SimpleQueue()
    known: tuple[Any, ...] = ()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, waiting), daemon=True).start()
    while True:
        name, given = waiting.get()
        try:
            result = TASKS[name](*given, tell=lambda what, share: _say(ours, "told", (what, share)))
            _say(ours, "done", result, known)
            if isinstance(result, Anew):
                known = parts(result.answer)
                garbage.settle()  # once the answer has gone, and nobody waits
        except LackingError:
            _say(ours, "lacking", None)
        except Exception as error:  # noqa: BLE001 - it is raised again where it was asked for
            _say(ours, "failed", _portable(error))


def _listen(stream: BinaryIO, waiting: SimpleQueue[tuple[str, tuple[Any, ...]]]) -> None:
    """Take requests; end with the server, also in the middle of one."""
    while True:
        try:
            waiting.put(pickle.load(stream))  # noqa: S301 - from the process that started this one
        except (EOFError, OSError):
            os._exit(0)


def _say(stream: BinaryIO, kind: str, value: object, known: tuple[Any, ...] = ()) -> None:
    Giver(stream, known).dump((kind, value))
    stream.flush()


def _portable(error: Exception) -> Exception:
    """The error itself where it survives the way, else its words; with the lines it came from."""
    lines = traceback.format_exc()
    try:
        kept: Exception = pickle.load(io.BytesIO(pickle.dumps(error)))  # noqa: S301 - made in this line
    except Exception:  # noqa: BLE001 - an error that cannot be copied is told in words
        return RuntimeError(lines)
    kept.add_note(lines)
    return kept


if __name__ == "__main__":
    main()
