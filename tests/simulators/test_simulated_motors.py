"""Filter wheel, focuser, roof, dust cap and light panel, over the loopback."""

import asyncio

import pytest

from nightloom_drivers.rig_settings import FocuserSettings, WheelSettings
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import SETTINGS, bench

WHEEL, FOCUSER, ROOF = "Rig Wheel", "Rig Focuser", "Rig Roof"


def slot(number: float) -> dict[str, float]:
    return {"FILTER_SLOT_VALUE": number}


def place(steps: float) -> dict[str, float]:
    return {"FOCUS_ABSOLUTE_POSITION": steps}


def test_the_wheel_keeps_the_old_slot_until_it_has_arrived() -> None:
    async def night() -> None:
        async with bench(WHEEL) as rig:
            began_s = rig.clock.unix_s()
            with rig.story(WHEEL, "FILTER_SLOT") as told:
                await rig.ask(WHEEL, "FILTER_SLOT", slot(3.0))
            assert told == [("FILTER_SLOT", "Busy", (1.0,)), ("FILTER_SLOT", "Ok", (3.0,))]
            travel_s = 2 * rig.world.settings.wheel.travel_s_per_slot
            assert travel_s < rig.clock.unix_s() - began_s < travel_s + 0.1
            assert rig.world.wheel.slot(rig.clock.unix_s()) == 3

    run_virtual(night())


def test_the_wheel_drops_fractions_and_refuses_slots_that_it_has_not() -> None:
    async def night() -> None:
        async with bench(WHEEL) as rig:
            assert (await rig.ask(WHEEL, "FILTER_SLOT", slot(2.6)))["FILTER_SLOT_VALUE"] == 2.0
            refused = await rig.ask(WHEEL, "FILTER_SLOT", slot(8.0), end="Alert")
            assert refused["FILTER_SLOT_VALUE"] == 2.0

    run_virtual(night())


def test_a_second_request_takes_the_wheel_elsewhere() -> None:
    async def night() -> None:
        settings = SETTINGS.model_copy(update={"wheel": WheelSettings(travel_s_per_slot=5.0)})
        async with bench(WHEEL, settings=settings) as rig:
            with rig.story(WHEEL, "FILTER_SLOT") as told:
                rig.link.set(WHEEL, "FILTER_SLOT", slot(4.0))
                await asyncio.sleep(3.0)
                await rig.ask(WHEEL, "FILTER_SLOT", slot(2.0))
                await asyncio.sleep(60.0)
            assert [(state, values) for _, state, values in told] == [
                ("Busy", (1.0,)),
                ("Busy", (1.0,)),
                ("Ok", (2.0,)),
            ]

    run_virtual(night())


def test_the_focuser_reports_its_way_and_arrives() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            with rig.story(FOCUSER, "ABS_FOCUS_POSITION") as told:
                await rig.ask(FOCUSER, "ABS_FOCUS_POSITION", place(11_000.0))
            positions = [values[0] for _, _, values in told]
            assert [state for _, state, _ in told] == ["Busy"] * (len(told) - 1) + ["Ok"]
            assert positions[:4] == [10_000.0, 10_250.0, 10_500.0, 10_750.0]  # 250 steps a second.
            assert positions[-1] == 11_000.0

    run_virtual(night())


def test_a_relative_move_goes_in_the_chosen_direction() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            inward = {"FOCUS_INWARD": True, "FOCUS_OUTWARD": False}
            await rig.ask(FOCUSER, "FOCUS_MOTION", inward)
            before = rig.link.set(FOCUSER, "REL_FOCUS_POSITION", {"FOCUS_RELATIVE_POSITION": 500.0})
            moved = await rig.link.wait(
                FOCUSER,
                "ABS_FOCUS_POSITION",
                lambda v: v.state == "Ok",
                after=before,
                timeout_s=60,
            )
            assert moved["FOCUS_ABSOLUTE_POSITION"] == 9_500.0
            nothing = {"FOCUS_RELATIVE_POSITION": 0.0}
            await rig.ask(FOCUSER, "REL_FOCUS_POSITION", nothing, end="Alert")

    run_virtual(night())


