"""Input that means harm: names that lead elsewhere, bombs, formulas, markup, SQL in every field that takes text."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import zipfile
from types import SimpleNamespace

import openpyxl
import pytest

from analytics.errors import UserError
from analytics.records import access, people
from analytics.records.check_store import check_store
from analytics.records.column_map import ColumnMap
from analytics.records.drafts import save_draft
from analytics.records.held import discard_held, export_held, held
from analytics.records.history import history
from analytics.records.reader import snapshot
from analytics.records.saved_maps import get_map, maps, save_map
from analytics.records.store_settings import save_settings
from analytics.records.typed_in import add_rows
from analytics.records.undo import undo
from dashboard.parts import links
from dashboard.seam.intake import Uploads

SQL = "x'; DROP TABLE reading; UPDATE probe SET site = 'gone'; --"
NASTY = (SQL, '"; DELETE FROM change; --', "'' OR 1=1", "%s {0} ${x}", "\\'; --", "<script>alert(1)</script>", "a\u202eb")


@pytest.mark.parametrize("nasty", NASTY)
def test_every_field_that_takes_text_takes_it_as_text(clinic, nasty):
    """Names, notes, reasons, ids, map names, episodes, files: stored as they stand, and nothing else is touched."""
    head = "probe,taken_at,window,measurement,counts,count_time_s,source,jig,collimator,readout,operator,note,odd\n"
    text = io.StringIO()
    csv.writer(text).writerow(["GP-001", "2024-05-01", "Co-57", "source", 5, 10, "CK-1", *[nasty] * 6])
    name = "".join(one for one in nasty if one not in "/<>") + ".csv"
    report = clinic.load(clinic.write(name, head + text.getvalue()), by=nasty)
    assert (report.stored, report.held_count) == (1, 0)
    store = clinic.store
    with pytest.raises(UserError, match="unknown_probe"):
        people.correct(store, 1, "probe", nasty, by=nasty, reason=nasty)
    people.correct(store, 1, "note", nasty + "!", by=nasty, reason=nasty, now=clinic.now)
    people.exclude(store, 1, by=nasty, reason=nasty)
    people.include(store, 1, by=nasty, reason=nasty)
    people.decide(store, "overrule", probe="GP-001", value=nasty, by=nasty, reason=nasty)
    people.decide(store, "seen", probe="GP-001", episode=nasty, by=nasty, reason=nasty)
    people.change_registry(store, "probes", "GP-001", {"note": nasty, "site": nasty}, by=nasty, reason=nasty)
    with pytest.raises(UserError, match="there is no"):
        people.change_registry(store, "probes", nasty, {"note": "x"}, by=nasty, reason=nasty)
    add_rows(store, "events", [{"probe": "GP-001", "happened_at": "2024-01-01", "kind": "other", "note": nasty}], by="t")
    save_map(store, nasty, ColumnMap(kind="readings", columns={"probe": (nasty,)}, constants={"window": nasty}), by=nasty)
    save_draft(store, {nasty: nasty}, by=nasty)
    save_settings(store, {"limits": {"tolerance_pct": 9}}, by=nasty, reason=nasty)
    if nasty.isprintable():
        access.give_role(store, nasty, "administrator", by=nasty, reason=nasty)
    else:
        with pytest.raises(UserError, match="no name of a person"):
            access.give_role(store, nasty, "administrator", by=nasty, reason=nasty)
    undo(store, report.load, by=nasty, reason=nasty)
    assert maps(store) == [nasty]
    assert get_map(store, nasty).constants == {"window": nasty}
    assert set(history(store)["by"]) == {nasty, "tester", "t"}
    probes = snapshot(store).probes.set_index("probe")
    assert (probes.loc["GP-001", "site"], probes.loc["GP-002", "site"]) == (nasty, "South")
    assert check_store(store) == []


@pytest.mark.parametrize("name", ["../../evil.csv", "..\\..\\evil.csv", "/etc/evil.csv", "..", "a/../../evil.csv", ".\x00x"])
def test_an_uploads_name_cannot_lead_out_of_its_folder(name):
    """Whatever the browser says the file is called, it lies in the visit's own folder."""
    uploads = Uploads()
    try:
        made = uploads.path(SimpleNamespace(file_id="1", name=name, seek=lambda _: None, read=io.BytesIO(b"x").read))
        assert uploads._folder in made.resolve().parents
        assert made.read_bytes() == b"x"
    finally:
        uploads.clear()


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1+2", "@x", "\t=1", "\r=1"])
def test_an_export_runs_no_formula_in_a_spreadsheet(clinic, start):
    """Cells that would be taken for one are quoted, headings and file names as well, and releasing takes it off."""
    clinic.load(
        clinic.write(
            "=cmd.csv",
            clinic.head.strip() + ",note,=odd\n" + f'GP-001,2024-05-01,Co-57,source,x,10,CK-1,"{start}","{start}"\n',
        )
    )
    out = clinic.folder / "held.csv"
    export_held(clinic.store, out)
    cells = [one for line in csv.reader(out.read_text(encoding="utf-8").splitlines()) for one in line]
    assert not [one for one in cells if one[:1] in tuple("=+-@\t\r")]


