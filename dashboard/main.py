"""The dashboard's frame: page settings, navigation, and what stands on every page. Run by ``streamlit run``."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from analytics.errors import UserError
from dashboard.pages import PAGES
from dashboard.parts import footer, looks, moment


def main() -> None:
    """Set the page up, run the page that was asked for, and put the cautions under it."""
    st.set_page_config(page_title="Steadycount", page_icon=Path(__file__).parent / "icon.png", layout="wide")
    pages = {
        one.name: st.Page(one.path, title=one.title, icon=one.icon, url_path=one.name, default=one is PAGES[0])
        for one in PAGES
        if one.path.is_file()
    }
    st.session_state["pages"] = pages
    page = st.navigation(list(pages.values()), position="top")
    looks.apply()
    try:
        moment.note()
        page.run()
    except UserError as error:
        st.error(str(error), icon=":material/report:")
    footer.show()


if __name__ == "__main__":
    main()
