"""The way to safety from any state: parked and closed in truth, with a mount and a roof alone."""

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.safety import Acts, NotSafe, make_safe
from nightloom.safety.acts import Part
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import Value
from nightloom_drivers.simulators.rig import MOUNT, ROOF
from safety.guarded import (
    EVENING_S,
    MOVES_ROOF,
    Scene,
    deaf_to_closing,
    guarded,
    sun_at,
    with_,
)

MOUNT_STATES = ("parked", "parking", "free", "tracking", "slewing")
ROOF_STATES = ("closed", "open", "half", "opening", "closing")
REBORN = ("neither", "mount", "roof", "both")
RECORDS: dict[str, tuple[tuple[Part, str], ...]] = {
    "none": (),
    "rest": (("mount", "park"), ("roof", "close")),
    "free": (("mount", "unpark"), ("roof", "open")),
}

ROOF_TRAVEL_S, SLEW_S, PARK_S = 30.0, 6.0, 60.0

ALWAYS = {"clears": "always"}


@dataclass(frozen=True)
class State:
    """How the rig is found."""

    mount: str
    roof: str
    reborn: str
    record: str
    known: bool
    """Whether mount and roof were connected before, and seen to come to where they are."""


STATES = st.builds(
    State,
    st.sampled_from(MOUNT_STATES),
    st.sampled_from(ROOF_STATES),
    st.sampled_from(REBORN),
    st.sampled_from(list(RECORDS)),
    st.booleans(),
)


async def on_record(record: str) -> Acts:
    """What an earlier run of the daemon, or this one, did last."""
    acts = Acts(None, LoopClock(EVENING_S))
    for part, act in RECORDS[record]:
        async with acts.of(part, act):
            pass
    return acts


async def bring_about(scene: Scene, state: State) -> None:
    """Have the rig so, as another client might have left it."""
    if state.known:
        await scene.guard.connect_mount()
        await scene.guard.connect_roof()
        await scene.devices.mount.park()
        assert scene.devices.roof is not None
        if state.roof in ("open", "closing"):
            await scene.devices.roof.open()
        else:
            await scene.devices.roof.close()
    await roof_is(scene, state.roof)
    await mount_is(scene, state.mount)
    if state.reborn in ("mount", "both"):
        scene.reborn(MOUNT)
    if state.reborn in ("roof", "both"):
        scene.reborn(ROOF)
    await asyncio.sleep(0.5)


async def roof_is(scene: Scene, state: str) -> None:
    if state == "closed":
        return
    scene.receive(ROOF, "DOME_SHUTTER", SHUTTER_OPEN=True, SHUTTER_CLOSE=False)
    if state in ("open", "closing"):
        await asyncio.sleep(ROOF_TRAVEL_S + 1.0)
    else:
        await asyncio.sleep(ROOF_TRAVEL_S / 2.0)
    if state == "half":
        scene.receive(ROOF, "DOME_ABORT_MOTION", ABORT=True)
    elif state == "closing":
        scene.receive(ROOF, "DOME_SHUTTER", SHUTTER_OPEN=False, SHUTTER_CLOSE=True)


async def mount_is(scene: Scene, state: str) -> None:
    if state == "parked":
        return
    scene.receive(MOUNT, "TELESCOPE_PARK", PARK=False, UNPARK=True)
    if state == "free":
        return
    place: dict[str, Value] = {"RA": (scene.sidereal_h() + 2.0) % 24.0, "DEC": 20.0}
    scene.receive(MOUNT, "ON_COORD_SET", TRACK=True, SLEW=False, SYNC=False)
    scene.receive(MOUNT, "EQUATORIAL_EOD_COORD", **place)
    await asyncio.sleep(SLEW_S if state == "slewing" else PARK_S)
    if state == "parking":
        scene.receive(MOUNT, "TELESCOPE_PARK", PARK=True, UNPARK=False)
        await asyncio.sleep(1.0)


def only_mount_and_roof_were_asked(scene: Scene) -> bool:
    return {told.device for told in scene.told} <= {MOUNT, ROOF}


def roof_was_told_over_a_parked_mount_alone(scene: Scene) -> bool:
    told = [told for told in scene.told if told.device == ROOF and told.name in MOVES_ROOF]
    return all(one.parked for one in told)


def safe_from(state: State, *, clears: str = "parked", at_s: float = EVENING_S) -> None:
    acts = asyncio.run(on_record(state.record))

    async def story(scene: Scene) -> None:
        await bring_about(scene, state)
        scene.told.clear()
        moved_s = await moving_over_a_free_mount(scene, make_safe(scene.guard, scene.log))
        assert scene.left_as == "parked, closed"
        assert scene.guard.is_safe
        assert only_mount_and_roof_were_asked(scene)
        if clears == "parked":
            assert roof_was_told_over_a_parked_mount_alone(scene)
            if state.roof not in ("opening", "closing"):  # what moved before is not to be helped
                assert moved_s == 0.0
        scene.told.clear()
        await make_safe(scene.guard, scene.log)
        assert not scene.told

    guarded(story, changed=with_(roof={"clears": clears}), acts=acts, at_s=at_s)


async def moving_over_a_free_mount(scene: Scene, work: Coroutine[Any, Any, None]) -> float:
    """Seconds in which the roof moved over a mount that was not parked, while the work was done."""
    task = asyncio.create_task(work)
    moved_s, before = 0.0, scene.opening
    while not task.done():
        await asyncio.sleep(1.0)
        if scene.opening != before and not scene.is_parked:
            moved_s += 1.0
        before = scene.opening
    await task
    return moved_s


