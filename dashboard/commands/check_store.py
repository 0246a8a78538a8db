"""``steadycount check-store``: is what the store holds still what was put in?"""

from __future__ import annotations

from dashboard.commands import output
from dashboard.commands.options import DEFAULT_STORE, Config, Json, Store
from dashboard.commands.session import existing


def run(
    store: Store = DEFAULT_STORE,
    config: Config = None,  # noqa: ARG001 - every command takes it
    as_json: Json = False,
) -> int:
    """Verify the chain of the history, the constraints, the counts and that no row has lost what it belongs to.

    Ends with 0 where the store is sound and 1 where it is not; every problem is named, with its place.
    An edit made with this tool's own means shows; one by somebody who rebuilt the whole chain shows only against
    a chain head that was printed earlier, on a report or backup.

    \b
    Example:
      steadycount check-store --store fleet.duckdb
    """
    where = existing(store)

    from analytics.records.check_store import check_store

    with output.working("Checking the store"):
        problems = check_store(where)
    if as_json:
        output.print_json(
            {"sound": not problems, "problems": [{"where": one.where, "what": one.what} for one in problems]}
        )
    else:
        for one in problems:
            output.note(f"{one.where}: {one.what}")
        output.note(f"{where} is sound." if not problems else f"{where} is not sound: {len(problems)} found.")
    return 1 if problems else 0
