"""Keep or replace: equivalent annual costs, by the site's costs, discount rate and service life.

A sum P spread evenly over n years at the rate i is P·i/(1 − (1 + i)^−n) a year (capital recovery). Keeping a probe costs its
upkeep and the services to be expected, and the service that is due now; the years it may still serve are chosen at
their cheapest, as for any defender. Replacing it costs the new probe spread over its life, its upkeep and the services
that a probe of this fleet needs. What was spent before is gone and counts for neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analytics.words import money


@dataclass(frozen=True)
class KeepOrReplace:
    """Both sides in the site's currency a year; None where a cost is not set, with what is missing."""

    keep_per_year: float | None = None
    replace_per_year: float | None = None
    years_left: int | None = None  # over which keeping is cheapest
    services_per_year: float | None = None  # expected of this probe
    missing: tuple[str, ...] = ()
    assumed: tuple[str, ...] = field(default=())  # sentences: what the figures rest on

    @property
    def ratio(self) -> float | None:
        """Keeping over replacing; None where either is not known or replacing costs nothing."""
        if self.keep_per_year is None or not self.replace_per_year:
            return None
        return self.keep_per_year / self.replace_per_year

    def sentence(self) -> str | None:
        """Both figures in one sentence; None where they are not known."""
        if self.keep_per_year is None or self.replace_per_year is None:
            return None
        return (
            f"Keeping it costs {money(self.keep_per_year)} a year, replacing it {money(self.replace_per_year)} a year"
            f" (equivalent annual costs)."
        )


def capital_recovery(rate: float, years: float) -> float:
    """Yearly payment that pays back 1 over so many years at this rate (a fraction a year); 1/years at rate 0.

    >>> round(capital_recovery(0.10, 5), 4), capital_recovery(0.0, 4)
    (0.2638, 0.25)
    """
    if years <= 0:
        raise ValueError("the number of years must be more than 0")
    return 1.0 / years if rate == 0 else rate / -float(np.expm1(-years * np.log1p(rate)))


def equivalent_annual_cost(price: float, rate: float, years: float, per_year: float = 0.0, salvage: float = 0.0) -> float:
    """Price spread over its life, what it still fetches at the end taken off, and the yearly costs.

    (P − S)·(A/P, i, n) + S·i + yearly costs.

    >>> round(equivalent_annual_cost(1000.0, 0.0, 10, per_year=50.0, salvage=200.0), 2)
    130.0
    """
    return (price - salvage) * capital_recovery(rate, years) + salvage * rate + per_year


def cheapest_span(costs: Sequence[float], rate: float) -> tuple[int, float]:
    """The cheapest number of years to keep something, and its equivalent annual cost.

    costs: of the first, second, … year, at their ends.

    >>> cheapest_span([200.0, 100.0], 0.0)
    (2, 150.0)
    """
    if not len(costs):
        raise ValueError("no year's cost is given")
    years = np.arange(1, len(costs) + 1)
    worth = np.cumsum(np.asarray(costs, float) / (1.0 + rate) ** years)
    each = np.array([value * capital_recovery(rate, float(n)) for n, value in zip(years, worth, strict=True)])
    best = int(np.argmin(each))
    return best + 1, float(each[best])


def expected_services(services: int, years: float, fleet_services: int, fleet_years: float) -> float:
    """Services a year to be expected of one probe: its own, drawn towards the fleet's rate by one service's weight.

    (k + 1)/(T + 1/λ) with the fleet's rate λ; the fleet's where the probe has no time on record; 0 where none had one.

    >>> round(expected_services(2, 4.0, 30, 300.0), 3)
    0.214
    """
    if fleet_services <= 0 or fleet_years <= 0:
        return services / years if years > 0 else 0.0
    rate = fleet_services / fleet_years
    return (services + 1.0) / (max(years, 0.0) + 1.0 / rate)


def keep_or_replace(
    *,
    price: float | None,
    service: float | None,
    upkeep_per_year: float | None,
    rate: float,
    life_years: float,
    age_years: float | None,
    services_per_year: float,
    fleet_services_per_year: float,
    service_due: bool,
    years_after_service: float = 1.0,
) -> KeepOrReplace:
    """Both equivalent annual costs of one probe.

    price: of a new one. service: of one service. rate: fraction a year. age_years: None counts as new. A probe past
    its life is taken to serve one more year, after a service ``years_after_service``. What is missing is named, and neither figure is made up.
    """
    missing = [
        text
        for text, value in (
            ("the price of a new probe (`costs.replacement`, or its own `replacement_cost`)", price),
            ("the cost of a service (`costs.service`)", service),
        )
        if value is None
    ]
    if min(price or 0.0, service or 0.0, upkeep_per_year or 0.0) < 0:
        return KeepOrReplace(missing=("costs that are not negative",))
    if missing or price is None or service is None:
        return KeepOrReplace(missing=tuple(missing))
    upkeep = upkeep_per_year or 0.0
    least = years_after_service if service_due else 1.0
    left = max(round(max(life_years - (age_years or 0.0), least)), 1)
    yearly = upkeep + services_per_year * service
    # A service that is due is paid now, not at the end of the first year.
    costs = [yearly + (service * (1.0 + rate) if service_due else 0.0), *[yearly] * (left - 1)]
    years, keep = cheapest_span(costs, rate)
    replace = equivalent_annual_cost(price, rate, life_years, upkeep + fleet_services_per_year * service)
    assumed = [
        (
            f"{services_per_year:.2g} services a year expected of this probe, {fleet_services_per_year:.2g} of a new one,"
            f" at {money(service)} each{', and one now' if service_due else ''}."
        ),
        f"A new one at {money(price)} over {life_years:g} years at {100.0 * rate:g} % a year.",
        f"Kept for {years} more year{'' if years == 1 else 's'}"
        + (" (the day it was put into service is not recorded; it counts as new)." if age_years is None else "."),
    ]
    if upkeep_per_year is None:
        assumed.append("No yearly upkeep is set; it counts as none on both sides.")
    return KeepOrReplace(keep, replace, years, services_per_year, (), tuple(assumed))
