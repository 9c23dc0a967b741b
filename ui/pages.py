"""The page's views: name, file in views/, and address. A view's file is loaded when it is first shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import streamlit as st

import surfscan
from surfscan.ui import looks
from surfscan.ui.desk import no_room

__all__ = ["BY_NAME", "VIEWS", "View", "all_pages", "page_of"]


@dataclass(frozen=True)
class View:
    """One view; `group` says where the bar has it."""

    name: str
    file: str
    path: str
    group: str = ""


VIEWS = (
    View("Start", "start", "", "bar"),
    View("Where", "where", "where", "step"),
    View("Television", "television", "a-television", "step"),
    View("What", "what", "what", "step"),
    View("Photos", "photos", "photos", "step"),
    View("Result", "result", "result", "bar"),
    View("Look closer", "closer", "look-closer", "bar"),
    View("Papers", "papers", "papers", "bar"),
    View("Learn", "learn", "learn", "more"),
    View("Before and after", "passes", "before-and-after", "more"),
    View("The record", "history", "the-record", "more"),
    View("Several views", "several", "several-views", "more"),
    View("The shop", "shop", "the-shop", "more"),
    View("All on one page", "check", "check", "more"),
    View("Plan a shot", "plan", "plan-a-shot", "more"),
    View("On a screen", "screen", "on-a-screen", "more"),
    View("Teach", "teach", "teach", "more"),
)
BY_NAME = {view.name: view for view in VIEWS}


def _shown(view: View) -> Callable[[], None]:
    def show() -> None:
        try:
            module: Any = import_module(f"surfscan.ui.views.{view.file}")
            module.show()
        except surfscan.SurfscanError as error:
            looks.refusal(error)
        except OSError as error:
            looks.refusal(no_room(error))
        except Exception as error:
            looks.fault(f"{type(error).__name__}: {error}")

    return show


def page_of(name: str) -> Any:
    """A view as the server knows it, to link to or to switch to."""
    view = BY_NAME[name]
    return st.Page(_shown(view), title=view.name, url_path=view.path or None, default=not view.path)


def all_pages() -> list[Any]:
    """All views, for the router."""
    return [page_of(view.name) for view in VIEWS]
