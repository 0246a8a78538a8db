"""Every page under AppTest on each kind of store: sound, faulty, empty, and huge."""

from __future__ import annotations

from functools import cache

import pytest

from dashboard.pages import PAGES
from dashboard.seam import answers, pricing, worker
from tests.dashboard import made_up, real_store
from tests.dashboard.opened import open_page, use, words

HUGE = 300  # probes; more than the pages show in one piece (maps from 200, tables and lists by the page)


@cache
def made(kind):
    """Records and answer of a kind of store."""
    if kind == "empty":
        return made_up.empty()
    return made_up.fleet({"faulty": made_up.STORIES, "sound": ("healthy",) * 3, "huge": made_up.STORIES * (HUGE // 9 + 1)}[kind])


@pytest.mark.parametrize("kind", ["sound", "faulty", "empty", "huge"])
@pytest.mark.parametrize("name", [one.name for one in PAGES])
def test_every_page_opens_on_every_store(monkeypatch, kind, name):
    """One title, the cautions, no exception and no error; what takes long is asked for beside the page, and waited for."""
    use(monkeypatch, *made(kind))
    monkeypatch.setenv("STEADYCOUNT_STORE", str(real_store.shared()))  # whose history, drafts and roles the pages show
    asked = []

    def ask(task, *given, says, about_s):
        asked.append(worker.Job(task, given, says, about_s))
        return asked[-1]

    for one in (worker.present, worker.beside, worker.later):
        monkeypatch.setattr(one, "ask", ask)
    monkeypatch.setattr(pricing, "_kept", worker.Kept(1))  # another store may ask for the same price
    monkeypatch.setattr(answers, "AT_ONCE", 0)
    at = open_page(name)
    assert not at.exception
    assert not at.error
    assert len(at.title) == 1
    assert "does not clear a probe for a patient" in words(at)
    waits = {"plan": "plan", "price": "price", "fleet": "probes_at"}
    if kind == "huge":
        assert [one.task for one in asked] == ([waits[name]] if name in waits else [])