@settings(max_examples=120)
@given(STATES)
def test_from_any_state_the_rig_ends_parked_and_closed(state: State) -> None:
    safe_from(state)


@settings(max_examples=40)
@given(STATES)
def test_a_roof_that_clears_the_telescope_ends_so_as_well(state: State) -> None:
    safe_from(state, clears="always")


@pytest.mark.parametrize("mount", MOUNT_STATES)
@pytest.mark.parametrize("roof", ROOF_STATES)
def test_a_daemon_that_has_seen_nothing_makes_each_pair_of_states_safe(
    mount: str, roof: str
) -> None:
    safe_from(State(mount, roof, reborn="neither", record="none", known=False))


@pytest.mark.parametrize("reborn", REBORN[1:])
def test_parked_and_closed_are_told_again_after_a_driver_started_again(reborn: str) -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("parked", "closed", "neither", "none", known=True))
        for device in (MOUNT, ROOF):
            if reborn in ("both", device.split()[-1].lower()):
                scene.reborn(device)
        await asyncio.sleep(0.5)
        scene.told.clear()
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"
        assert bool(scene.moves(MOUNT)) is (reborn != "roof")
        assert bool(scene.moves(ROOF)) is (reborn != "mount")

    guarded(story)


def test_by_day_in_rain_with_a_free_mount_all_the_same() -> None:
    """Nothing that speaks against opening or slewing speaks against parking and closing."""

    async def story(scene: Scene) -> None:
        scene.faults.rain()
        await bring_about(scene, State("tracking", "open", "neither", "none", known=False))
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story, at_s=sun_at(15.0))


# Drivers that do not do it at once ------------------------------------------------------------


@pytest.mark.parametrize("alert", [False, True], ids=["busy for ever", "alert"])
def test_a_park_that_fails_once_is_tried_again_connected_anew(alert: bool) -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.park_sticks(1, alert=alert)
        scene.told.clear()
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"
        assert roof_was_told_over_a_parked_mount_alone(scene)
        assert scene.of(e.DeviceTrouble)

    guarded(story)


def test_a_mount_that_says_parked_while_it_tracks_is_parked() -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.says_parked()
        await asyncio.sleep(1.0)
        scene.told.clear()
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"
        assert roof_was_told_over_a_parked_mount_alone(scene)

    guarded(story)


def test_a_roof_that_says_closed_and_is_open_by_the_record_is_closed() -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "roof", "free", known=True))
        deaf_to_closing(scene)
        await asyncio.sleep(1.0)
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story, acts=asyncio.run(on_record("free")))


# What cannot be made safe ---------------------------------------------------------------------


@pytest.mark.parametrize("alert", [False, True], ids=["busy for ever", "alert"])
def test_a_mount_that_cannot_park_is_not_closed_over_and_does_not_track(alert: bool) -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.park_sticks(alert=alert)
        scene.told.clear()
        with pytest.raises(NotSafe, match="not parked"):
            await make_safe(scene.guard, scene.log)
        assert scene.opening == 1.0
        assert scene.moves(ROOF) == []
        assert not scene.is_tracking
        assert only_mount_and_roof_were_asked(scene)

    guarded(story)


def test_a_roof_that_clears_closes_at_once_though_the_mount_cannot_park() -> None:
    """A person is called all the same."""

    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.park_sticks()
        making = asyncio.create_task(make_safe(scene.guard, scene.log))
        await asyncio.sleep(ROOF_TRAVEL_S + 5.0)
        assert scene.opening == 0.0
        with pytest.raises(NotSafe, match="not parked"):
            await making
        assert scene.left_as == "free, closed"
        assert not scene.is_tracking

    guarded(story, changed=with_(roof=ALWAYS))


def test_a_roof_that_sticks_is_told_of_and_the_mount_parks() -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.roof_sticks(0.5)
        with pytest.raises(NotSafe, match="not closed"):
            await make_safe(scene.guard, scene.log)
        assert scene.is_parked
        assert scene.opening == pytest.approx(0.5, abs=0.05)
        scene.faults.heal(ROOF)
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story)


@pytest.mark.parametrize("clears", ["parked", "always"])
def test_where_both_stick_it_is_said_and_the_mount_stands_still(clears: str) -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.park_sticks()
        scene.faults.roof_sticks(0.5)
        with pytest.raises(NotSafe, match="not parked") as seen:
            await make_safe(scene.guard, scene.log)
        assert ("not closed" in str(seen.value)) is (clears == "always")
        assert not scene.is_tracking
        for device in (MOUNT, ROOF):
            scene.faults.heal(device)
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story, changed=with_(roof={"clears": clears}))


@pytest.mark.parametrize("device", [MOUNT, ROOF])
def test_without_the_driver_of_mount_or_roof_it_is_not_safe(device: str) -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        scene.faults.dead(device)
        with pytest.raises(NotSafe):
            await make_safe(scene.guard, scene.log)
        assert scene.opening == 1.0
        assert scene.is_parked is (device == ROOF)
        scene.faults.revive(device)
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story)


def test_without_a_link_it_is_not_safe_and_with_one_it_is() -> None:
    async def story(scene: Scene) -> None:
        await bring_about(scene, State("tracking", "open", "neither", "free", known=True))
        gone = asyncio.create_task(scene.faults.server_gone(300.0))
        await asyncio.sleep(1.0)
        with pytest.raises(NotSafe, match="neither parked nor closed"):
            await make_safe(scene.guard, scene.log)
        await gone
        await make_safe(scene.guard, scene.log)
        assert scene.left_as == "parked, closed"

    guarded(story)
