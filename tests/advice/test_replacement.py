"""Keep or replace, against worked examples and tables of engineering economics."""

from __future__ import annotations

import pytest

from analytics.advice.replacement import (
    capital_recovery,
    cheapest_span,
    equivalent_annual_cost,
    expected_services,
    keep_or_replace,
)

GIVEN = {
    "price": 20_000.0, "service": 1_500.0, "upkeep_per_year": 400.0, "rate": 0.03, "life_years": 10.0, "age_years": 6.0,
    "services_per_year": 0.2, "fleet_services_per_year": 0.1, "service_due": False,
}

# Capital recovery factors as printed in every compound interest table (four decimals; from memory).
FACTORS = [(0.10, 5, 0.2638), (0.10, 10, 0.1627), (0.08, 10, 0.1490), (0.06, 20, 0.0872), (0.15, 5, 0.2983)]


@pytest.mark.parametrize(("rate", "years", "printed"), FACTORS)
def test_capital_recovery_is_that_of_the_tables(rate, years, printed):
    """(A/P, i, n) to four decimals."""
    assert capital_recovery(rate, years) == pytest.approx(printed, abs=5e-5)


def test_the_loan_that_a_numerical_library_documents():
    """200,000 at 7.5 % over 15 years, monthly: 1854.0247200054619 (numpy's former financial functions, pmt; from memory)."""
    assert 200_000.0 * capital_recovery(0.075 / 12, 180) == pytest.approx(1854.0247200054619, rel=1e-12)


# Newnan, Eschenbach, Lavelle, Engineering Economic Analysis, chapter on replacement analysis, table "Lowest EUAC of the
# Defender" at 15 % (figures read in an excerpt): total marginal costs by year, and the EUAC of keeping it n years.
MARGINAL = [16_000.0, 14_000.0, 13_500.0, 15_300.0, 17_500.0]
KEPT = [16_000, 15_070, 14_618, 14_754, 15_162]


def test_the_cheapest_time_to_keep_a_defender():
    """The text's defender is cheapest kept three years, at 14,618 a year, below its challenger's 15,430."""
    for years, printed in enumerate(KEPT, 1):
        worth = sum(cost / 1.15**n for n, cost in enumerate(MARGINAL[:years], 1))
        assert worth * capital_recovery(0.15, years) == pytest.approx(printed, abs=1.0)
    years, each = cheapest_span(MARGINAL, 0.15)
    assert (years, round(each)) == (3, 14_618)


def test_a_price_with_a_salvage_value():
    """White, Case, Pratt, Principles of Engineering Economic Analysis, 5th ed., example 11.9 (read in an excerpt).

    450,000 more now, 200,000 back after five years, 110,000 less a year, at 16.67 %: 889.06 a year.
    """
    assert equivalent_annual_cost(450_000.0, 0.1667, 5, -110_000.0, 200_000.0) == pytest.approx(889.06, abs=0.01)


def test_a_challenger_over_twelve_years():
    """30,000 and 16,000 a year, 2,000 back after twelve years, at 15 %: 21,465.46 (a course's worked solution, read)."""
    assert equivalent_annual_cost(30_000.0, 0.15, 12, 16_000.0, 2_000.0) == pytest.approx(21_465.46, abs=0.01)


def test_two_machines_of_unequal_life():
    """50,000 for three years and 13,000 a year against 150,000 for eight and 7,500, at 5 %: 31,360.43 and 30,708.27 (from memory)."""
    assert equivalent_annual_cost(50_000, 0.05, 3, 13_000) == pytest.approx(31_360.43, abs=0.01)
    assert equivalent_annual_cost(150_000, 0.05, 8, 7_500) == pytest.approx(30_708.27, abs=0.01)


def test_both_sides_of_a_probe_by_hand():
    """Upkeep and expected services on both sides, the price spread over its life on one, the service due now on the other."""
    sound = keep_or_replace(**GIVEN)
    assert sound.keep_per_year == pytest.approx(400 + 0.2 * 1500)
    assert sound.replace_per_year == pytest.approx(20_000 * 0.03 / (1 - 1.03**-10) + 400 + 0.1 * 1500)
    due = keep_or_replace(**GIVEN | {"service_due": True})
    assert due.keep_per_year == pytest.approx(700 + 1500 * 0.03 / (1 - 1.03**-4))
    assert due.years_left == 4
    assert due.ratio == pytest.approx(due.keep_per_year / due.replace_per_year)


def test_past_its_life_it_is_kept_one_more_year():
    """Twelve years old with a life of ten: the service due now is to be earned in a year, or in what a service adds."""
    old = keep_or_replace(**GIVEN | {"age_years": 12.0, "service_due": True})
    assert old.keep_per_year == pytest.approx(700 + 1500 * 1.03)
    mended = keep_or_replace(**GIVEN | {"age_years": 12.0, "service_due": True, "years_after_service": 3.0})
    assert mended.keep_per_year == pytest.approx(700 + 1500 * 0.03 / (1 - 1.03**-3))


@pytest.mark.parametrize(("lacking", "word"), [("price", "replacement"), ("service", "costs.service")])
def test_a_missing_cost_is_named_and_no_figure_made_up(lacking, word):
    """Without the price or the service's cost there is no ratio, and what is missing is said."""
    found = keep_or_replace(**GIVEN | {lacking: None})
    assert (found.ratio, found.keep_per_year, found.sentence()) == (None, None, None)
    assert word in found.missing[0]


def test_negative_costs_are_not_computed_with():
    """A cost below zero is no cost."""
    found = keep_or_replace(**GIVEN | {"price": -5.0})
    assert found.ratio is None
    assert "not negative" in found.missing[0]


def test_a_free_replacement_has_no_ratio():
    """Replacing for nothing, with no cost of any kind, is not divided by."""
    assert keep_or_replace(**GIVEN | {"price": 0.0, "upkeep_per_year": None, "fleet_services_per_year": 0.0}).ratio is None


def test_services_expected_are_drawn_towards_the_fleet():
    """No service in a short time says little, three in a year say more; with no fleet its own rate, with nothing none."""
    assert expected_services(0, 0.0, 10, 100.0) == pytest.approx(0.1)
    assert 0.05 < expected_services(0, 5.0, 10, 100.0) < 0.1
    assert 0.3 < expected_services(3, 1.0, 10, 100.0) < 3.0
    assert expected_services(1, 2.0, 0, 0.0) == 0.5
    assert expected_services(0, 0.0, 0, 0.0) == 0.0


def test_no_years_are_no_life():
    """A life of zero years and an empty list of costs are refused."""
    with pytest.raises(ValueError, match="more than 0"):
        capital_recovery(0.03, 0)
    with pytest.raises(ValueError, match="no year"):
        cheapest_span([], 0.03)
