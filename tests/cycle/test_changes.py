"""How long a change of filter takes."""

import pytest

from nightloom.cycle import FocuserTravel, WheelTravel, change_times_s

SLOTS = ("L", "R", "G", "B", "Ha")


def test_a_wheel_turns_the_shorter_way() -> None:
    wheel = WheelTravel(SLOTS, 0.5)
    assert wheel.time_s("L", "G") == 1.0
    assert wheel.time_s("L", "Ha") == wheel.time_s("Ha", "L") == 0.5


def test_a_wheel_that_turns_one_way_goes_round() -> None:
    wheel = WheelTravel(SLOTS, 0.5, one_way=True)
    assert wheel.time_s("L", "Ha") == 2.0
    assert wheel.time_s("Ha", "L") == 0.5


@pytest.mark.parametrize(("approach", "rising_s", "falling_s"), [(1, 0.3, 2.7), (-1, 2.7, 0.3)])
def test_a_focuser_takes_up_its_backlash_when_it_turns(
    approach: int, rising_s: float, falling_s: float
) -> None:
    """30 steps at 100 a second; the other way 120 steps too far and back."""
    focuser = FocuserTravel({"L": 0, "R": 30}, 100.0, 120, approach)
    assert focuser.time_s("L", "R") == pytest.approx(rising_s)
    assert focuser.time_s("R", "L") == pytest.approx(falling_s)


def test_a_filter_that_focuses_alike_moves_no_focuser() -> None:
    assert FocuserTravel({"L": 5, "R": 5}, 100.0, 120).time_s("L", "R") == 0


def test_a_change_takes_as_long_as_the_slower_of_both() -> None:
    """Wheel and focuser run at the same time."""
    focuser = FocuserTravel({"L": 0, "R": 90, "G": 95}, 100.0)
    times_s = change_times_s(("L", "R", "G"), WheelTravel(SLOTS, 0.5), focuser)
    assert times_s["L", "R"] == 0.9
    assert times_s["R", "G"] == 0.5
    assert len(times_s) == 6
