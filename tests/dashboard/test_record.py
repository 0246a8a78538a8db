"""Record a check, under AppTest on a real store."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta

import pytest

from analytics import moment
from analytics.errors import UserError
from analytics.records.reader import snapshot
from dashboard.parts import bench_form as form
from dashboard.seam import act_record
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words

PROBE = real_store.SOUND


@pytest.fixture
def shared(monkeypatch):
    """The pages read a store that several tests share; the settings name whom to call."""
    monkeypatch.setenv("STEADYCOUNT_STORE", str(real_store.shared()))
    monkeypatch.setenv("STEADYCOUNT_CONFIG", str(real_store.settings()))
    return real_store.shared()


@pytest.fixture
def store(shared, tmp_path, monkeypatch):
    """The pages read and write a store of the test's own."""
    path = real_store.store(tmp_path)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    return path


def type_in(at, **boxes):
    """Type into boxes of the bench and let the page run."""
    for name, text in boxes.items():
        at.text_input(key=f"b_{name}").set_value(str(text))
    return at.run()


def verdict(at):
    """The verdict panel's HTML, empty where there is none."""
    return "".join(one.value for one in at.html if "sc-verdict" in one.value and "role=" in one.value)


def saved(at, name="A. Lind"):
    """Give the name and save."""
    at.text_input(key="person").set_value(name).run()
    next(one for one in at.button if one.label == "Save the check").click().run()
    assert not at.exception
    return at


@pytest.mark.parametrize("made", [made_up.empty, lambda: made_up.fleet(("healthy",) * 3), made_up.fleet])
def test_the_page_opens_on_any_store(monkeypatch, made):
    """Empty, healthy and faulty fleets: no exception; the empty one says what to do first."""
    from dashboard.seam import act_record

    records, assessment = made()
    use(monkeypatch, records, assessment)
    nothing = pd_drafts()
    monkeypatch.setattr(act_record, "open_drafts", lambda: nothing)
    at = open_page("record")
    assert not at.exception
    assert ("This store is empty" in words(at)) == records.probes.empty


def pd_drafts():
    """No draft."""
    import pandas as pd

    return pd.DataFrame({"draft_id": [], "by": [], "saved_at": [], "probe": []})


def test_expected_counts_are_shown_before_counting_starts(shared):
    """The page says how many counts to expect with source, window and time as last used, and what is usual."""
    at = open_page("record", probe=PROBE)
    said = words(at)
    assert "## Expect" in said
    assert "usually" in said
    assert at.selectbox(key="b_window").value
    assert at.selectbox(key="b_source").value
    assert not verdict(at)


def test_links_of_the_bench_carry_the_probe_and_no_text(shared):
    """The link to the probe's story names the probe alone: a hint of what it leads to had become part of its address."""
    at = open_page("record", probe=PROBE)
    to_probe = [one.proto for one in at.get("page_link") if "probe=" in one.proto.query_string]
    assert to_probe
    assert all("help=" not in one.query_string for one in to_probe)
    assert "Its story" in [one.help for one in to_probe]


def test_the_expected_counts_are_near_the_last_ones(shared):
    """For a sound probe read yesterday the expectation lies within 15 % of what it counted last."""
    from dashboard.seam import bench, read
    from dashboard.seam.bench_entry import Entry

    at = open_page("record", probe=PROBE)
    assert not at.exception
    look = read.look()
    entry = bench.last_setup(look.records, PROBE)
    expected, _ = bench.judged(look, Entry.from_payload(entry.payload()), look.as_of)
    per_second = real_store.last_counts(shared, PROBE) / float(entry.time_s)
    assert abs(expected.counts / expected.count_time_s / per_second - 1) < 0.15


def test_the_verdict_follows_the_typing(shared):
    """Typing what is expected says so; typing two thirds of it asks for a reseated repeat and opens its box."""
    at = open_page("record", probe=PROBE)
    usual = expected_counts(at)
    type_in(at, src_0_0=usual)
    assert "as expected" in verdict(at)
    type_in(at, src_0_0=round(usual * 0.66))
    assert "beyond tolerance" in verdict(at)
    assert "after a good repeat" in verdict(at)
    assert at.text_input(key="b_src_1_0").value in ("", None)


