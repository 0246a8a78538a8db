"""Every possible plan of a small site, one by one: what the programme must not miss. Shares no code with it.

Weeks begin on the first day of the plan, a Monday. A service takes the probe away from that Monday for whole weeks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, combinations, product

VISIT, EARLY_SERVICE, DAY_AT_RISK = 1.0, 0.05, 0.2  # what the plan says that things weigh


@dataclass(frozen=True)
class Site:
    """A site of fit probes.

    services: probe -> week by which it is served at the latest. risk: probe -> days at risk if served in week 0, 1, ….
    checks: the week by which a recurring check is due for the first time, by probe.
    """

    weeks: int
    probes: int
    least: int
    away_weeks: int
    services: dict[int, int]
    risk: dict[int, list[float]]
    checks: dict[int, int]


def service_choices(site: Site) -> Iterator[dict[int, int]]:
    """Every way to put the services into weeks."""
    for weeks in product(*(range(latest + 1) for latest in site.services.values())):
        yield dict(zip(site.services, weeks, strict=True))


def missing(site: Site, services: dict[int, int]) -> int:
    """Probe-days of cover that are missing: five operating days a week."""
    total = 0
    for week in range(site.weeks):
        away = sum(start <= week < start + site.away_weeks for start in services.values())
        total += 5 * max(0, site.least - (site.probes - away))
    return total


def keeps_rhythm(visited: frozenset[int], first_due: int, interval: int, weeks: int) -> bool:
    """Whether a check due by ``first_due``, and then every ``interval`` weeks, is never late on these visits."""
    due = first_due
    while due < weeks:
        in_time = [week for week in visited if due - interval < week <= due]
        if not in_time:
            return False
        due = max(in_time) + interval
    return True


def cheapest(site: Site, interval: int, most_missing: int, most_visits: float, most_risk: float) -> float:
    """The least that any plan weighs that misses no more cover, visits and days at risk than allowed."""
    best = float("inf")
    for services in service_choices(site):
        risk = sum(site.risk[probe][week] for probe, week in services.items())
        if missing(site, services) > most_missing or risk > most_risk + 1e-6:
            continue
        fixed = DAY_AT_RISK * risk + sum(
            EARLY_SERVICE * (latest - services[probe]) for probe, latest in site.services.items()
        )
        for more in powerset(range(site.weeks)):
            visited = frozenset(services.values()) | frozenset(more)
            if len(visited) <= most_visits and all(
                keeps_rhythm(visited, due, interval, site.weeks) for due in site.checks.values()
            ):
                best = min(best, VISIT * len(visited) + fixed)
    return best


def powerset(weeks: range) -> Iterator[tuple[int, ...]]:
    """Every choice of weeks."""
    return chain.from_iterable(combinations(weeks, many) for many in range(len(weeks) + 1))
