"""Column maps, previews, backups and the log of alerts."""

from __future__ import annotations

import pytest

from analytics.errors import UserError
from analytics.records.backup import backup, restore
from analytics.records.check_store import check_store
from analytics.records.column_map import ColumnMap
from analytics.records.history import chain_head
from analytics.records.load import preview
from analytics.records.people import exclude
from analytics.records.reader import snapshot
from analytics.records.saved_maps import delete_map, get_map, maps, save_map
from analytics.records.store import revision

SHEET = "Serial no.;Date;Time;Impulse;Messzeit (min);Fenster;Art;Quelle\nGP-001;{};08:00;12000;0,5;Co-57;source;CK-1\n"


def test_a_guessed_map_is_saved_by_name_and_loads_the_sheet(clinic):
    """Foreign headings, minutes, decimal comma, day-first date: guessed, confirmed, used by name."""
    file = clinic.write("sheet.csv", SHEET.format("13.05.2024"))
    (one,) = preview(file)
    assert one.kind is None
    assert "no known table" in one.problems[0]
    assert one.first_rows.iloc[0].tolist()[:3] == ["GP-001", "13.05.2024", "08:00"]
    assert (one.guess.date_order, one.guess.decimal, one.guess.units) == ("day_first", ",", {"count_time_s": "min"})
    save_map(clinic.store, "ward 3", one.guess, by="anna")
    assert maps(clinic.store) == ["ward 3"]
    assert get_map(clinic.store, "ward 3") == one.guess
    assert preview(file, column_map="ward 3", store=clinic.store)[0].kind == "readings"
    assert clinic.load(file, column_map="ward 3").stored == 1
    assert snapshot(clinic.store).readings["count_time_s"].tolist() == [30.0]


def test_the_order_of_day_and_month_is_decided_over_the_whole_column_or_asked_for(clinic):
    """13 in the thousandth row tells for all of them; where nothing tells, nothing is guessed."""
    cmap = ColumnMap(date_order="auto")
    save_map(clinic.store, "auto", cmap, by="anna")
    rows = "".join(f"GP-001,0{1 + i % 9}/0{1 + i // 9 % 5}/2024,Co-57,source,{i},10,CK-1,{i}\n" for i in range(40))
    head = clinic.head.strip() + ",repeat\n"
    with pytest.raises(UserError, match=r"day and month cannot be told apart .no date has a number above 12."):
        clinic.load(clinic.write("a.csv", head + rows), column_map="auto")
    clinic.load(clinic.write("b.csv", head + rows + "GP-001,13/05/2024,Co-57,source,5,10,CK-1,1\n"), column_map="auto")
    times = snapshot(clinic.store).readings["taken_at"]
    assert (times.dt.month.max(), times.dt.day.max()) == (5, 13)
    with pytest.raises(UserError, match="both orders occur"):
        clinic.load(
            clinic.write(
                "c.csv",
                head + "GP-001,13/05/2024,Co-57,source,5,10,CK-1,1\nGP-001,05/13/2024,Co-57,source,5,10,CK-1,1\n",
            ),
            column_map="auto",
        )


def test_a_map_with_mistakes_names_all_of_them(clinic):
    """Unknown names, units and values in one error; a map that does not fit the file says what the file has."""
    text = 'kind = "checks"\ndecimal = ";"\n[columns]\ncount = "N"\n[units]\nactivity_kbq = "furlong"\n[other]\n'
    with pytest.raises(UserError, match=r"`other` is not known here"):
        ColumnMap.from_toml(text)
    with pytest.raises(UserError) as error:
        ColumnMap.from_toml(text.replace("[other]\n", ""))
    for part in ("kind `checks`", "decimal is neither", "`count` is no column", "`furlong` is no unit"):
        assert part in str(error.value)
    with pytest.raises(UserError, match="not valid TOML"):
        ColumnMap.from_toml("kind = ")
    save_map(clinic.store, "m", ColumnMap(columns={"probe": ("Sonde",)}), by="anna")
    with pytest.raises(UserError, match=r"the column map's headings are not in the file: Sonde. The file has: a, b"):
        clinic.load(clinic.write("x.csv", "a,b\n1,2\n"), column_map="m")


def test_an_unknown_map_is_told_with_those_that_are_saved(clinic):
    """As is a file that cannot be read, and a name that ends like a file."""
    save_map(clinic.store, "one", ColumnMap(), by="anna")
    file = clinic.write("x.csv", "probe,site\n")
    with pytest.raises(UserError, match=r"there is no column map `two`\. Saved are: one"):
        clinic.load(file, column_map="two")
    with pytest.raises(UserError, match="the column map cannot be read"):
        clinic.load(file, column_map=str(clinic.folder / "none.toml"))
    with pytest.raises(UserError, match="is no name for a column map"):
        save_map(clinic.store, "x.toml", ColumnMap(), by="anna")
    delete_map(clinic.store, "one", by="anna")
    assert maps(clinic.store) == []


def test_a_backup_is_whole_verified_and_never_overwrites(clinic, row):
    """The restored store has the same records, revision and chain; a file that is there stays."""
    clinic.readings(row(), row(counts=-1))
    exclude(clinic.store, 1, by="anna", reason="x")
    head = backup(clinic.store, clinic.folder / "b.duckdb")
    assert head == chain_head(clinic.store)
    with pytest.raises(UserError, match="the file is there already"):
        backup(clinic.store, clinic.folder / "b.duckdb")
    assert restore(clinic.folder / "b.duckdb", clinic.folder / "r.duckdb") == head
    with pytest.raises(UserError, match="the file is there already"):
        restore(clinic.folder / "b.duckdb", clinic.store)
    one, other = snapshot(clinic.store), snapshot(clinic.folder / "r.duckdb")
    assert one.readings.equals(other.readings)
    assert one.probes.equals(other.probes)
    assert revision(clinic.folder / "r.duckdb") == revision(clinic.store)
    assert check_store(clinic.folder / "r.duckdb") == []
    assert clinic.readings(row(taken_at="2024-05-09"), name="more.csv").stored == 1


def test_a_store_that_was_tampered_with_is_not_backed_up(clinic, row):
    """The backup is checked, and one that is not sound is not kept."""
    import duckdb

    clinic.readings(row())
    con = duckdb.connect(str(clinic.store))
    con.execute("UPDATE reading SET counts = 1")
    con.close()
    with pytest.raises(UserError, match="the backup is not sound"):
        backup(clinic.store, clinic.folder / "b.duckdb")
    assert not list(clinic.folder.glob("b.duckdb*"))
