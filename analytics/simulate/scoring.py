"""Fleets to score the analysis on, and the plain fleet of the first acceptance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.random import Generator

from analytics.simulate.breakdowns import MIX, Breakdowns, draw_breakdowns
from analytics.simulate.design import Design, Jig, Probe, Site, Source
from analytics.simulate.draw import draw_jigs, draw_probes, draw_sites, draw_sources
from analytics.simulate.fleet import Fleet, simulate

Cadence = Literal["weekly", "monthly"]
CADENCE_DAYS = {"weekly": 7.0, "monthly": 30.4}


def scoring_fleet(
    seed: int,
    *,
    probes: int = 150,
    years: float = 3.5,
    cadence: Cadence = "weekly",
    bad_source: bool = True,
    wrong_date: bool = False,
    jig_knocked: bool = False,
    mix: Mapping[str, float] | None = None,
    repaired: float = 0.4,
    held: float = 0.6,
    two_windows: float = 0.15,
    sites: int | None = None,
    blunder_rate: float = 0.005,
    start: datetime = datetime(2021, 1, 4),
) -> Fleet:
    """A fleet with faults of every kind, for scoring alarms, causes and forecasts.

    seed:        same seed, same fleet.
    probes:      number of probes; sites: number of sites (one for 25 probes, at least three).
    cadence:     checks ``weekly`` or ``monthly``.
    bad_source:  one source falls 10 % a year faster than Co-57.
    wrong_date:  another one is recorded with a reference date 31 days late.
    jig_knocked: one jig holds the source 1 mm further away from about the middle on.
    mix:         share of probes with each kind of fault (default ``MIX``); the rest is sound.
    repaired:    share of faulty probes that get a repair; held: share of those that are mended by it.

    >>> fleet = scoring_fleet(1, probes=24, years=1.0, sites=3)
    >>> len(fleet.tables["probes"]), bool(fleet.truth.sources["bad"].any())
    (24, True)
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 57]))
    days = round(years * 365.25)
    places = draw_sites(sites if sites is not None else max(3, probes // 25), rng)
    sources = draw_sources(places, days, rng)
    jigs = draw_jigs(places, rng)
    fleet = draw_probes(probes, places, days, rng, cadence_days=CADENCE_DAYS[cadence], two_windows=two_windows)
    sources = _spoil_sources(sources, fleet, days, bad_source, wrong_date, rng)
    if jig_knocked:
        jigs = _knock(jigs, sources, days, rng)
    broken = draw_breakdowns(fleet, days, MIX if mix is None else mix, rng, repaired=repaired, held=held)
    return simulate(_design(start, days, places, sources, jigs, broken, blunder_rate), seed)


def _design(
    start: datetime,
    days: float,
    sites: tuple[Site, ...],
    sources: list[Source],
    jigs: tuple[Jig, ...],
    broken: Breakdowns,
    blunder_rate: float,
) -> Design:
    return Design(
        starts_at=start,
        days=days,
        sites=sites,
        probes=tuple(broken.probes),
        sources=tuple(sources),
        jigs=jigs,
        faults=tuple(broken.faults),
        services=tuple(broken.services),
        blunder_rate=blunder_rate,
    )


def _spoil_sources(
    sources: list[Source], probes: list[Probe], days: float, bad: bool, wrong_date: bool, rng: Generator
) -> list[Source]:
    """Make one source decay too fast, another one carry a wrong date; only such as are long in use by many probes."""
    crowd = {one.site: sum(probe.site == one.site for probe in probes) for one in sources}
    long_used = [
        number
        for number, one in enumerate(sources)
        if min(one.used_to, days) - max(one.used_from, 0.0) >= min(300.0, 0.6 * days)
        and crowd[one.site] >= min(8, max(crowd.values()))
    ]
    chosen = rng.permutation(long_used)
    spoiled = list(sources)
    if bad:
        spoiled[chosen[0]] = replace(sources[chosen[0]], excess_decay_pct_per_year=10.0)
    if wrong_date:
        spoiled[chosen[-1]] = replace(spoiled[chosen[-1]], reference_error_days=31.0)
    return spoiled


def _knock(jigs: tuple[Jig, ...], sources: list[Source], days: float, rng: Generator) -> tuple[Jig, ...]:
    """Knock one jig, away from the bad source if there is another site."""
    good = [number for number, jig in enumerate(jigs) if not any(one.bad and one.site == jig.site for one in sources)]
    chosen = int(rng.choice(good or range(len(jigs))))
    day = float(rng.uniform(0.35, 0.65) * days)
    return tuple(
        replace(jig, knocked_day=day, by_mm=1.0) if number == chosen else jig for number, jig in enumerate(jigs)
    )


def plain_fleet(seed: int) -> Fleet:
    """Sixty probes over three years, some 18,700 countings: 57 sound ones and three that are plainly not.

    P-058 falls 12 % a year, the gain of P-059 slides 4 % a year, the cable of P-060 dies some weeks before the end.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 2]))
    days = 1096.0
    places = draw_sites(4, rng)
    sources = draw_sources(places, days, rng)
    drawn = draw_probes(60, places, days, rng, cadence_days=7.0, two_windows=0.0)
    usual = [replace(one, gaps=(), repeats=1, side_every_days=math.inf, background_every=1) for one in drawn]
    plain = Breakdowns(usual)
    plain.add("P-058", "efficiency_loss", 200.0, per_year=math.log(0.88))
    plain.add("P-059", "gain_drift", 300.0, per_year=0.04)
    plain.add("P-060", "dead_cable", days - 24.0)
    return simulate(_design(datetime(2021, 1, 4), days, places, sources, draw_jigs(places, rng), plain, 0.005), seed)
