"""Work beside the server: done in a process of its own, its answers awaited by pages that show the last one meanwhile."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime, timedelta

import pandas as pd
import pytest

from analytics.errors import UserError
from analytics.settings import load
from dashboard.pages import PAGES
from dashboard.parts import waiting
from dashboard.seam import answers, early, planning, read, worker
from tests.baseline.forward_tables import rebuilt
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words
from tests.spread.test_kept import fleet as of_six_sites
from tests.spread.test_kept import stand_of

NOW = datetime(2026, 1, 1, 9)


@pytest.fixture(scope="module")
def faulty():
    """Every story once, and eight sound probes."""
    return made_up.fleet()


@pytest.fixture
def asked(monkeypatch):
    """What the workers were asked for, and nothing done of it."""
    jobs = []

    def ask(task, *given, says, about_s):
        jobs.append(worker.Job(task, given, says, about_s))
        return jobs[-1]

    monkeypatch.setattr(worker.present, "ask", ask)
    monkeypatch.setattr(worker.beside, "ask", ask)
    answers.forget()
    yield jobs
    answers.forget()
    planning._made.clear()


def found(records, revision, line=("store", "", None)):
    """The answer of a revision of these records."""
    return answers.found(("store", revision, "", NOW), line, records, load(), None)


def test_a_process_of_its_own_answers_to_the_last_digit(tmp_path):
    """What comes back is what the analysis says here; a second request, one that fails and one after the end are served too."""
    from analytics.fleet import assess
    from analytics.records.reader import snapshot

    records, settings, when = snapshot(real_store.shared()), load(), datetime.now() - timedelta(days=20)
    one = worker.Worker(nice=0)
    try:
        job = one.ask("answer", records, settings, when, says="Working", about_s=1)
        here = assess(records, settings, when)
        there = job.future.result(timeout=60)
        assert (there.probes, there.series, there.sources) == (here.probes, here.series, here.sources)
        assert one._process.pid != os.getpid()
        wrong = one.ask("plan", here, records, settings, when.date(), when.date() - timedelta(days=9), [], says="Plan", about_s=1)
        with pytest.raises(UserError, match="before"):
            wrong.future.result(timeout=60)
        one._process.kill()
        one._process.wait()
        again = one.ask("probes_at", records, settings, when, says="Working", about_s=1)
        assert again.future.result(timeout=60) == here.probes
    finally:
        one.end()


def test_who_waits_for_a_process_that_ends_is_told(monkeypatch):
    """A process killed in the middle of its work is an error with what to do, and no endless waiting."""
    one = worker.Worker(nice=0)
    job = one.ask("answer", None, None, None, says="Working out the fleet", about_s=1)
    while one._process is None and not job.done:
        pass
    one.end()
    with pytest.raises((UserError, AttributeError), match=r"ended|NoneType"):
        job.future.result(timeout=60)
    one.end()


def test_the_last_answer_stands_until_the_new_one_is_there(asked, faulty):
    """Revision 8 is answered with 7 while it is being worked out, and with 8 from then on."""
    records, assessment = faulty
    with pytest.raises(worker.StillWorkingError):
        found(records, 7)
    asked[0].future.set_result(assessment)
    assert found(records, 7) is assessment
    assert found(records, 8) is assessment
    assert answers.awaited(("store", "", None)) is asked[1]
    assert f"{len(records.probes)} probes, " in asked[1].says
    assert answers.records_of(found(records, 8)) is records
    newer = replace(assessment, revision=8)
    asked[1].future.set_result(newer)
    assert found(records, 8) is newer
    assert answers.awaited(("store", "", None)) is None


@pytest.mark.parametrize("part", ["readings", "probes"])
def test_no_answer_stands_that_speaks_of_what_is_gone(asked, faulty, part):
    """With readings undone, or another set of probes, the page waits instead of showing the answer before."""
    records, assessment = faulty
    with pytest.raises(worker.StillWorkingError):
        found(records, 7)
    asked[0].future.set_result(assessment)
    fewer = replace(records, **{part: getattr(records, part).iloc[:-1]})
    with pytest.raises(worker.StillWorkingError):
        found(fewer, 8)


def test_an_answer_nobody_will_ask_for_is_not_worked_out(asked, faulty):
    """Three revisions in a row while the worker is busy: only the last is left in its queue."""
    for revision in (7, 8, 9):
        with pytest.raises(worker.StillWorkingError):
            found(faulty[0], revision)
    assert [one.future.cancelled() for one in asked] == [True, True, False]


def test_a_failure_is_told_once_and_then_tried_again(asked, faulty):
    """Whoever asks is told; whoever asks after that has the work done anew."""
    with pytest.raises(worker.StillWorkingError):
        found(faulty[0], 7)
    asked[0].future.set_exception(UserError("the process ended"))
    with pytest.raises(UserError, match="ended"):
        found(faulty[0], 7)
    with pytest.raises(worker.StillWorkingError):
        found(faulty[0], 7)


@pytest.mark.parametrize("name", ["fleet", "alerts", "probe", "plan", "record", "report"])
def test_a_page_shows_how_far_its_answer_is(monkeypatch, asked, faulty, name):
    """While there is no answer at all, a page has its title, a bar with what is done and how long it takes, and no error."""
    use(monkeypatch, *faulty)
    job = worker.Job("answer", (), "Working out the fleet: 17 probes", 12.0)

    def waits(as_of=None):
        raise worker.StillWorkingError(job)

    monkeypatch.setattr(read, "assessment", waits)
    at = open_page(name)
    assert not at.exception
    assert len(at.title) == 1
    bar = at.get("progress")[0].proto
    assert bar.text == "Working out the fleet: 17 probes; waits for the one before it."


def test_a_page_says_that_newer_records_are_not_in_it_yet(monkeypatch, faulty):
    """Shown with the answer before the newest records, a page says so above everything.

    Not so the bench while it is typed in, a page that shows no answer, and any page as long as there was no answer at all.
    """
    said = "newest records are not in these answers yet"
    use(monkeypatch, *faulty)
    monkeypatch.setattr(read, "awaited", lambda: worker.Job("answer", (), "Working out the fleet", 12.0))
    monkeypatch.setattr(read, "answered", lambda: True)
    assert said in words(open_page("fleet"))
    assert said not in words(open_page("record"))
    assert said not in words(open_page("people"))
    monkeypatch.setattr(read, "answered", lambda: False)
    assert said not in words(open_page("fleet"))


def test_the_plan_before_stands_until_the_new_one_is_chosen(monkeypatch, asked, faulty):
    """A plan from the records before is shown, marked as such, with the answer it was made from."""
    monkeypatch.setattr(planning, "AT_ONCE", 0)
    records, assessment = faulty
    use(monkeypatch, records, assessment)
    old, span = read.look(), (assessment.as_of.date(), assessment.as_of.date() + planning.QUARTER)
    with pytest.raises(worker.StillWorkingError):
        planning.plan(old, *span)
    asked[0].future.set_result("first")
    assert planning.plan(old, *span) == planning.Planned(old, "first")
    new = replace(old, assessment=replace(assessment, revision=8))
    assert planning.plan(new, *span) == planning.Planned(old, "first", asked[1])
    asked[1].future.set_result("second")
    assert planning.plan(new, *span) == planning.Planned(new, "second")


def test_the_line_about_time_counts_down_from_what_is_known():
    """What waits says so; what runs says how long it takes and how long it has run."""
    job = worker.Job("answer", (), "Working", 12.4)
    assert waiting._time(job) == "waits for the one before it."
    job.begun = time.monotonic() - 3.0
    assert waiting._time(job) == "about 12 s, 3 s gone."
    job.begun = time.monotonic() - 40.0
    assert waiting._time(job).startswith("40 s gone, more than the usual 12 s;")
    assert job.share == 0.95
    job.told = ("Choosing the visits", 0.4)
    assert job.share == 0.4


def test_a_check_more_comes_back_as_what_is_another(monkeypatch):
    """The process is given the records once; after a check more it answers for the whole, and what did not change is the same object."""
    from analytics.fleet import assess

    every, when = of_six_sites()
    before = rebuilt(every, every.readings.iloc[:-1])
    settings, line = load(), ("store", "", None)
    one = worker.Worker(nice=0)
    monkeypatch.setattr(worker, "present", one)
    answers.forget()

    def answer(revision, stand):
        with pytest.raises(worker.StillWorkingError) as wait:
            answers.found(("store", revision, "", when), line, stand, settings)
        wait.value.job.future.result(timeout=60)
        return wait.value.job, answers.found(("store", revision, "", when), line, stand, settings)

    try:
        first_job, first = answer(1, stand_of(before))
        answers._asked.clear()  # so that the next one is waited for
        more = stand_of(every, before)
        sent = []
        monkeypatch.setattr(one, "_have", lambda job, have=one._have: sent.append(len(pickle.dumps(job.first))) or have(job))
        with_base = stand_of(before)
        assert answers._base[1] is before
        next_job, now = answer(2, more)
    finally:
        one.end()
        answers.forget()
    whole, earlier = assess(every, settings, when), assess(before, settings, when)
    assert (first_job.anew, next_job.anew) == (True, False)
    assert sent[0] < len(pickle.dumps(with_base)) / 3
    assert first.probes == earlier.probes
    assert (now.probes, now.series, now.sources) == (whole.probes, whole.series, whole.sources)
    pd.testing.assert_frame_equal(now.points, whole.points)
    kept = sum(a is b for a, b in zip(first.series, now.series, strict=True))
    assert len(first.series) / 2 < kept < len(first.series)


def test_a_process_that_has_lost_its_records_is_given_them_again(monkeypatch):
    """Killed between two checks, the process beside answers the second from all records, and nobody sees an error."""
    from analytics.fleet import assess

    every, when = of_six_sites()
    before = rebuilt(every, every.readings.iloc[:-1])
    one = worker.Worker(nice=0)
    monkeypatch.setattr(worker, "present", one)
    answers.forget()
    try:
        jobs = []
        for revision, stand in ((1, stand_of(before)), (2, stand_of(every, before))):
            with pytest.raises(worker.StillWorkingError) as wait:
                answers.found(("store", revision, "", when), ("store", "", None), stand, load())
            jobs.append(wait.value.job)
            wait.value.job.future.result(timeout=60)
            one.end()
            answers._asked.clear()
        assert [job.anew for job in jobs] == [True, True]
        assert jobs[1].future.result().probes == assess(every, load(), when).probes
    finally:
        one.end()
        answers.forget()


def test_the_server_imports_everything_before_its_first_page():
    """The server answers before all is imported, and no visitor's page begins before every page's module is there."""
    names = [*early.LATE, *(f"dashboard.views.{one.name}" for one in PAGES)]
    code = f"""
import asyncio, sys
from dashboard.app import SaysWhereItIs

async def inside(scope, receive, send):
    print(scope["type"], sum(one not in sys.modules for one in {names}))

server = SaysWhereItIs(inside)
asyncio.run(server({{"type": "lifespan"}}, None, None))
asyncio.run(server({{"type": "websocket"}}, None, None))
"""
    made = subprocess.run([sys.executable, "-W", "ignore", "-c", code], cwd=worker.ROOT, capture_output=True, text=True, check=True)
    (begun, lacking_then), (page, lacking) = (line.split() for line in made.stdout.splitlines())
    assert (begun, page, int(lacking)) == ("lifespan", "websocket", 0)
    assert int(lacking_then) > 0
