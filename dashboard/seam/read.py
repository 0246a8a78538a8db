"""What the pages read, cached by store, revision and settings. All visitors share what is returned: never change it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from analytics import moment as clock
from analytics.records.snapshot import Records
from analytics.records.standing import Standing
from analytics.results import FleetAssessment
from analytics.settings import Settings, from_directory, load
from dashboard.seam import answers, place, said
from dashboard.seam.place import store_path
from dashboard.seam.worker import Job

_last_stand: dict[str, Standing] = {}
_last_layer: dict[str, tuple[int, Mapping[str, Mapping[str, Any]]]] = {}  # the store's own settings of a revision

AS_OF = "as_of"  # query parameter of every page: look at the fleet as it was then


@dataclass(frozen=True)
class Look:
    """Everything a page needs, of one revision and one moment."""

    records: Records
    settings: Settings
    assessment: FleetAssessment

    @property
    def as_of(self) -> datetime:
        """The moment the answers stand for, site-local."""
        return self.assessment.as_of


def exists() -> bool:
    """True where there is a store."""
    return store_path().is_file()


def revision() -> int:
    """The number of the newest change; it rises with every commit. 0 where there is no store."""
    from analytics.records.store import revision as now

    return now(store_path()) if exists() else 0


def answering() -> int:
    """The newest revision that can alter an answer: what records and answers are kept by."""
    from analytics.records.store import revisions

    return revisions(store_path()).answering if exists() else 0


def records() -> Records:
    """All tables of the store's present revision; the store is not held open."""
    return _stand_of(str(store_path()), answering()).records if exists() else Records.nothing()


def print_of_stored(table: str) -> tuple[int, int]:
    """Of a small table of the store: how many rows, and a sum of their hashes, which is another where any of them is another."""
    stored = _stand_of(str(store_path()), answering()).small.stored
    return next(((many, total) for name, many, total in stored if name == table), (0, 0))


def settings() -> Settings:
    """The settings in force: shipped, over them the store's, over them this run's folder."""
    return _settings_of(str(store_path()), answering(), str(place.config_directory() or ""))


def assessment(as_of: datetime | None = None) -> FleetAssessment:
    """The whole answer for a moment (None: the page's ``as_of`` parameter, else now).

    On a store that takes its time, a page gets the last answer while the newest is being worked out (``answers.found``).
    """
    when, known = as_of or moment(), records()
    now = as_of is None and not st.query_params.get(AS_OF)
    key = (str(store_path()), answering(), str(place.config_directory() or ""), when)
    stored = now and place.config_directory() is None

    def enter(found: FleetAssessment) -> None:
        said.enter(found, known)

    if len(known.readings) > answers.AT_ONCE and get_script_run_ctx(suppress_warning=True) is not None:
        given = _stand_of(*key[:2]) if now else known
        return answers.found(key, _line(as_of), given, settings(), enter if stored else None)
    found = _assess(*key)
    if stored:
        enter(found)
    return found


def awaited() -> Job | None:
    """The newest answer, where this page had to do with the one before it."""
    return answers.awaited(_line(None))


def answered() -> bool:
    """Whether there is an answer already to what this page looks at, be it one of before the newest records."""
    return answers.answered(_line(None))


def _line(as_of: datetime | None) -> answers.Line:
    """What is looked at: answers on one line take each other's place as the records grow."""
    earlier = as_of or (moment() if st.query_params.get(AS_OF) else None)
    return str(store_path()), str(place.config_directory() or ""), earlier


def look(as_of: datetime | None = None) -> Look:
    """Settings, assessment, and the records that it speaks of: while a newer answer is worked out, those before the newest."""
    found = assessment(as_of)
    return Look(answers.records_of(found) or records(), settings(), found)


def newest() -> Look:
    """The same with the newest records, for pages that show at once what was entered on them."""
    return Look(records(), settings(), assessment())


def moment() -> datetime:
    """The moment the page stands for: its ``as_of`` parameter, else now in the site's time zone.

    Now is the whole of today, as for a date without a time: visitors share one answer, what is entered or decided holds at
    once, and a new check leaves all that it does not concern as it was. It never lies before the newest reading.
    """
    zone = settings().site.time_zone
    asked = st.query_params.get(AS_OF)
    if asked:
        return clock.parse(asked, zone, where=f"address, {AS_OF}")
    now = clock.now(zone)
    newest = _stand_of(str(store_path()), answering()).newest if exists() else None
    last = newest if newest is not None and now < newest <= now + timedelta(days=1) else now
    return datetime.combine(last.date(), time.max)


@st.cache_resource(max_entries=3, show_spinner="Reading the records …")
def _stand_of(path: str, revision: int) -> Standing:
    """The tables of one revision, to be read on from; only what is not as it was in the last one is read."""
    from analytics.records.standing import read_on, standing
    from analytics.records.store import Store
    from analytics.records.store_settings import settings_layer

    before = _last_stand.get(path)
    with Store(path).reading():  # opened once for both
        now = read_on(path, before) if before is not None and before.revision <= revision else standing(path)
        _last_layer[path] = revision, settings_layer(path)
    _last_stand.clear()
    _last_stand[path] = now
    return now


@st.cache_resource(max_entries=8, show_spinner=False)
def _settings_of(path: str, revision: int, directory: str) -> Settings:
    """The layered settings of one revision."""
    from analytics.records.store_settings import settings_layer

    if path in _last_stand and Path(path).is_file():
        _stand_of(path, revision)  # this page or the next needs the records of that revision too
    known_of, known = _last_layer.get(path, (-1, {}))
    layers = [known if known_of == revision else settings_layer(Path(path))] if Path(path).is_file() else []
    if directory:
        layers.append(from_directory(Path(directory)))
    return load(*layers)


@st.cache_resource(max_entries=6, show_spinner="Working out the fleet …")
def _assess(path: str, revision: int, directory: str, when: datetime) -> FleetAssessment:
    """The analysis, once a revision, settings and moment."""
    from analytics.fleet import assess

    records = _stand_of(path, revision).records if Path(path).is_file() else Records.nothing()
    return assess(records, _settings_of(path, revision, directory), when)
