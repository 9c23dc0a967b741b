"""The order of the suite: the longest files first, so that every core has work until the end."""

from __future__ import annotations

import pytest

_LONGEST = ("test_readme.py", "test_browser.py")  # they wait for pip and for a browser


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A file keeps its own order."""
    items.sort(key=lambda item: item.path.name not in _LONGEST)
