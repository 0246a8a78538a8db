"""The register of loans."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from analytics.errors import UserError
from analytics.records import loans
from analytics.records.check_store import check_store
from analytics.records.history import history
from analytics.records.load import load_files

MAY, JUNE = date(2026, 5, 4), date(2026, 6, 1)


@pytest.fixture
def store(tmp_path):
    """Two probes at two sites."""
    table = tmp_path / "probes.csv"
    table.write_text("probe,site\nGP-1,North\nGP-2,South\n")
    load_files(tmp_path / "s.duckdb", [table], by="A. Lind", create=True)
    return tmp_path / "s.duckdb"


def test_a_loan_is_entered_with_who_and_why_and_stands_in_the_history(store):
    """Days, person and note come back as entered, and the history says so."""
    number = loans.lend(store, "GP-1", "South", MAY, JUNE, by="A. Lind", note="cover in May")
    (one,) = loans.loans(store)
    assert (one.loan_id, one.probe, one.site, one.from_on, one.to_on) == (number, "GP-1", "South", MAY, JUNE)
    assert (one.by, one.note) == ("A. Lind", "cover in May")
    newest = history(store).iloc[0]
    assert (newest["action"], newest["subject"], newest["reason"]) == ("lend", "GP-1", "cover in May")


def test_a_loan_comes_back_or_stays_longer(store):
    """An open loan gets its last day, which may be moved; the one before stays in the history."""
    number = loans.lend(store, "GP-1", "South", MAY, None, by="A. Lind", note="cover")
    assert loans.loans(store)[0].to_on is None
    loans.end_loan(store, number, JUNE, by="A. Lind", reason="is back")
    assert loans.loans(store)[0].to_on == JUNE
    loans.end_loan(store, number, None, by="A. Lind", reason="is needed after all")
    assert loans.loans(store)[0].to_on is None
    assert str(JUNE) in history(store).iloc[0]["before"]


def test_a_loan_taken_back_counts_no_more_and_keeps_its_row(store):
    """Taken back it is in the register and not among the loans; its end set anew, it is a loan again."""
    number = loans.lend(store, "GP-1", "South", MAY, JUNE, by="A. Lind", note="cover")
    loans.take_back(store, number, by="A. Lind", reason="wrong probe")
    assert loans.loans(store) == ()
    assert loans.register(store)["taken_back"].tolist() == [True]
    loans.lend(store, "GP-1", "South", MAY, MAY, by="A. Lind", note="one day")
    assert loans.loans(store)[0].to_on == MAY
    with pytest.raises(UserError, match="is lent to South"):
        loans.end_loan(store, number, JUNE, by="A. Lind", reason="was right")
    loans.take_back(store, number + 1, by="A. Lind", reason="now really")
    loans.end_loan(store, number, JUNE, by="A. Lind", reason="was right")
    assert [one.to_on for one in loans.loans(store)] == [JUNE]


@pytest.mark.parametrize(
    ("probe", "site", "to_on", "note", "said"),
    [
        ("gp-1", "South", JUNE, "cover", "no probe `gp-1`"),
        ("GP-1", "Nowhere", JUNE, "cover", "no site `Nowhere`"),
        ("GP-1", "North", JUNE, "cover", "at home at North"),
        ("GP-1", "South", MAY - timedelta(days=1), "cover", "before it begins"),
        ("GP-1", "South", JUNE, " ", "no reason"),
    ],
)
def test_a_loan_that_makes_no_sense_is_refused(store, probe, site, to_on, note, said):
    """Each with one sentence, and nothing is stored."""
    with pytest.raises(UserError, match=said):
        loans.lend(store, probe, site, MAY, to_on, by="A. Lind", note=note)
    assert loans.loans(store) == ()


def test_a_probe_is_lent_once_at_a_time(store):
    """A second loan in the same days is refused, one after it is not; a loan that is not there cannot be ended."""
    loans.lend(store, "GP-1", "South", MAY, JUNE, by="A. Lind", note="cover")
    with pytest.raises(UserError, match="is lent to South"):
        loans.lend(store, "GP-1", "South", JUNE, None, by="A. Lind", note="again")
    loans.lend(store, "GP-1", "South", JUNE + timedelta(days=1), None, by="A. Lind", note="again")
    with pytest.raises(UserError, match="no loan 9"):
        loans.take_back(store, 9, by="A. Lind", reason="slip")


def test_the_store_stays_sound_with_loans(store):
    """check-store finds nothing wrong after entries and undoings."""
    number = loans.lend(store, "GP-1", "South", MAY, None, by="A. Lind", note="cover")
    loans.take_back(store, number, by="A. Lind", reason="slip")
    assert check_store(store) == []
