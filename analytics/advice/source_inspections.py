"""Checks of sources that are not countings and that failed: a leaking or missing source is seen to before anything it was read for."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from analytics.named_rows import named_rows

FAILED = {  # kind -> what is said of it; {day}: when
    "leak_test": "Its leak test of {day} failed, and none has passed since: take it out of use, and follow local rules for a source that leaks.",
    "inventory": "It failed the inventory of {day}, and has not passed one since: find it, and see that it is what its record says.",
}
OUT_OF_USE = ("leak_test",)


@dataclass(frozen=True)
class FailedChecks:
    """Of one source: the sentences, and whether it may not be used at all."""

    sentences: tuple[str, ...]
    out_of_use: bool


def failed_source_checks(inspections: pd.DataFrame) -> dict[str, FailedChecks]:
    """By source id, where the newest leak test or inventory with a result failed; a check that names a source is the source's.

    inspections: up to the moment asked for. Of two at the same moment the failed one counts.
    """
    some = inspections[inspections["source"].notna() & inspections["kind"].isin(FAILED) & inspections["result"].notna()]
    newest: dict[str, dict[str, tuple[pd.Timestamp, bool]]] = {}
    for one in named_rows(some.sort_values("done_at", kind="stable")):
        mine = newest.setdefault(str(one.source), {})
        at, failed = one.done_at, str(one.result) == "fail"
        before = mine.get(str(one.kind))
        mine[str(one.kind)] = (at, failed or (before is not None and before[0] == at and before[1]))
    out = {}
    for source, kinds in newest.items():
        bad = [kind for kind in FAILED if kinds.get(kind, (None, False))[1]]
        if bad:
            said = tuple(FAILED[kind].format(day=kinds[kind][0].date().isoformat()) for kind in bad)
            out[source] = FailedChecks(said, any(kind in OUT_OF_USE for kind in bad))
    return out