def expected_counts(at):
    """The number in "Expect … counts"."""
    text = next(one.value for one in at.markdown if one.value.startswith("## Expect"))
    return int("".join(one for one in text.split("counts")[0] if one.isdigit()))


def test_after_a_failed_repeat_it_says_whom_to_call_and_who_stands_in(shared):
    """Two placements far off: not for patient use; the person from the settings, and fit probes of the site by name."""
    at = open_page("record", probe=PROBE)
    low = round(expected_counts(at) * 0.66)
    type_in(at, src_0_0=low)
    type_in(at, src_1_0=low + 3)
    assert "not for patient use until cleared" in verdict(at)
    assert "physics on call, 4711" in words(at).replace("\\", "")
    assert "Fit on this site instead" in words(at) or "No other fit probe" in words(at)


def test_no_name_no_check(shared):
    """The check cannot be saved before a name is given, and the page says what is missing."""
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    assert next(one for one in at.button if one.label == "Save the check").disabled
    assert "your name" in words(at)


def test_a_saved_check_is_in_the_records_with_its_verdict(store):
    """Saving stores background and source counting under the name, and shows the whole answer at once."""
    at = open_page("record", probe=PROBE)
    usual = expected_counts(at)
    type_in(at, background=30, src_0_0=usual)
    saved(at)
    rows = real_store.rows_of(store, PROBE)
    assert list(rows["measurement"]) == ["background", "source"]
    assert list(rows["counts"]) == [30, usual]
    assert set(rows["operator"]) == {"A. Lind"}
    assert f"{PROBE}: fit" in words(at)
    assert "This check: ● **as expected**" in words(at)


