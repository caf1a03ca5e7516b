"""The pier: sides reported or found out, and the hour angles that each side allows."""

from dataclasses import dataclass
from typing import Any, cast

import pytest

from nightloom.safety import limits
from nightloom.safety.pier import Pier, turned_over
from nightloom.settings.observatory import Mount as MountTable
from nightloom_drivers.devices import Mount, PierSide

WEST, EAST, UNKNOWN = PierSide.WEST, PierSide.EAST, PierSide.UNKNOWN


@dataclass
class Says:
    """A mount that says where it is."""

    pier_side: PierSide = UNKNOWN


def pier(says: Says | None = None, **table: Any) -> Pier:
    return Pier(MountTable(device="a mount", **table), cast(Mount, says or Says()))


def test_a_report_is_believed() -> None:
    says = Says(EAST)
    one = pier(says)
    one.went_to(-2.0)
    assert one.side is EAST
    says.pier_side = WEST
    assert one.side is WEST


@pytest.mark.parametrize(("hour_angle_h", "side"), [(-3.0, WEST), (0.01, WEST), (0.03, EAST)])
def test_a_silent_mount_is_where_the_hour_angle_sends_it(
    hour_angle_h: float, side: PierSide
) -> None:
    one = pier()
    assert one.side is UNKNOWN
    one.went_to(hour_angle_h)
    assert one.side is side


def test_a_frame_upside_down_shows_the_other_side() -> None:
    one = pier(Says(WEST), pier_side="solved")
    one.went_to(-1.0)
    one.solved(183.0)
    one.went_to(0.1)
    assert one.side is EAST, "as the hour angle has it"
    one.solved(184.0)
    assert one.side is WEST, "and as the frame knows better"
    one.went_to(0.2)
    one.solved(3.5)
    assert one.side is EAST


def test_a_mount_without_flips_has_no_sides_and_no_limits() -> None:
    one = pier(Says(WEST), needs_flip=False)
    one.went_to(3.0)
    assert one.side is UNKNOWN
    assert one.forbids(one.taken_for(9.0), 9.0) == ""
    assert one.left_h(9.0) == float("inf")


def test_each_side_has_its_hours() -> None:
    one = pier(Says(WEST), hour_angle_pier_west_h=(-5.0, 0.5), hour_angle_pier_east_h=(-0.5, 6.0))
    assert one.forbids(WEST, 0.5) == one.forbids(EAST, 6.0) == ""
    assert one.forbids(WEST, 0.6) == (
        "its hour angle is +0.60 h, and west of the pier -5 to +0.5 h are allowed"
    )
    assert "east of the pier" in one.forbids(EAST, -0.6)
    assert one.left_h(0.2) == pytest.approx(0.3)


def test_the_limit_says_nothing_inside() -> None:
    assert limits.hour_angle(0.0, "west", (-6.0, 0.25)) == ""


@pytest.mark.parametrize(
    ("one", "other", "over"), [(3, 183, True), (183, 3, True), (350, 10, False), (100, 5, True)]
)
def test_turned_over(one: float, other: float, over: bool) -> None:
    assert turned_over(one, other) is over
