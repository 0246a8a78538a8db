"""The dashboard's frame: page settings, navigation, and what stands on every page. Run by ``streamlit run``."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from analytics.errors import UserError
from dashboard.pages import PAGES, PageEntry
from dashboard.parts import door, footer, links, looks, moment, waiting
from dashboard.seam.worker import StillWorkingError


def main() -> None:
    """Set the page up, run the page that was asked for, and put the cautions under it."""
    st.set_page_config(page_title="Steadycount", page_icon=Path(__file__).parent / "icon.png", layout="wide")
    if not door.is_open():
        addresses = dict.fromkeys([_address(one) for one in PAGES] + [PAGES[0].name])
        shut = [st.Page(_nothing, title="Sign in", url_path=one, default=not i) for i, one in enumerate(addresses)]
        st.navigation(shut, position="hidden").run()  # so that a link is still there after signing in
        return
    pages = {
        one.name: st.Page(one.path, title=one.title, icon=one.icon, url_path=_address(one), default=one is PAGES[0])
        for one in PAGES
    }
    st.session_state["pages"] = pages
    named = st.Page(_to_the_root, title=PAGES[0].title, url_path=PAGES[0].name, visibility="hidden")
    groups: dict[str, list[st.Page]] = {}
    for one in PAGES:
        groups.setdefault(one.group, []).append(pages[one.name])
    groups[PAGES[0].group].append(named)
    page = st.navigation(groups, position="top")
    looks.apply()
    door.show()
    above = st.container()
    try:
        moment.note()
        page.run()
        typing = page is pages["record"] and "saved" not in st.query_params  # the form asks by itself
        if any(page is pages[one.name] for one in PAGES if one.answers) and not typing:
            with above:
                waiting.behind()
    except StillWorkingError as wait:
        waiting.instead(wait.job)
    except UserError as error:
        st.error(str(error), icon=":material/report:")
    footer.show()


def _nothing() -> None:
    """Every page, for whoever has not signed in: what has to be said stands above it."""


def _address(one: PageEntry) -> str:
    """The page's word in the address; the first page lies at ``/`` and needs another, by which Streamlit knows it."""
    return one.name if one is not PAGES[0] else "start"


def _to_the_root() -> None:
    """The first page lies at ``/``; whoever asks for it by its name comes there with the same view."""
    links.go(PAGES[0].name, **st.query_params.to_dict())


if __name__ == "__main__":
    main()
