"""Work once done for a revision, settings and moment is kept for every visitor: figures, tables, accounts."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Hashable, Iterable
from typing import TypeVar

import numpy as np
import pandas as pd
import streamlit as st

from analytics.results import SeriesResult
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


def alike(build: Callable[[], T], *given: object) -> T:
    """What ``build`` makes from what is given, made once for as long as it is given the same, whatever else is recorded.

    given: all that the result depends on: tables, results, lists, plain values; the first of it names the kind of result.
    A check that is saved alters one probe, and figures of all others need not be drawn anew for it.
    The result is shared: never change it.
    """
    result: T = _kept(("alike", print_of(*given)), build)
    return result


def print_of(*given: object) -> str:
    """One text for all that these things hold: another where anything of it is another."""
    found = hashlib.blake2b(digest_size=20)
    for one in given:
        for part in _told(one):
            found.update(part)
    return found.hexdigest()


MANY = 2_000  # texts from which on their hashes are quicker than they themselves
_NUMBERING = ("series", "check")  # columns and fields that number things over the whole fleet, and are not shown


def _told(one: object) -> Iterable[bytes]:
    """What a thing holds, as bytes."""
    if isinstance(one, pd.DataFrame):
        for name in one.columns:
            if name not in _NUMBERING:
                yield f"|{name}:{one[name].dtype}:".encode()
                yield from _column(one[name])
    elif isinstance(one, SeriesResult):
        yield repr(dataclasses.replace(one, index=0)).encode()
    elif isinstance(one, (list, tuple)):
        yield f"|{len(one)}:".encode()
        for part in one:
            yield from _told(part)
    else:
        yield f"|{one!r}".encode()


def _column(column: pd.Series) -> Iterable[bytes]:
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes = column.cat.codes.to_numpy()
        yield codes.tobytes()
        yield repr(column.cat.categories[np.flatnonzero(np.bincount(codes.astype(np.int64) + 1)[1:])].tolist()).encode()
    elif column.dtype.kind in "biufmM":
        yield column.to_numpy().tobytes()
    elif len(column) < MANY:
        yield repr(column.tolist()).encode()
    else:
        yield pd.util.hash_pandas_object(column, index=False).to_numpy().tobytes()


@st.cache_resource(max_entries=400, show_spinner=False)
def _kept(key: tuple[Hashable, ...], _build: Callable[[], T]) -> T:  # noqa: ARG001 - the key is the cache's
    return _build()
