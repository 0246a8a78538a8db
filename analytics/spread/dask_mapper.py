"""Parts of the fleet on the workers of a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Any

from analytics.errors import UserError
from analytics.records.snapshot import Records
from analytics.results import FleetAssessment
from analytics.settings import Settings
from analytics.spread.engine import assess_in_parts

if TYPE_CHECKING:
    from distributed import Client

# Some parts a worker, so that none waits long for the last; not many, since each part goes round by itself.
PARTS_PER_WORKER = 2
CONNECT_S = 10.0


class OnDask:
    """Results stay on the workers until they are gathered.

    The parts themselves travel inside the tasks: what a killed worker held is made anew from them on another one.
    """

    def __init__(self, client: Client) -> None:
        self.client = client

    def map(self, function: Callable[..., Any], items: Sequence[Any], *same: Any) -> Sequence[Any]:
        """One task an item; an item may be what an earlier call returned."""
        return [self.client.submit(function, one, *same, pure=False) for one in items]

    def gather(self, results: Sequence[Any]) -> list[Any]:
        """The results themselves; raises what a task raised."""
        return list(self.client.gather(list(results)))


@contextmanager
def cluster(address: str | None) -> Iterator[Client]:
    """A client of the scheduler at this address, or of a cluster of this machine's cores made for the occasion.

    Raises UserError where the engine is not installed, or nothing answers there.
    """
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as missing:
        raise UserError(
            f"the engine `dask` is not installed ({missing})", where="--engine", do="Install the extra: steadycount[scale]."
        ) from missing
    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "100GB"}):
        if address is None:
            with LocalCluster(threads_per_worker=1, dashboard_address=None) as made, Client(made) as client:
                yield client
            return
        try:
            client = Client(address, timeout=CONNECT_S)
        except (OSError, ValueError) as failed:
            raise UserError(
                f"no scheduler answers at `{address}` ({str(failed) or type(failed).__name__})", where="--scheduler",
                do="Start one with `dask scheduler`, and workers with `dask worker ADDRESS`.",
            ) from failed
        with client:
            yield client


def assess_on_dask(records: Records, settings: Settings, as_of: datetime, client: Client) -> FleetAssessment:
    """What ``fleet.assess`` answers, worked out on the workers of this client."""
    workers = max(len(client.scheduler_info(n_workers=-1)["workers"]), 1)
    return assess_in_parts(records, settings, as_of, PARTS_PER_WORKER * workers, OnDask(client))