def test_a_check_with_its_window_positions_can_be_saved_as_fast_as_it_is_typed(store):
    """Background, source, below, above and side typed from a slip of paper are saved at once, and none lies in the future."""
    at = open_page("record", probe=PROBE)
    usual = expected_counts(at)
    type_in(at, background=30, src_0_0=usual, below=usual // 3, above=usual // 3, side=40)
    saved(at)
    rows = real_store.rows_of(store, PROBE)
    assert list(rows["measurement"]) == ["background", "source", "window_below", "window_above", "side"]
    assert rows["taken_at"].is_monotonic_increasing
    assert rows["taken_at"].max() <= moment.now("UTC")  # the shipped time zone
    assert f"Saved: {PROBE}" in words(at)


def test_the_press_that_saves_draws_no_form(store, monkeypatch):
    """Saved before anything is drawn: what follows the press is the page of what became of it, and the form is not made for it."""
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    at.text_input(key="person").set_value("A. Lind").run()
    drawn = []
    monkeypatch.setattr(form, "placements", drawn.append)
    next(one for one in at.button if one.label == "Save the check").click().run()
    assert not at.exception
    assert f"Saved: {PROBE}" in words(at)
    assert drawn == []


def test_a_check_that_the_records_refuse_is_told_under_the_button(store, monkeypatch):
    """What went wrong is said once, and what was typed is still there to be saved."""
    def full(*_, **__):
        raise UserError("there is no room on the disk")

    monkeypatch.setattr(act_record, "save_check", full)
    at = open_page("record", probe=PROBE)
    usual = expected_counts(at)
    type_in(at, src_0_0=usual)
    saved(at)
    assert [one.value for one in at.error] == ["there is no room on the disk."]
    assert at.text_input(key="b_src_0_0").value == str(usual)
    assert not at.run().error


def test_a_check_begins_with_its_first_count_and_not_when_it_is_saved(store, monkeypatch):
    """Typed at 45 s past a minute and saved five minutes later: it began one counting before the first count was typed."""
    clock = [moment.now("UTC").replace(second=45) - timedelta(minutes=10)]
    monkeypatch.setattr(moment, "now", lambda zone: clock[0])
    at = open_page("record", probe=PROBE)
    usual, typed_at = expected_counts(at), clock[0]
    type_in(at, src_0_0=usual)
    for _ in range(5):
        clock[0] += timedelta(minutes=1)
        type_in(at, background=30)
    saved(at)
    began = real_store.rows_of(store, PROBE)["taken_at"].min().to_pydatetime()
    assert timedelta(seconds=5) <= typed_at - began <= timedelta(seconds=60)


def test_a_saved_check_is_restored_by_its_link(store):
    """The address after saving opens the same answer in a new session."""
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    saved(at)
    link = {name: at.query_params[name] for name in ("saved", "at")}
    again = open_page("record", **{k: v[0] if isinstance(v, list) else v for k, v in link.items()})
    assert f"Saved: {PROBE}" in words(again)


def test_after_one_check_far_off_the_next_thing_is_the_repeat(store):
    """What holds for patients heads the page, and the first button takes the same probe to the bench again."""
    at = open_page("record", probe=PROBE)
    type_in(at, background=30, src_0_0=round(expected_counts(at) * 0.6))
    saved(at)
    assert [one.value for one in at.header] == [f"▼ {PROBE}: for patients only after a good repeat"]
    assert [one.label for one in at.button][:2] == ["Seat it again and repeat", "Next probe"]
    at.button[0].click().run()
    assert at.text_input(key="probe").value == PROBE
    assert not at.exception


def test_a_failed_check_bars_the_probe_until_it_is_cleared(store):
    """Two placements a third low, saved: the page says not for patient use, and not that it was so before this check."""
    at = open_page("record", probe=PROBE)
    low = round(expected_counts(at) * 0.66)
    type_in(at, src_0_0=low)
    type_in(at, src_1_0=low)
    saved(at)
    assert f"▼ {PROBE}: not for patient use until cleared" in words(at)
    assert "before this check" not in words(at)
    assert list(real_store.rows_of(store, PROBE)["reseated"]) == [False, True]


def test_what_was_typed_survives_as_a_draft(store):
    """A new session with the draft's address finds the counts; without it the draft is offered; saving removes it."""
    from dashboard.seam import act_record

    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=777, note="jig cleaned")
    (draft,) = act_record.open_drafts().to_dict("records")
    again = open_page("record", probe=PROBE, draft=str(draft["draft_id"]))
    assert again.text_input(key="b_src_0_0").value == "777"
    assert again.text_input(key="b_note").value == "jig cleaned"
    assert "Not finished yet" in words(open_page("record"))
    saved(again)
    assert act_record.open_drafts().empty


def test_another_probe_does_not_inherit_the_counts(store):
    """Scanning the next probe empties the boxes; the first one's draft stays."""
    from dashboard.seam import act_record

    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=777)
    at.text_input(key="probe").set_value(real_store.OTHER).run()
    assert at.text_input(key="b_src_0_0").value in ("", None)
    assert list(act_record.open_drafts()["probe"]) == [PROBE]


def test_a_scanned_code_fills_the_probe_and_an_unknown_one_is_not_guessed(shared):
    """Lower case from a scanner finds the probe; a near miss is refused with suggestions."""
    assert "## Expect" in words(open_page("record", probe=PROBE.lower()))
    at = open_page("record", probe="P-0O4")
    assert "is not registered here" in words(at)
    assert "## Expect" not in words(at)


def test_a_pick_from_the_due_list_is_as_good_as_a_scan(shared, monkeypatch):
    """Pressing a probe of the day's list puts it into the box."""
    from dashboard.seam import bench

    monkeypatch.setattr(bench, "due_now", lambda assessment: [assessment.probe(PROBE)])
    at = open_page("record")
    next(one for one in at.pills if one.key == "b_due").set_value(PROBE).run()
    assert at.text_input(key="probe").value == PROBE


def test_unreadable_counts_are_named_and_not_saved(shared):
    """A fraction is no count: it is named, and the check cannot be saved."""
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0="12.5", background="30")
    at.text_input(key="person").set_value("A. Lind").run()
    assert "`12.5` is not a whole number" in words(at)
    assert next(one for one in at.button if one.label == "Save the check").disabled


