"""Units of a sheet: what one of each is, exactly, by published definitions, and which are units of a column at all."""

from __future__ import annotations

from fractions import Fraction

import pytest

from analytics.errors import UserError
from analytics.records.guess import guess
from analytics.records.units import UNITS, factor, own_unit, unit_named

# 1 Ci = 3.7e10 Bq exactly (NIST Special Publication 811, appendix B.8); minutes and hours by the SI Brochure, table 8.
# Prefixes by the SI Brochure, table 7. What a column is kept in stands in its name.
PUBLISHED = {
    "activity_kbq": {"Bq": Fraction(1, 1000), "kBq": 1, "MBq": 1000, "GBq": 10**6, "nCi": Fraction(37, 1000), "µCi": 37,
                     "mCi": 37_000, "Ci": 37 * 10**6},
    "rate_cps": {"cps": 1, "cpm": Fraction(1, 60), "kcps": 1000, "kcpm": Fraction(1000, 60)},
    "count_time_s": {"ms": Fraction(1, 1000), "s": 1, "min": 60, "h": 3600},
    "dead_time_us": {"ns": Fraction(1, 1000), "µs": 1, "ms": 1000},
    "centre_kev": {"eV": Fraction(1, 1000), "keV": 1, "MeV": 1000},
    "diameter_mm": {"mm": 1, "cm": 10},
    "on_minutes": {"s": Fraction(1, 60), "min": 1, "h": 60},
}  # fmt: skip
SHARE = {"%": 1, "1": 100}


@pytest.mark.parametrize("column", UNITS)
def test_one_of_each_unit_is_what_its_definition_says(column):
    """As a fraction, without rounding, for every unit that a page offers."""
    assert {unit: factor(column, unit) for unit in UNITS[column][1]} == PUBLISHED.get(column, SHARE)
    assert factor(column, own_unit(column)) == 1


def test_a_unit_is_understood_however_it_is_written():
    """Both characters of micro, words, plurals, and rates in words."""
    for name in ("µCi", "\u03bcCi", "uCi", "UCI", "microcurie", "microcuries"):
        assert factor("activity_kbq", name) == 37
    for name in ("cpm", "CPM", "counts per minute", "count/minute", "counts/min"):
        assert factor("rate_cps", name) == Fraction(1, 60)
    assert factor("count_time_s", "hours") == 3600


@pytest.mark.parametrize(
    ("column", "name"),
    [
        ("activity_kbq", "cps"), ("activity_kbq", "Hz"), ("rate_cps", "Bq"), ("rate_cps", "becquerel"), ("count_time_s", "cm"),
        ("battery_pct", "radian"), ("count_time_s", "furlong"), ("count_time_s", ""), ("count_time_s", "10**10**10"),
        ("count_time_s", "s**9999999"), ("count_time_s", "__import__('os')"), ("count_time_s", "s" * 500), ("probe", "s"),
    ],
)  # fmt: skip
def test_what_is_no_unit_of_a_column_is_refused(column, name):
    """Of the same dimension alone is not enough, and no name is worked out as a formula."""
    assert unit_named(column, name) is None
    with pytest.raises(UserError, match="is no unit of"):
        factor(column, name)


def test_a_unit_in_a_heading_is_guessed_where_it_is_another_than_the_columns_own():
    """In brackets, in words; the column's own needs no map."""
    made = guess(("probe", "taken_at", "window", "measurement", "counts", "Count time (minutes)", "source"))
    assert made.units == {"count_time_s": "min"}
    assert guess(("source", "nuclide", "reference_at", "Activity (kBq)")).units == {}
