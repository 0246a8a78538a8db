"""The life of a happening, and the log of what was said, on their page."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta

import pandas as pd
import pytest
import streamlit as st

from analytics.records.alert_log import alert_log
from analytics.records.snapshot import DECISIONS, Records
from dashboard.parts.alert_life import words as turn_words
from dashboard.seam import act, digest, read
from dashboard.seam.alert_life import AGAIN, HANDED, NEW, SEEN, SETTLED, life
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words


@pytest.fixture(scope="module")
def made():
    """Records and answer of the fixture fleet."""
    return made_up.fleet()


@pytest.fixture(scope="module")
def episode(made):
    """A happening of two alerts on one probe."""
    return next(one for one in digest.episodes(made[1]) if one.subject == "GP-003")


def decisions(episode, *rows):
    """Decisions of kind, value and days after the first signal, by one person."""
    return Records.table(
        DECISIONS,
        pd.DataFrame(
            [
                {
                    "decision_id": number,
                    "probe": episode.subject if episode.kind == "probe" else None,
                    "decided_at": episode.first_at + timedelta(days=days),
                    "kind": kind,
                    "value": value,
                    "episode": episode.episode,
                    "by": "A. Lind",
                    "reason": "on my list",
                }
                for number, (kind, value, days) in enumerate(rows)
            ],
            columns=list(DECISIONS),
        ),
    )


def test_nobody_has_seen_a_new_one(episode):
    """Without a decision a happening is new and with nobody."""
    found = life(episode, decisions(episode))
    assert (found.state, found.with_whom) == (NEW, "")


def test_each_turn_is_kept_in_order(episode):
    """Seen by one, handed to another: both stand with who and note, and it is with the one it was handed to."""
    found = life(episode, decisions(episode, ("seen", None, 500), ("handed", "B. Berg", 501)))
    assert (found.state, found.with_whom) == (HANDED, "B. Berg")
    assert [one.kind for one in found.turns] == ["opened", "seen", "handed"]
    assert "Handed to **B. Berg** by A. Lind" in turn_words(found.turns[-1])
    assert "on my list" in turn_words(found.turns[1])
    assert life(episode, decisions(episode, ("seen", None, 1))).state == SEEN


def test_a_further_alarm_after_settling_opens_it_again(episode):
    """Settled by decision, then a further rule signals: it is opened again, with what got worse."""
    first, second = episode.alerts
    settled = dataclasses.replace(first[0], settled_at=first[0].signalled_at + timedelta(hours=1))
    worse = dataclasses.replace(second[0], signalled_at=first[0].signalled_at + timedelta(days=9), settled_at=None)
    again = dataclasses.replace(episode, alerts=((settled, first[1]), (worse, second[1])))
    made = decisions(again, ("settled", None, 1 / 24))
    found = life(again, made)
    assert found.state == AGAIN
    assert found.turns[-1].note == worse.detail
    ended = dataclasses.replace(worse, settled_at=worse.signalled_at + timedelta(days=30))
    calm = life(dataclasses.replace(again, alerts=((settled, first[1]), (ended, second[1]))), made)
    assert calm.state == SETTLED
    assert "enough good checks" in turn_words(calm.turns[-1])


def test_a_devices_happening_is_not_taken_for_a_probes(made):
    """Decisions without a probe belong to sources and jigs, those with one to probes."""
    source = next(one for one in digest.episodes(made[1]) if one.kind == "source")
    assert life(source, decisions(source, ("seen", None, 1))).state == SEEN
    other = decisions(source, ("seen", None, 1)).assign(probe="GP-001")
    assert life(source, other).state == NEW


def test_the_page_says_where_each_happening_stands(monkeypatch, made, episode):
    """A happening that was handed on says to whom, and can be found by that person."""
    records = dataclasses.replace(made[0], decisions=decisions(episode, ("handed", "B. Berg", 500)))
    use(monkeypatch, records, made[1])
    at = open_page("alerts", **{"with": "B. Berg"})
    assert not at.exception
    heads = [one.value for one in at.markdown if one.value.startswith("## ")]
    assert len(heads) == 1
    assert "GP" in heads[0]
    assert "Handed to **B. Berg** by A. Lind" in words(at)


def test_handing_on_passes_name_note_and_person(monkeypatch, made, episode):
    """What is written is what was typed: kind, to whom, by whom and why; without a note the button stays shut."""
    use(monkeypatch, *made)
    written = []
    monkeypatch.setattr(act, "decide", lambda kind, **named: written.append((kind, named)))
    at = open_page("alerts")
    place = f"probe-{episode.subject}-{episode.episode}"
    at.segmented_control(key=f"kind-{place}").set_value("handed").run()
    at.text_input(key=f"to-{place}").set_value("B. Berg")
    at.text_input(key=f"by-{place}").set_value("A. Lind").run()
    assert at.button(key=f"keep-{place}").disabled
    at.text_input(key=f"why-{place}").set_value("on call this week").run()
    at.button(key=f"keep-{place}").click().run()
    assert written == [
        (
            "handed",
            {
                "probe": episode.subject,
                "episode": episode.episode,
                "value": "B. Berg",
                "by": "A. Lind",
                "reason": "on call this week",
            },
        )
    ]


def test_a_page_enters_what_it_shows_and_tells_what_was_taken_back(monkeypatch, tmp_path):
    """Opening a page logs the alerts; with the probe's countings excluded the log says who took them back and why."""
    path = real_store.store(tmp_path)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    st.cache_resource.clear()
    at = open_page("alerts", view="said so far")
    assert not at.exception
    log = alert_log(path)
    assert set(log["subject"]) == {real_store.FALLING}
    assert read.answering() == 1
    first = datetime.fromisoformat(str(log["signalled_at"].min())) - timedelta(days=40)
    readings = read.records().readings
    mine = readings[(readings["probe"] == real_store.FALLING) & (readings["taken_at"] >= first)]
    act.exclude(mine["reading_id"].tolist(), by="A. Lind", reason="jig was bent")
    at = open_page("alerts", view="said so far", withdrawn="true")
    said = words(at).replace("\\", "")
    assert "withdrawn: reading excluded by A. Lind: jig was bent" in said
    assert len(alert_log(path)) == len(log)


def test_an_earlier_day_is_not_entered(monkeypatch, tmp_path):
    """Looking back at a day, or through settings of this run only, is not what was said."""
    path = real_store.store(tmp_path)
    monkeypatch.setenv("STEADYCOUNT_STORE", str(path))
    st.cache_resource.clear()
    day = (datetime.now() - timedelta(days=2)).date().isoformat()
    assert not open_page("alerts", as_of=day).exception
    assert alert_log(path).empty
    monkeypatch.setenv("STEADYCOUNT_CONFIG", str(real_store.settings()))
    assert not open_page("alerts").exception
    assert alert_log(path).empty
