"""Links between pages: one way to make them, so that every view is restored by its address."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from urllib.parse import urlencode

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.pages import entry

_LINK = re.compile(r"\[((?:\\.|[^\]\\])*)\]\(([^)\s]+)\)")


def href(name: str, /, **params: str | None) -> str:
    """The address of a page relative to any other page, for Markdown and link columns. None leaves a parameter out.

    >>> href("probe", probe="GP 001")
    'probe?probe=GP+001'
    >>> href("alerts", site=None)
    'alerts'
    """
    entry(name)
    given = _given(params)
    return f"{name}?{urlencode(given)}" if given else name


def hrefs(name: str, key: str, of: Iterable[str]) -> list[str]:
    """The addresses of a page for many values of one parameter, asking once what every link carries on.

    >>> hrefs("probe", "probe", ["GP 001", "GP 002"])
    ['probe?probe=GP+001', 'probe?probe=GP+002']
    """
    entry(name)
    rest = _given({})
    return [f"{name}?{urlencode({key: one, **rest})}" for one in of]


def to(
    name: str, label: str, /, *, icon: str | None = None, hint: str | None = None, **params: str | None
) -> DeltaGenerator:
    """A link to a page with the view it shall open on; it moves there without loading the tool anew.

    Example: ``links.to("probe", "GP-001", probe="GP-001", window="Co-57")``.
    """
    return st.page_link(registered(name), label=label, icon=icon, help=hint, query_params=_given(params))


def go(name: str, /, **params: str | None) -> None:
    """Leave for another page at once (after a button)."""
    st.switch_page(registered(name), query_params=_given(params))


def registered(name: str) -> st.Page:
    """The page as this run's navigation knows it."""
    entry(name)
    page: st.Page = st.session_state["pages"][name]
    return page


def inline(name: str, label: str, /, **params: str | None) -> str:
    """A link as Markdown, for use inside a sentence."""
    return f"[{escape(label)}]({href(name, **params)})"


def sentence(text: str, *, quiet: bool = False) -> None:
    """Markdown whose links open in the tab they stand in, as links between pages do everywhere else. quiet: as a caption."""
    put(in_this_tab(text), quiet=quiet)


def put(anchored: str, *, quiet: bool = False) -> None:
    """A sentence that ``in_this_tab`` has been through, which one with hundreds of links need not be on every view of a page."""
    (st.caption if quiet else st.markdown)(anchored, unsafe_allow_html=True)


def in_this_tab(text: str) -> str:
    r"""The links as anchors, which alone can say where they open; whatever else would be HTML is made text.

    >>> in_this_tab("**[GP 1](probe?probe=GP+1&site=N)** & <b>")
    '**<a href="probe?probe=GP+1&amp;site=N" target="_self">GP 1</a>** & &lt;b>'
    >>> in_this_tab(r"a \<b")
    'a &lt;b'
    """
    plain = text.replace("\\<", "<").replace("<", "&lt;")
    return _LINK.sub(lambda found: f'<a href="{html.escape(found[2])}" target="_self">{found[1]}</a>', plain)


def escape(text: str) -> str:
    r"""Text from a record, made safe inside Markdown.

    >>> escape("a*b [c] $d")
    'a\\*b \\[c\\] \\$d'
    """
    return "".join(f"\\{one}" if one in r"\`*_{}[]()#+!|~$<>:" else one for one in text)


def _given(params: dict[str, str | None]) -> dict[str, str]:
    """Parameters that have a value, and the earlier moment the page is looked at, which every link carries on."""
    given = {key: value for key, value in params.items() if value is not None}
    earlier = st.query_params.get("as_of")
    return {**given, "as_of": earlier} if earlier else given
