"""What the pages write about readings, probes and alarms. Each call is one transaction; caches follow the revision."""

from __future__ import annotations

from collections.abc import Sequence

from analytics.errors import UserError
from dashboard.seam.place import store_path


def exclude(reading_ids: Sequence[int], *, by: str, reason: str) -> None:
    """Hide readings from the analysis; they stay on the chart, hollow."""
    from analytics.records import people

    people.exclude(store_path(), list(reading_ids), by=_named(by), reason=_because(reason))


def include(reading_ids: Sequence[int], *, by: str, reason: str) -> None:
    """Take an exclusion back."""
    from analytics.records import people

    people.include(store_path(), list(reading_ids), by=_named(by), reason=_because(reason))


def decide(
    kind: str, *, probe: str | None, by: str, reason: str, value: str | None = None, episode: str | None = None
) -> None:
    """Record a person's decision on a probe or an episode; kinds are those of ``people.DECISIONS``.

    probe: None for an episode of a source, a jig or a control unit.
    """
    from analytics.records import people

    people.decide(store_path(), kind, probe=probe, value=value, episode=episode, by=_named(by), reason=_because(reason))


def _named(by: str) -> str:
    if not by.strip():
        raise UserError(
            "no name was given", where="Your name", do="Type it; it stands beside the change in the history."
        )
    return by.strip()


def _because(reason: str) -> str:
    if not reason.strip():
        raise UserError("no reason was given", where="Reason", do="Say in a few words why; it stands in the history.")
    return reason.strip()
