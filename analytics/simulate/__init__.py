"""Fleets with known truth, for the demo and the tests; imports neither counting nor charts.

``scoring_fleet`` draws a fleet to score alarms and forecasts on, ``plain_fleet`` one with three plain faults, and
``demo.demo_tables`` tells the stories of the demo. Everything comes from a seed.
"""

from analytics.simulate.fleet import Fleet, simulate, to_records
from analytics.simulate.scoring import plain_fleet, scoring_fleet
from analytics.simulate.truth import Truth
from analytics.simulate.write import write_csv, write_parquet, write_xlsx

__all__ = [
    "Fleet",
    "Truth",
    "plain_fleet",
    "scoring_fleet",
    "simulate",
    "to_records",
    "write_csv",
    "write_parquet",
    "write_xlsx",
]