def bomb(entities: str) -> bytes:
    """A workbook whose first sheet is this XML."""
    made = io.BytesIO()
    book = openpyxl.Workbook()
    book.active.append(["probe", "site"])
    book.active.append(["GP-001", "North"])
    book.save(made)
    out = io.BytesIO()
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            content = old.read(entry)
            if entry.filename == "xl/worksheets/sheet1.xml":
                content = content.replace(b"<worksheet", entities.encode() + b"<worksheet", 1)
                content = content.replace(b"North", b"&lol9;").replace(b"</worksheet>", b"</worksheet>")
            if entry.filename == "xl/sharedStrings.xml":
                content = entities.encode() + content.replace(b"North", b"&lol9;")
            new.writestr(entry, content)
    return out.getvalue()


def test_entities_of_a_workbook_are_not_unfolded(clinic):
    """Ten levels of ten would be gigabytes: refused or read as no text, in a moment and in little memory."""
    levels = "".join(f'<!ENTITY lol{i} "{f"&lol{i - 1};" * 10}">' for i in range(1, 10))
    outside = '<!DOCTYPE x [<!ENTITY lol9 SYSTEM "file:///etc/passwd">]>'
    for text in (f'<!DOCTYPE x [<!ENTITY lol0 "lol">{levels}]>', outside):
        file = clinic.write("b.xlsx", bomb(text))
        with contextlib.suppress(UserError):  # refused is as good
            clinic.load(file)
        sites = snapshot(clinic.store).probes["site"]
        assert sites.str.len().max() < 100
        assert not sites.str.contains("root:").any()


def test_a_workbook_that_would_unpack_to_gigabytes_is_refused_by_its_own_word_or_by_the_ratio(clinic):
    """A sheet of zeros: small on disk, absurd unpacked."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<x/>")
        with archive.open("xl/worksheets/sheet1.xml", "w") as sheet:
            for _ in range(80):
                sheet.write(b"0" * (1 << 20))
    with pytest.raises(UserError, match="unpack to an absurd size"):
        clinic.load(clinic.write("z.xlsx", out.getvalue()))


@pytest.mark.parametrize("text", ["<b>x</b>", "[a](javascript:alert(1))", ":red[x]", "![x](http://x)", "`x`", "$x$", "# x"])
def test_markup_in_a_note_is_shown_as_it_was_written(text):
    """No page turns what a person typed into headings, links, pictures or colours."""
    shown = links.escape(text)
    assert not any(shown.startswith(one) for one in ("#", "<", "[", "!", ":", "`", "$"))


def test_held_rows_keep_what_was_written_and_no_more(clinic):
    """A row of markup and SQL is held as it stood, and giving it up keeps it in the history."""
    clinic.readings(f'GP-001,2024-05-01,Co-57,source,"{SQL}",10,CK-1')
    row = held(clinic.store).iloc[0]
    assert row["value"] == SQL
    discard_held(clinic.store, [int(row["held_id"])], by="t", reason=SQL)
    kept = json.loads(history(clinic.store, limit=1).iloc[0]["after"])["rows"][0]["cells"]
    assert json.loads(kept)["counts"] == SQL
