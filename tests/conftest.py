"""What holds for every test: it leaves nothing behind."""

import pytest

from left_behind import nothing_left_behind

__all__ = ["nothing_left_behind"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what waits for real servers: it goes on while the other workers reckon."""
    items.sort(key=lambda item: item.get_closest_marker("rig") is None)
