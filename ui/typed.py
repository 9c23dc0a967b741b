"""Fields whose text counts while it is typed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

__all__ = ["typed"]

_COMPONENT = st.components.v2.component(
    "surfscan_typed",
    html="<span></span>",
    js=Path(__file__).with_name("typed.js").read_text(encoding="utf-8"),
)


def typed(key: str) -> Any:
    """A container: what is typed into its text fields is taken when the typing rests, without Enter."""
    held = st.container(key=f"typed-{key}")
    with held:
        _COMPONENT(key=f"typing-{key}")
    return held
