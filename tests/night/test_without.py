"""Which part a fault is of, and what a target asks of a rig that lacks something."""

from datetime import date
from pathlib import Path

import pytest

from night.nights import SELDOM_S, demo
from nightloom.executor import NotComputed
from nightloom.faults import Part
from nightloom.night.mending import part_of
from nightloom.night.reduced import reduced
from nightloom.rehearsal import TROUBLES, Rehearsal, play_virtually
from nightloom.safety import GuardRefusal
from nightloom.settings import AskedSub
from nightloom.telemetry import Event
from nightloom.telemetry.events import SubBegun, TroubleOver
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.simulators.rig import CAMERA, FOCUSER, MOUNT, ROOF

ASKED = {"L": AskedSub(exposure_s=60.0, share=3), "Ha": AskedSub(exposure_s=300.0)}


def gone(device: str, name: str) -> DeviceGone:
    return DeviceGone(device, name, asked="to be there", seen="it is not")


@pytest.mark.parametrize(
    ("error", "linked", "part"),
    [
        (gone(CAMERA, "CCD_EXPOSURE"), True, Part.CAMERA),
        (gone(FOCUSER, "ABS_FOCUS_POSITION"), True, Part.FOCUSER),
        (gone(MOUNT, "EQUATORIAL_EOD_COORD"), True, Part.MOUNT),
        (gone(MOUNT, "TELESCOPE_TIMED_GUIDE_NS"), True, Part.GUIDE_PORT),
        (gone(ROOF, "DOME_SHUTTER"), True, Part.ROOF),
        (gone(CAMERA, "CCD_EXPOSURE"), False, Part.LINK),
        (gone("the INDI server", "CONNECTION"), True, Part.LINK),
        (NotComputed("measure", "it died"), True, Part.COMPUTER),
        (GuardRefusal("slewing", "the Sun"), True, Part.GUARD),
    ],
)
def test_a_fault_is_of_the_part_that_it_names(error: Exception, linked: bool, part: Part) -> None:
    assert part_of(error, demo()[0].observatory, linked=linked) is part


def test_a_guide_head_in_the_main_camera_is_told_apart_by_its_properties() -> None:
    observatory = demo()[0].observatory
    head = observatory.guide_camera.model_copy(update={"device": CAMERA})
    observatory = observatory.model_copy(update={"guide_camera": head})
    assert part_of(gone(CAMERA, "GUIDER_EXPOSURE"), observatory, linked=True) is Part.GUIDE_CAMERA
    assert part_of(gone(CAMERA, "CCD_EXPOSURE"), observatory, linked=True) is Part.CAMERA


def test_shorter_subs_keep_the_filters_proportion() -> None:
    left = reduced(ASKED, ASKED, 60.0)
    assert {name: sub.exposure_s for name, sub in left.items()} == {"L": 12.0, "Ha": 60.0}
    assert {name: sub.share for name, sub in left.items()} == {"L": 3, "Ha": 1}


def test_subs_that_are_short_enough_stay_as_they_are() -> None:
    assert reduced(ASKED, ASKED, 300.0) == ASKED
    assert reduced(ASKED, ASKED, None) == ASKED


def test_a_filter_that_cannot_be_reached_is_left_out() -> None:
    assert reduced(ASKED, ["Ha"], None) == {"Ha": ASKED["Ha"]}
    assert reduced(ASKED, ["B"], None) == {}
    assert reduced(ASKED, ["L"], 60.0)["L"].exposure_s == 12.0


def test_a_wheel_that_turns_again_turns_for_the_very_next_sub(tmp_path: Path) -> None:
    """It is found to while the rig is made ready for one more in the filter that it stood in."""
    wheel = tuple(one for one in TROUBLES if one.name in ("cloud", "wheel-stuck", "wind"))
    settings, rig = demo(guide_s=SELDOM_S, targets=dict.fromkeys("LRGB", 60.0))
    begun, found_at = list[str](), list[int]()

    def hear(_: object, event: Event) -> None:
        if isinstance(event, TroubleOver) and Part.WHEEL.value in event.parts:
            found_at.append(len(begun))
        if isinstance(event, SubBegun):
            begun.append(event.filter)

    night, seed = date(2027, 1, 12), 47  # in which the wheel is found to turn under a download
    rehearsal = Rehearsal(settings, rig, night, tmp_path, seed, 1.2, frames=False, troubles=wheel)
    played = play_virtually(rehearsal, lambda _: (hear,))
    assert begun[found_at[0] - 1] == "R"
    assert begun[found_at[0]] != "R"
    assert played.violations == []
