"""Trials catch broken daemons; `tests/benchmarks/broken_trials.py` has all of them caught."""

import pytest

from nightloom.rehearsal.observer import RULES
from trials.broken_daemons import BROKEN, OUT_OF_REACH

FIRST = 84


@pytest.mark.parametrize("rule", ["ends_safe", "dithered"])
def test_a_broken_daemon_is_caught(rule: str, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = next(one for one in BROKEN if one.rule == rule)
    broken.slip(monkeypatch.setattr)
    found = broken.caught_at(FIRST, 1)
    assert found is not None


def test_there_is_one_for_each_rule() -> None:
    names = {rule.name for rule in RULES}
    assert {one.rule for one in BROKEN} | OUT_OF_REACH == names
    assert not {one.rule for one in BROKEN} & OUT_OF_REACH
