"""The order of the suite: the one long test first, so that the other cores have work until it ends."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """README's commands run for a minute and more, mostly waiting for pip."""
    items.sort(key=lambda item: item.path.name != "test_readme.py")