def test_an_aborted_move_ends_idle_where_it_was_stopped() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            sent = rig.link.set(FOCUSER, "ABS_FOCUS_POSITION", place(20_000.0))
            await asyncio.sleep(4.0)
            rig.link.set(FOCUSER, "FOCUS_ABORT_MOTION", {"ABORT": True})
            stopped = await rig.link.wait(
                FOCUSER,
                "ABS_FOCUS_POSITION",
                lambda v: v.state == "Idle",
                after=sent,
                timeout_s=5,
            )
            assert stopped.number("FOCUS_ABSOLUTE_POSITION") == pytest.approx(11_000.0, abs=5)

    run_virtual(night())


def test_positions_out_of_range_are_refused_also_after_a_new_maximum() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            await rig.ask(FOCUSER, "ABS_FOCUS_POSITION", place(20_001.0), end="Alert")
            await rig.ask(FOCUSER, "FOCUS_MAX", {"FOCUS_MAX_VALUE": 15_000.0})
            await asyncio.sleep(0.1)
            known = rig.link.get(FOCUSER, "ABS_FOCUS_POSITION")
            assert known is not None
            assert known.limits["FOCUS_ABSOLUTE_POSITION"] == (0.0, 15_000.0)
            await rig.ask(FOCUSER, "ABS_FOCUS_POSITION", place(15_001.0), end="Alert")

    run_virtual(night())


def test_synchronising_renames_the_position_without_a_move() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            await rig.ask(FOCUSER, "FOCUS_SYNC", {"FOCUS_SYNC_VALUE": 5_000.0})
            moved = await rig.ask(FOCUSER, "ABS_FOCUS_POSITION", place(5_100.0))
            assert moved["FOCUS_ABSOLUTE_POSITION"] == 5_100.0
            assert rig.world.focuser.position(rig.clock.unix_s()) == 10_100
            # The tube ends where it ended before, at 20,000 of the old steps.
            await rig.ask(FOCUSER, "ABS_FOCUS_POSITION", place(15_001.0), end="Alert")

    run_virtual(night())


def test_the_focuser_has_no_backlash_compensation() -> None:
    async def night() -> None:
        async with bench(FOCUSER) as rig:
            on = {"INDI_ENABLED": True, "INDI_DISABLED": False}
            await rig.ask(FOCUSER, "FOCUS_BACKLASH_TOGGLE", on, end="Alert")
            steps = {"FOCUS_BACKLASH_VALUE": 50.0}
            await rig.ask(FOCUSER, "FOCUS_BACKLASH_STEPS", steps, end="Idle")

    run_virtual(night())


def test_the_focusers_range_is_its_settings_range() -> None:
    async def night() -> float:
        small = FocuserSettings(range_steps=3_000, start_steps=1_000)
        async with bench(FOCUSER, settings=SETTINGS.model_copy(update={"focuser": small})) as rig:
            known = rig.link.get(FOCUSER, "FOCUS_MAX")
            assert known is not None
            return known.number("FOCUS_MAX_VALUE")

    assert run_virtual(night()) == 3_000.0


def test_the_roof_opens_and_closes_by_either_property() -> None:
    async def night() -> None:
        async with bench(ROOF) as rig:
            with rig.story(ROOF, "DOME_PARK", "DOME_SHUTTER") as told:
                await rig.ask(ROOF, "DOME_PARK", {"PARK": False, "UNPARK": True})
                assert rig.world.roof.is_open(rig.clock.unix_s())
                await rig.ask(ROOF, "DOME_SHUTTER", {"SHUTTER_OPEN": False, "SHUTTER_CLOSE": True})
                assert rig.world.roof.is_closed(rig.clock.unix_s())
            opening, closing = (False, True), (True, False)
            assert told == [
                ("DOME_PARK", "Busy", opening),
                ("DOME_SHUTTER", "Busy", (True, False)),
                ("DOME_PARK", "Ok", opening),
                ("DOME_SHUTTER", "Ok", (True, False)),
                ("DOME_PARK", "Busy", closing),
                ("DOME_SHUTTER", "Busy", (False, True)),
                ("DOME_PARK", "Ok", closing),
                ("DOME_SHUTTER", "Ok", (False, True)),
            ]

    run_virtual(night())


