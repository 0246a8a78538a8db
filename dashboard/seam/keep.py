"""Work once done for a revision, settings and moment is kept for every visitor: figures, tables, accounts."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

import streamlit as st

from dashboard.seam.place import store_path
from dashboard.seam.read import Look

T = TypeVar("T")


def kept(look: Look, build: Callable[[], T], *what: Hashable) -> T:
    """What ``build`` makes, made once for this data.

    what: everything besides the data that the result depends on; the first of it names the kind of result.
    The result is shared: never change it.
    """
    newest = (look.records.revision, look.settings.fingerprint)  # may be ahead of the answer (``read.newest``)
    data = (str(store_path()), *newest, look.assessment.revision, look.assessment.config, look.as_of)
    result: T = _kept((*data, *what), build)
    return result


@st.cache_resource(max_entries=400, show_spinner=False)
def _kept(key: tuple[Hashable, ...], _build: Callable[[], T]) -> T:  # noqa: ARG001 - the key is the cache's
    return _build()
