"""The daemon is killed at random moments of a night over INDI: nothing is lost, nothing twice.

Two kills and a start by day on our rig, judged by its observer; tests/benchmarks/kills.py has more
of them, and has them on the C++ simulators.
"""

from pathlib import Path

import pytest

from rig.killed import campaign, cpp_rig, our_rig

pytestmark = pytest.mark.rig


def test_kills_of_a_night_lose_nothing(tmp_path: Path) -> None:
    with our_rig(tmp_path) as stand:
        came = campaign(stand, kills=2, seed=3)
    assert came.wrong == []
    assert len(came.deaths) == 2
    assert came.frames >= 2


@pytest.mark.long
def test_nor_do_they_on_the_cpp_simulators(tmp_path: Path) -> None:
    with cpp_rig(tmp_path) as stand:
        came = campaign(stand, kills=3, seed=4)
    assert came.wrong == []
    assert came.frames >= 2
