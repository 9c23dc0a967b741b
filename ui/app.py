"""The page's router: what this browser had, the bar on top, and the view whose address was asked for."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import looks, pages, running, session
from surfscan.ui.parts import bar
from surfscan.ui.parts.lengths import clear_refused

st.set_page_config(page_title="surfscan: is the panel fair?", page_icon="◧", layout="wide")
session.begin()
chosen = st.navigation(pages.all_pages(), position="hidden")
try:
    looks.dress()
    clear_refused()
    bar.show(chosen.title)
    chosen.run()
    wanted = session.wanted_view()
    if wanted:  # after the view: what was typed into it just before the button belongs to the job
        st.switch_page(pages.page_of(wanted), query_params={"job": session.job_id()})
finally:  # a run that the next tap cuts short is kept too
    session.save()
running.warm_up()