def test_one_can_correct_ones_own_entry_and_the_old_value_stays(store):
    """The typing error is mended under the same name; the history keeps both numbers."""
    from analytics.records.history import history

    at = open_page("record", probe=PROBE)
    usual = expected_counts(at)
    type_in(at, src_0_0=usual + 1)
    saved(at)
    at.selectbox[-1].set_value("counts")
    labelled(at, "Right value").set_value(str(usual))
    labelled(at, "Why").set_value("typing error")
    next(one for one in at.button if one.label == "Correct").click().run()
    assert not at.exception
    assert list(real_store.rows_of(store, PROBE)["counts"]) == [usual]
    newest = history(store).iloc[0]
    assert str(usual + 1) in newest["before"]
    assert newest["by"] == "A. Lind"
    assert [labelled(at, one).value for one in ("Right value", "Why")] == ["", ""]  # else a second press mends another counting


def labelled(at, label):
    """The text box of that label."""
    return next(one for one in at.text_input if one.label == label)


def test_another_persons_entry_cannot_be_corrected_here(store):
    """Under another name the form is not offered."""
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    saved(at)
    at.text_input(key="person_correct").set_value("B. Moor").run()
    assert "Only A. Lind can correct these here" in words(at).replace("\\", "")
    assert not [one for one in at.button if one.label == "Correct"]


def test_entries_stand_once_the_probe_is_read_again(store):
    """After the next check of the probe the earlier entries can no longer be corrected here."""
    from analytics.records.typed_in import record_check

    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    begun = datetime.now().replace(microsecond=0) - timedelta(hours=6)
    at.session_state["b_started"] = begun
    saved(at)
    first = real_store.rows_of(store, PROBE).iloc[-1]
    later = {**first[["probe", "window", "measurement", "source", "counts", "count_time_s"]].to_dict()}
    record_check(store, [{**later, "taken_at": first["taken_at"] + timedelta(hours=4), "repeat": 1}], by="A. Lind")
    at.run()
    assert "these entries stand" in words(at)


def test_a_probe_that_is_barred_stays_barred_after_a_good_count(monkeypatch):
    """A good count on a probe that was set out of use says that a named person has to clear it."""
    from dashboard.seam import act_record

    records, assessment = made_up.fleet(("dead", "healthy", "healthy"))
    barred = dataclasses.replace(assessment.probes[1], patient_use="not_until_cleared")
    assessment = dataclasses.replace(assessment, probes=(assessment.probes[0], barred, assessment.probes[2]))
    use(monkeypatch, records, assessment)
    monkeypatch.setattr(act_record, "keep_draft", lambda entry, draft_id: 1)
    monkeypatch.setattr(act_record, "draft", lambda draft_id: None)
    at = open_page("record", probe=barred.probe)
    type_in(at, src_0_0=expected_counts(at))
    assert "as expected" in verdict(at)
    assert "not for patient use until cleared" in verdict(at)


def test_a_check_without_a_registered_source_is_not_begun(tmp_path, monkeypatch):
    """With probes but no check source the page asks for the sources first."""
    from analytics.records.load import load_files

    probes = tmp_path / "probes.csv"
    probes.write_text("probe,site\nGP-1,North\n")
    store = tmp_path / "x.duckdb"
    load_files(store, [probes], by="A. Lind", create=True)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(store))
    at = open_page("record", probe="GP-1")
    assert not at.exception
    assert "No check source is registered" in words(at)
    assert len(snapshot(store).readings) == 0


def test_a_draft_that_cannot_be_kept_is_said_and_the_verdict_stands(shared, monkeypatch):
    """While the store is busy the page says that the draft is not kept, and still judges the count."""
    from analytics.errors import UserError
    from dashboard.seam import act_record

    def busy(entry, draft_id):
        raise UserError("the store is in use by another process")

    monkeypatch.setattr(act_record, "keep_draft", busy)
    at = open_page("record", probe=PROBE)
    type_in(at, src_0_0=expected_counts(at))
    assert "as expected" in verdict(at)
    assert "not kept as a draft yet" in words(at)
