"""What the pages write about readings, probes and alarms. Each call is one transaction; caches follow the revision."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.seam.place import store_path
from dashboard.seam.signature import because, named


def exclude(reading_ids: Sequence[int], *, by: str, reason: str) -> None:
    """Hide readings from the analysis; they stay on the chart, hollow."""
    from analytics.records import people

    people.exclude(store_path(), list(reading_ids), by=named(by), reason=because(reason))


def include(reading_ids: Sequence[int], *, by: str, reason: str) -> None:
    """Take an exclusion back."""
    from analytics.records import people

    people.include(store_path(), list(reading_ids), by=named(by), reason=because(reason))


def decide(
    kind: str, *, probe: str | None, by: str, reason: str, value: str | None = None, episode: str | None = None
) -> None:
    """Record a person's decision on a probe or an episode; kinds are those of ``people.DECISIONS``.

    probe: None for an episode of a source, a jig or a control unit.
    """
    from analytics.records import people

    people.decide(store_path(), kind, probe=probe, value=value, episode=episode, by=named(by), reason=because(reason))
