"""The page's router: its dress, its one bar on top, and the view that was chosen."""

from __future__ import annotations

import streamlit as st

from surfscan import SurfscanError
from surfscan.ui import looks, session
from surfscan.ui.views import check, closer, papers, teach

VIEWS = {
    view.TITLE: view
    for view in (
        check,
        closer,
        teach,
        papers,
    )
}

st.set_page_config(page_title="surfscan: is the panel fair?", page_icon="◧", layout="wide")
looks.dress()
name = session.choose_view(list(VIEWS))
try:
    VIEWS[name].show()
except SurfscanError as error:
    looks.refusal(error)
except Exception as error:
    looks.fault(f"{type(error).__name__}: {error}")