def test_a_stopped_roof_is_on_alert_and_can_go_on() -> None:
    async def night() -> None:
        async with bench(ROOF) as rig:
            rig.link.set(ROOF, "DOME_PARK", {"PARK": False, "UNPARK": True})
            await asyncio.sleep(10.0)
            await rig.ask(ROOF, "DOME_ABORT_MOTION", {"ABORT": True})
            shutter = rig.link.get(ROOF, "DOME_SHUTTER")
            park = rig.link.get(ROOF, "DOME_PARK")
            assert shutter is not None
            assert park is not None
            assert (shutter.state, shutter.on("SHUTTER_OPEN")) == ("Alert", True)
            assert (park.state, park.on("PARK"), park.on("UNPARK")) == ("Alert", False, False)
            await asyncio.sleep(100.0)
            assert rig.world.roof.position(rig.clock.unix_s()) == pytest.approx(1 / 3, abs=0.01)
            await rig.ask(ROOF, "DOME_PARK", {"PARK": True, "UNPARK": False})
            assert rig.world.roof.is_closed(rig.clock.unix_s())

    run_virtual(night())


def test_the_roof_does_not_close_over_a_mount_that_is_not_parked_if_told_so() -> None:
    async def night() -> None:
        async with bench(ROOF, "Rig Mount") as rig:
            await rig.ask(ROOF, "DOME_PARK", {"PARK": False, "UNPARK": True})
            locks = {"MOUNT_IGNORED": False, "MOUNT_LOCKS": True}
            await rig.ask(ROOF, "MOUNT_POLICY", locks)
            await rig.ask("Rig Mount", "TELESCOPE_PARK", {"PARK": False, "UNPARK": True})
            refused = await rig.ask(ROOF, "DOME_PARK", {"PARK": True, "UNPARK": False}, end="Alert")
            assert refused.on("UNPARK")
            assert rig.world.roof.is_open(rig.clock.unix_s())

    run_virtual(night())


def test_the_dust_cap_opens_closes_and_stops() -> None:
    async def night() -> None:
        async with bench("Rig Dust Cap") as rig:
            known = rig.link.get("Rig Dust Cap", "CAP_PARK")
            assert known is not None
            assert known.on("UNPARK")
            await rig.ask("Rig Dust Cap", "CAP_PARK", {"PARK": True, "UNPARK": False})
            assert rig.world.cap.is_closed(rig.clock.unix_s())
            rig.link.set("Rig Dust Cap", "CAP_PARK", {"PARK": False, "UNPARK": True})
            await asyncio.sleep(2.0)
            await rig.ask("Rig Dust Cap", "CAP_ABORT", {"ABORT": True})
            stopped = rig.link.get("Rig Dust Cap", "CAP_PARK")
            assert stopped is not None
            assert stopped.state == "Alert"
            assert not any(stopped.elements.values())

    run_virtual(night())


def test_the_light_panel_answers_a_wrong_level_with_alert_and_then_ok_at_the_old_one() -> None:
    async def night() -> None:
        panel, level = "Rig Light Panel", "FLAT_LIGHT_INTENSITY"
        async with bench(panel) as rig:
            on = {"FLAT_LIGHT_ON": True, "FLAT_LIGHT_OFF": False}
            await rig.ask(panel, "FLAT_LIGHT_CONTROL", on)
            await rig.ask(panel, level, {"FLAT_LIGHT_INTENSITY_VALUE": 51.0})
            assert rig.world.panel.output(rig.clock.unix_s()) == pytest.approx(0.2)
            with rig.story(panel, level) as told:
                await rig.ask(panel, level, {"FLAT_LIGHT_INTENSITY_VALUE": 300.0})
            assert told == [(level, "Alert", (51.0,)), (level, "Ok", (51.0,))]

    run_virtual(night())


def test_a_one_of_many_request_without_a_choice_is_refused() -> None:
    async def night() -> None:
        async with bench(ROOF) as rig:
            await rig.ask(ROOF, "DOME_PARK", {"PARK": False, "UNPARK": False}, end="Alert")
            assert rig.world.roof.is_closed(rig.clock.unix_s())

    run_virtual(night())
