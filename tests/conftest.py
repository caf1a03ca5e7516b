"""What holds for every test: it leaves nothing behind, and waits while others reckon."""

from itertools import chain, groupby, zip_longest
from pathlib import Path

import pytest
from hypothesis import settings

from left_behind import nothing_left_behind

__all__ = ["nothing_left_behind"]

settings.register_profile("untimed", deadline=None)  # a busy machine is no mistake
settings.load_profile("untimed")

NIGHTS = {"night", "safety"}
"""Folders of whole nights, which take longest: begun early, they leave no worker alone at last."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Take files that wait for real servers and files that reckon by turns.

    Workers take whole files in this order, so that about half of them wait at any time.
    """
    files = [list(tests) for _, tests in groupby(items, key=lambda item: item.path)]
    waiting = [tests for tests in files if any(_waits(test) for test in tests)]
    reckoning = [tests for tests in files if tests not in waiting]
    waiting.sort(key=lambda tests: tests[0].get_closest_marker("rig") is None)
    reckoning.sort(key=lambda tests: Path(tests[0].path).parent.name not in NIGHTS)
    turns = chain.from_iterable(zip_longest(waiting, reckoning, fillvalue=[]))
    items[:] = chain.from_iterable(turns)


def _waits(test: pytest.Item) -> bool:
    return any(test.get_closest_marker(name) for name in ("rig", "servers"))
