"""A few of the nights that tests/benchmarks/troubled_nights.py plays by the dozen."""

from pathlib import Path

import pytest

from night.troubles import complaints, troubled_night
from nightloom.telemetry import events as e


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_everyday_trouble_does_not_end_a_night(tmp_path: Path, seed: int) -> None:
    """A lost guide star, a gust, a refused pulse and a stuck slew, at moments of the seed."""
    _, story = troubled_night(tmp_path, seed, hours=0.7)
    assert complaints(story) == []
    assert [one for one in story.of(e.DeviceTrouble) if one.device == "Rig Mount"]
