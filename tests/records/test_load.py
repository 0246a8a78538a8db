"""What loading promises: every row is stored, already there, or held; never dropped, never guessed."""

from __future__ import annotations

from datetime import datetime

import pytest

from analytics.errors import UserError
from analytics.records.people import find_readings
from analytics.records.reader import snapshot
from analytics.records.store import revision
from analytics.records.store_settings import save_settings

KINDS = {
    "probes": ("probe,site,detector\nGP-009,North,CZT\n", "probes"),
    "sources": ("source,nuclide,reference_at\nCK-9,Cs-137,2023-01-01\n", "sources"),
    "windows": ("window,nuclide,centre_kev,width_pct,offset_pct\nI-125,I-125,28,40,10\n", "windows"),
    "events": (
        "probe,happened_at,kind,new_reference\nGP-001,2024-01-05,repair,\nGP-001,2024-01-06,dropped,yes\n",
        "events",
    ),
    "readings": (
        "probe,taken_at,window,measurement,counts,count_time_s,source\nGP-001,2024-01-05,Co-57,source,5,10,CK-1\n",
        "readings",
    ),
    "inspections": (
        "probe,source,done_at,kind,result,value\nGP-001,,2024-01-05,visual,pass,\n,CK-1,2024-01-05,leak_test,pass,3.5\n",
        "inspections",
    ),
    "uses": ("probe,used_at,case_reference\nGP-001,2024-01-05 10:00,A17\n", "uses"),
    "outcomes": ("probe,found_at,found\nGP-001,2024-01-05,window_slip\n", "outcomes"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_told_from_its_columns_and_loads_twice_as_nothing(clinic, kind):
    """The file's name says nothing; the second time every row is already there and nothing is written."""
    text, table = KINDS[kind]
    file = clinic.write("whatever.dat", text)
    first = clinic.load(file)
    assert (first.files[0].kind, first.held_count, first.stored) == (table, 0, text.count("\n") - 1)
    assert len(getattr(snapshot(clinic.store), table)) >= first.stored
    before = revision(clinic.store)
    again = clinic.load(file)
    assert (again.load, again.stored, again.already_there) == (None, 0, first.stored)
    assert revision(clinic.store) == before


def test_the_order_of_files_and_columns_does_not_matter(empty_clinic):
    """Registries go first, whatever their order on the command line; the report keeps the order of the files."""
    readings = empty_clinic.write(
        "a.csv",
        "source,counts,window,count_time_s,taken_at,measurement,probe\nCK-1,5,Co-57,10,2024-01-05,source,GP-001\n",
    )
    report = empty_clinic.load(
        readings,
        empty_clinic.write("b.csv", "source,nuclide,reference_at\nCK-1,Co-57,2023-01-01\n"),
        empty_clinic.write("c.csv", "site,probe\nNorth,GP-001\n"),
    )
    assert report.load == 1
    assert [one.kind for one in report.files] == ["readings", "sources", "probes"]
    assert (report.stored, report.held_count) == (3, 0)


def test_the_same_counting_with_other_numbers_is_a_conflict(clinic, row):
    """It is held, names what stands there already, and the stored value stays."""
    clinic.readings(row(counts=12000))
    report = clinic.readings(row(counts=12001), name="second.csv")
    (only,) = report.held
    assert (only.column, only.value, only.reason) == ("counts", "12001", "conflict")
    assert only.hint.startswith("It has 12000 already (log.csv, row 2).")
    assert snapshot(clinic.store).readings["counts"].tolist() == [12000]


def test_two_rows_of_one_load_that_contradict_each_other_are_a_conflict(clinic, row):
    """With numbered repeats the first counts, the second is held; the same row twice is already there."""
    head = clinic.head.strip() + ",repeat\n"
    report = clinic.readings(row() + ",1", row(counts=7) + ",1", row() + ",1", head=head)
    assert (report.stored, report.already_there, report.held_count) == (1, 1, 1)
    assert report.held[0].hint.startswith("It has 12000 already (row 2 of this load).")


def test_a_row_that_says_more_than_the_stored_one_is_not_dropped(clinic, row):
    """A note the stored row does not have makes a conflict; a column left blank makes none."""
    clinic.readings(row() + ",first", head=clinic.head.strip() + ",note\n")
    assert clinic.readings(row()).already_there == 1
    assert clinic.readings(row() + ",second", head=clinic.head.strip() + ",note\n").held[0].column == "note"


def test_rows_alike_in_one_file_are_numbered_in_their_order(clinic, row):
    """Without a column ``repeat`` ten countings of one moment are ten repeats, also when loaded again."""
    rows = [row(counts=100 + i) for i in range(10)]
    assert clinic.readings(*rows).stored == 10
    assert clinic.readings(*rows).already_there == 10
    readings = snapshot(clinic.store).readings
    assert readings["repeat"].tolist() == list(range(1, 11))
    assert readings["counts"].tolist() == list(range(100, 110))


def test_a_held_row_keeps_its_place_among_the_repeats(clinic, row):
    """The third of three alike is repeat 3 although the second is held."""
    clinic.readings(row(counts=100), row(counts=-1), row(counts=102))
    assert snapshot(clinic.store).readings["repeat"].tolist() == [1, 3]


def test_a_row_twice_in_a_numbered_file_is_there_once(clinic, row):
    """Blank cells of a column ``repeat`` are numbered too."""
    head = clinic.head.strip() + ",repeat\n"
    clinic.readings(row() + ",", row(counts=9) + ",", row(counts=8) + ",7", head=head)
    assert sorted(snapshot(clinic.store).readings["repeat"]) == [1, 2, 7]


def test_ids_are_text_with_case_and_leading_zeros(clinic, row):
    """007, 7 and a7 / A7 are four probes."""
    clinic.load(clinic.write("p.csv", "probe,site\n007,North\n7,North\na7,North\nA7,North\n"))
    report = clinic.readings(*(row(probe=one) for one in ("007", "7", "a7", "A7")))
    assert report.stored == 4
    assert sorted(snapshot(clinic.store).readings["probe"].astype(str)) == ["007", "7", "A7", "a7"]


def test_times_with_an_offset_become_the_sites_local_time(clinic, row):
    """Summer and winter time of the site's zone; a time without offset stays as it is."""
    save_settings(clinic.store, {"site": {"time_zone": "Europe/Vienna"}}, by="tester")
    clinic.readings(
        row(taken_at="2024-01-15T08:00:00Z"),
        row(taken_at="2024-05-15T08:00:00+00:00"),
        row(taken_at="2024-05-15 23:30-0230"),
        row(taken_at="2024-05-17T10:00"),
    )
    assert [str(one) for one in snapshot(clinic.store).readings["taken_at"]] == [
        "2024-01-15 09:00:00",
        "2024-05-15 10:00:00",
        "2024-05-16 04:00:00",
        "2024-05-17 10:00:00",
    ]


def test_a_displayed_rate_is_kept_with_what_its_last_digit_is_worth(clinic):
    """rate_cps instead of counts; where both are given, counts count and the rate is kept beside the row."""
    head = "probe,taken_at,window,measurement,rate_cps,count_time_s,source,counts\n"
    clinic.readings(
        "GP-001,2024-05-01,Co-57,source,231.5,10,CK-1,",
        "GP-001,2024-05-02,Co-57,source,230,10,CK-1,",
        "GP-001,2024-05-03,Co-57,source,2.310e2,10,CK-1,",
        "GP-001,2024-05-04,Co-57,source,231.5,10,CK-1,2315",
        head=head,
    )
    readings = snapshot(clinic.store).readings
    assert readings["rate_step_cps"].round(9).tolist()[:3] == [0.1, 1.0, 0.1]
    assert readings["counts"].isna().tolist() == [True, True, True, False]
    assert readings["rate_cps"].isna().tolist() == [False, False, False, True]
    assert find_readings(clinic.store)["extra"].iloc[3] == '{"rate_cps":"231.5"}'


def test_unknown_columns_are_kept_with_the_row(clinic, row):
    """Their heading and text stand in the row's extra JSON; blank ones leave nothing."""
    clinic.readings(row() + ',"room ""7"""', row(probe="GP-002") + ",", head=clinic.head.strip() + ",Where it's kept\n")
    extra = find_readings(clinic.store)["extra"]
    assert extra.iloc[0] == '{"Where it\'s kept":"room \\"7\\""}'
    assert extra.isna().tolist() == [False, True]


def test_an_unknown_probe_registers_itself_only_when_asked(clinic, row):
    """Held with the nearest id as a suggestion, or registered with --register-new; a later entry fills it in."""
    assert clinic.readings(row(probe="GP-01")).held[0].hint == "Did you mean `GP-001`?"
    report = clinic.readings(row(probe="GP-01"), register_new=True)
    assert (report.stored, report.registered) == (1, ("registered probe: GP-01",))
    probes = snapshot(clinic.store).probes.set_index("probe")
    assert probes.loc["GP-01", "site"] == "(no site)"
    assert clinic.load(clinic.write("p.csv", "probe,site\nGP-01,West\n")).stored == 1
    assert snapshot(clinic.store).probes.set_index("probe").loc["GP-01", "site"] == "West"


def test_an_unknown_source_is_held_even_when_new_ones_may_register(clinic, row):
    """Its nuclide and date are needed."""
    assert clinic.readings(row(source="CK-7"), register_new=True).held[0].reason == "unknown_source"


def test_new_names_register_themselves_unless_they_nearly_are_a_known_one(clinic, row):
    """Two jigs of one load may differ by one character; against a known jig one character is a near miss."""
    head = clinic.head.strip() + ",jig\n"
    first = clinic.readings(row() + ",J1", row(probe="GP-002") + ",J2", head=head)
    assert (first.stored, first.registered) == (2, ("registered jigs: J1, J2",))
    second = clinic.readings(row(taken_at="2024-05-02") + ",J3", row(taken_at="2024-05-03") + ",Tripod", head=head)
    assert [(one.column, one.value, one.reason) for one in second.held] == [("jig", "J3", "near_miss")]
    assert second.registered == ("registered jig: Tripod",)


def test_a_held_row_registers_nothing(clinic, row):
    """The jig of a row that is held for its source stays unknown."""
    report = clinic.readings(row(source="CK-7") + ",Tripod", head=clinic.head.strip() + ",jig\n")
    assert report.registered == ()


def test_a_registry_loaded_again_with_other_values_is_a_conflict(clinic):
    """The stored site stays; the row is held and says which column differs."""
    (only,) = clinic.load(clinic.write("p.csv", "probe,site\nGP-001,East\n")).held
    assert (only.column, only.value, only.reason) == ("site", "East", "conflict")
    assert snapshot(clinic.store).probes["site"].tolist() == ["North", "South"]


def test_events_fill_in_the_default_of_their_kind(clinic):
    """A repair begins a new reference, a drop does not, unless the row says otherwise."""
    clinic.load(clinic.write("e.csv", KINDS["events"][0] + "GP-002,2024-01-07,cleaned,\n"))
    events = snapshot(clinic.store).events
    assert events["new_reference"].tolist() == [True, True, False]


def test_an_inspection_needs_a_probe_or_a_source(clinic):
    """Neither given: held."""
    (only,) = clinic.load(clinic.write("i.csv", "probe,source,done_at,kind\n,,2024-01-05,inventory\n")).held
    assert only.reason == "needs_probe_or_source"


def test_a_kind_can_be_forced_and_an_unknown_kind_is_refused(clinic):
    """--as decides over the columns."""
    file = clinic.write("x.csv", "probe,taken_at,window,measurement,counts,count_time_s,site\n")
    with pytest.raises(UserError, match="there is no table `checks`"):
        clinic.load(file, as_kind="checks")
    assert clinic.load(file, as_kind="probes").files[0].kind == "probes"


def test_a_dry_run_tells_what_a_load_would_do_and_writes_nothing(empty_clinic, clinic, row):
    """The same counts as the load that follows; the revision stays."""
    rows = (row(), row(counts=-1), row(probe="GP-003"))
    before = revision(clinic.store)
    plan = clinic.readings(*rows, dry_run=True)
    assert (plan.load, plan.stored, plan.held_count) == (None, 1, 2)
    assert revision(clinic.store) == before
    done = clinic.readings(*rows)
    assert [(a.stored, a.held) for a in plan.files] == [(a.stored, a.held) for a in done.files]
    assert plan.held == done.held


def test_a_dry_run_without_a_store_makes_none(empty_clinic):
    """Registries and readings of one load know each other there too."""
    report = empty_clinic.load(
        empty_clinic.write("p.csv", "probe,site\nGP-001,North\n"),
        empty_clinic.write("e.csv", "probe,happened_at,kind\nGP-001,2024-01-01,cleaned\n"),
        dry_run=True,
    )
    assert (report.stored, report.held_count) == (2, 0)
    assert not empty_clinic.store.exists()


def test_loading_into_no_store_is_refused_unless_it_may_be_made(empty_clinic):
    """One clear line."""
    with pytest.raises(UserError, match="there is no store"):
        empty_clinic.load(empty_clinic.write("p.csv", "probe,site\nGP-001,North\n"), create=False)


def test_progress_is_told_file_by_file(clinic, row):
    """Fractions rise to one for each file."""
    seen: list[tuple[str, float]] = []
    clinic.readings(row(), progress=lambda what, done: seen.append((what, done)))
    assert (str(clinic.folder / "log.csv"), 1.0) in seen
    assert seen[-1][1] == 1.0


def test_a_sequence_of_loads_gives_the_readings_in_time_order(clinic, row):
    """The snapshot is ordered by time and number, with the file and row each came from."""
    clinic.readings(row(taken_at="2024-03-01"), name="later.csv")
    clinic.readings(row(taken_at="2024-02-01"), row(taken_at="2024-01-01"), name="earlier.csv")
    readings = snapshot(clinic.store).readings
    assert readings["taken_at"].tolist() == [datetime(2024, 1, 1), datetime(2024, 2, 1), datetime(2024, 3, 1)]
    assert readings[["file", "row"]].astype(str).agg(" ".join, axis=1).tolist() == [
        "earlier.csv 3",
        "earlier.csv 2",
        "later.csv 2",
    ]
    assert readings["reading_id"].tolist() == [3, 2, 1]
