"""The power switch: what is named, nothing else, and never left off."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from nightloom.rig import Rig, assemble, simulated_rig, simulated_settings
from nightloom.settings import Observatory, demo_folder, read_settings
from nightloom.settings.observatory import Outlet as OutletSection
from nightloom.settings.observatory import PowerSwitch as PowerSection
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import PowerSwitch
from nightloom_drivers.errors import DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.link import State
from nightloom_drivers.physics.world import World
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import CAMERA, FOCUSER, MOUNT, POWER_SWITCH, outlet_of
from nightloom_drivers.simulators.simulator import Asked
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = 1_794_000_000.0


class Bench:
    """The demo's rig with its power switch, and what the box was asked."""

    def __init__(self, rig: Rig, power: PowerSwitch, faults: Faults, world: World) -> None:
        self.rig, self.power, self.faults, self.world = rig, power, faults, world
        self.link = rig.link
        self.asked: list[dict[str, object]] = []


def at_the_rig(
    story: Callable[[Bench], Awaitable[None]], *, named: tuple[str, ...] = ("camera", "focuser")
) -> None:
    """Tell a story of a rig whose box has these outlets named."""

    async def run() -> None:
        settings, simulated = simulated_settings(read_settings(demo_folder()))
        clock = LoopClock(EVENING_S)
        built = simulated_rig(simulated, clock, 7)
        observatory = settings.observatory.model_copy(update={"power": powers(*named)})
        async with built.link:
            rig = assemble(built.link, observatory, clock)
            assert rig.power is not None
            faults = Faults(built.link, built.simulators, built.world, clock)
            bench = Bench(rig, rig.power, faults, built.world)

            def hear(event: object) -> None:
                if isinstance(event, Asked) and event.name == "POWER_CHANNELS":
                    bench.asked.append(dict(event.values))

            built.simulator(POWER_SWITCH).watch(hear)
            await story(bench)

    run_virtual(run())


def powers(*roles: str) -> PowerSection:
    """A section that names the simulated outlets of these roles."""
    devices = {"camera": CAMERA, "focuser": FOCUSER, "mount": MOUNT}
    outlets = {
        role: OutletSection(vector=vector, element=element)
        for role in roles
        for vector, element in [outlet_of(devices[role])]
    }
    return PowerSection.model_validate({"device": POWER_SWITCH, "outlets": outlets})


def test_a_camera_that_hangs_comes_back_after_its_power_was_cut() -> None:
    async def story(bench: Bench) -> None:
        await bench.rig.connect(30.0)
        assert not bench.power.is_ready, "a night does without it"
        bench.faults.hung(CAMERA)
        camera = bench.rig.camera
        with pytest.raises(DeviceLate):
            await camera.put("CCD_BINNING", {"HOR_BIN": 2.0, "VER_BIN": 2.0})
        before_s = asyncio.get_running_loop().time()
        await bench.power.cycle("camera")
        took_s = asyncio.get_running_loop().time() - before_s
        assert 10.0 <= took_s < 30.0
        assert bench.world.outlets.cuts(CAMERA) == 1
        assert bench.power.is_on("camera")
        assert not camera.is_ready, "what was known of it is known no more"
        await camera.connect()
        await camera.put("CCD_BINNING", {"HOR_BIN": 2.0, "VER_BIN": 2.0})
        element = outlet_of(CAMERA)[1]
        assert bench.asked == [{element: False}, {element: True}], "and no other outlet"

    at_the_rig(story)


@pytest.mark.parametrize("role", ["mount", "roof", "weather", "wheel"])
def test_what_is_not_named_is_never_switched(role: str) -> None:
    async def story(bench: Bench) -> None:
        with pytest.raises(DeviceRefused, match=r"outlets are named for camera, focuser"):
            await bench.power.cycle(role)
        assert bench.asked == []

    at_the_rig(story)


def test_a_mount_that_is_named_is_not_switched_while_it_moves() -> None:
    async def story(bench: Bench) -> None:
        await bench.link.wait(MOUNT, "CONNECTION", lambda _: True, timeout_s=5)
        bench.link.keep_on(MOUNT)
        await bench.link.wait(MOUNT, "TELESCOPE_PARK", lambda _: True, timeout_s=5)
        mount = bench.faults.simulator(MOUNT)
        mount.publish("EQUATORIAL_EOD_COORD", State.BUSY)
        await asyncio.sleep(0.1)
        with pytest.raises(DeviceRefused, match="it moves"):
            await bench.power.cycle("mount")
        assert bench.asked == []
        mount.publish("EQUATORIAL_EOD_COORD", State.IDLE)
        await asyncio.sleep(0.1)
        await bench.power.cycle("mount")
        assert bench.world.outlets.cuts(MOUNT) == 1

    at_the_rig(story, named=("mount",))


def test_a_cycle_that_is_cancelled_gives_the_power_back() -> None:
    async def story(bench: Bench) -> None:
        await bench.rig.connect(30.0)
        cycling = asyncio.create_task(bench.power.cycle("camera"))
        await asyncio.sleep(5.0)
        assert not bench.world.outlets.is_on(CAMERA)
        cycling.cancel()
        with pytest.raises(asyncio.CancelledError):
            await cycling
        assert bench.world.outlets.is_on(CAMERA)

    at_the_rig(story)


def test_a_device_that_does_not_come_back_is_told_within_the_time_for_it() -> None:
    async def story(bench: Bench) -> None:
        await bench.rig.connect(30.0)
        bench.faults.dead(CAMERA)
        before_s = asyncio.get_running_loop().time()
        with pytest.raises(DeviceGone):
            await bench.power.cycle("camera")
        assert asyncio.get_running_loop().time() - before_s < 10.0 + 120.0 + 60.0
        assert bench.world.outlets.is_on(CAMERA)

    at_the_rig(story)


def test_a_box_with_switches_for_on_and_off_is_told_both() -> None:
    """Vectors of ON and OFF: libindi 2.1's DIGITAL_OUTPUT_n."""
    from devices.misbehaving import CLOCK, Scripted, switches, tell
    from nightloom_drivers.devices import Outlet, PowerSwitchSettings
    from nightloom_drivers.link import Link

    device = Scripted(switches("DIGITAL_OUTPUT_1", "ON", "OFF", on="ON"))

    async def story(link: Link) -> None:
        outlet = Outlet("Odd", "DIGITAL_OUTPUT_1", "ON", "OFF")
        power = PowerSwitch(link, "Odd", PowerSwitchSettings({"camera": outlet}), CLOCK)
        await power.connect()
        await power._switch(outlet, on=False)
        assert device.requests("DIGITAL_OUTPUT_1") == [{"ON": False, "OFF": True}]
        assert not power.is_on("camera")

    tell(device, story)


def test_an_outlet_of_the_mount_feeds_nothing_else() -> None:
    shared = OutletSection(vector="POWER_CHANNELS", element="CHANNEL_1")
    with pytest.raises(ValueError, match="must have an outlet for the mount that feeds no camera"):
        PowerSection.model_validate(
            {"device": "Box", "outlets": {"mount": shared, "camera": shared}}
        )


def test_an_observatory_has_none_unless_it_says_so() -> None:
    assert Observatory.model_fields["power"].default is None
