"""The page's router: its dress, its one bar on top, and the view that was chosen."""

from __future__ import annotations

from importlib import import_module

import streamlit as st

import surfscan
from surfscan.ui import looks, running, session
from surfscan.ui.desk import no_room
from surfscan.ui.parts.lengths import clear_refused

# Name in the bar, and its file in views/, which is loaded when it is first shown.
VIEWS = {
    "Check a panel": "check",
    "Look closer": "closer",
    "Plan a shot": "plan",
    "On a screen": "screen",
    "Teach": "teach",
    "Papers": "papers",
    "The shop": "shop",
}

st.set_page_config(page_title="surfscan: is the panel fair?", page_icon="◧", layout="wide")
looks.dress()
clear_refused()
name = session.choose_view(list(VIEWS))
try:
    import_module(f"surfscan.ui.views.{VIEWS[name]}").show()
except surfscan.SurfscanError as error:
    looks.refusal(error)
except OSError as error:
    looks.refusal(no_room(error))
except Exception as error:
    looks.fault(f"{type(error).__name__}: {error}")
running.warm_up()
