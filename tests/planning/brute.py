"""Every possible plan of a small site, one by one: what the programme must not miss. Shares no code with it.

Weeks begin on the first day of the plan, a Monday. A service takes the probe away from that Monday for whole weeks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

VISIT, EARLY_SERVICE, EARLY_CHECK, DAY_AT_RISK = 1.0, 0.05, 0.001, 0.2  # what the plan says that things weigh


@dataclass(frozen=True)
class Site:
    """A site of fit probes.

    services: probe -> week by which it is served at the latest. risk: probe -> days at risk if served in week 0, 1, ….
    checks: weeks in which each occurrence of one recurring check falls due, by probe; each may come a week early.
    """

    weeks: int
    probes: int
    least: int
    away_weeks: int
    services: dict[int, int]
    risk: dict[int, list[float]]
    checks: dict[int, list[int]]


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


def check_choices(dues: Sequence[int], weeks: int, interval: int) -> Iterator[list[int]]:
    """Weeks of a recurring check: each due or a week early, and after an early one none goes back to its own date.

    One more occurrence where bringing forward brings it into the plan.
    """
    later = dues[-1] + interval
    for early in product((0, 1), repeat=len(dues)):
        if any(b < a for a, b in pairwise(early)):
            continue
        done = [due - ahead for due, ahead in zip(dues, early, strict=True)]
        if min(done) < 0:
            continue
        if early[-1] and later - 1 < weeks <= later:
            done.append(later - 1)
        yield done


def cheapest(site: Site, interval: int, most_missing: int, most_visits: float, most_risk: float) -> float:
    """The least that any plan weighs that misses no more cover, visits and days at risk than allowed."""
    best = float("inf")
    chains = [list(check_choices(dues, site.weeks, interval)) for dues in site.checks.values()]
    for services in service_choices(site):
        risk = sum(site.risk[probe][week] for probe, week in services.items())
        if missing(site, services) > most_missing or risk > most_risk + 1e-6:
            continue
        fixed = DAY_AT_RISK * risk + sum(
            EARLY_SERVICE * (latest - services[probe]) for probe, latest in site.services.items()
        )
        for done in product(*chains):
            visited = set(services.values()) | {week for chain in done for week in chain}
            if len(visited) > most_visits:
                continue
            ahead = sum(
                due - week
                for dues, chain in zip(site.checks.values(), done, strict=True)
                for due, week in zip([*dues, dues[-1] + interval], chain, strict=False)
            )
            best = min(best, VISIT * len(visited) + fixed + EARLY_CHECK * ahead)
    return best
