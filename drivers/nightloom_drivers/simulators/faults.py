"""What goes wrong with a rig by itself, done to the simulated one on purpose.

Each of these leaves a way to parked and closed, or to a person being called, and none of them may
leave an open roof in the rain that could have been closed:

    dead            a driver is gone for good: the hardware stays as it is, and every device but
                    mount and roof can be done without; without those a person is called
    deaf            a driver takes requests and answers none: every wait has a deadline
    refuses         a driver answers Alert to one property: what needs it is left out or called for
    ignores         a driver answers Busy for ever, or Ok, and does nothing
    lacks, narrow   a driver has not the property, or not the range, that is asked: what can never
                    succeed is asked once
    reborn          a driver starts again, disconnected and with default settings: it is connected
                    and told again; a roof that says closed without knowing is told to close
    server_gone     all of that at once, for a time: there is nothing to do but to come back
    hung            a driver is deaf until the power of its device was cut
    late            a driver begins what it is asked so long after: each wait has its deadline
    not_a_number    a driver reports NaN for numbers, in good state: the last real one stands, and
                    what a number was to show is waited for
    says_parked     a mount says that it is parked while it tracks: parked is parked and at rest,
                    and it parks when it is told again
    park_sticks     parking never ends, or ends in Alert: it is tried anew
    cap_sticks      a dust cap stops half way and says nothing: the roof closes over it
    roof_sticks     a roof stops on its way: it is tried again, and a person is called
    station_silent, station_gone    silence is unsafe weather
    station_frozen  a station repeats old values in good state: real air is never that steady
    camera_exposing a camera is found exposing: the exposure is nobody's, and is aborted
    never_ends      an exposure whose frame never comes: its wait has a deadline
    frame_lost      an exposure ends well and its frame is never sent: its wait has a deadline
    misdated        a header gives another start or length: what may be one's own is kept, and dated
                    by one's own clock; the rest is nobody's
    covered         something hides the sky from a camera: frames come, without a star
    rain, cloud     the weather turns at an exact moment
    cooler_weak     the set point is out of reach: dark frames can be taken at what is reached

One fault at a time a device: a new one takes the place of the one before, and `heal` ends it.

Long on purpose: the list of faults above and one short method for each.
"""

import asyncio
import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from nightloom_drivers.clock import Clock
from nightloom_drivers.link import (
    Defined,
    Event,
    LoopbackLink,
    Received,
    State,
    Updated,
    Value,
)
from nightloom_drivers.physics.enclosure import Cover
from nightloom_drivers.physics.world import World
from nightloom_drivers.simulators.camera import CameraSimulator
from nightloom_drivers.simulators.fits import told_otherwise
from nightloom_drivers.simulators.rig import (
    CAMERA,
    DEVICES,
    DUST_CAP,
    GUIDE_CAMERA,
    MOUNT,
    ROOF,
    STATION,
    fresh_simulators,
)
from nightloom_drivers.simulators.simulator import Hears, Says, Simulator, everything, unchanged

POLLED = frozenset(
    {
        "ABS_FOCUS_POSITION",
        "CCD_TEMPERATURE",
        "EQUATORIAL_EOD_COORD",
        "FILTER_SLOT",
        "FOCUS_TEMPERATURE",
    }
)
"""Numbers that drivers read from their hardware again and again."""

CONNECT: Mapping[str, Value] = {"CONNECT": True, "DISCONNECT": False}
PARKED: Mapping[str, Value] = {"PARK": True, "UNPARK": False}
UNPARKED: Mapping[str, Value] = {"PARK": False, "UNPARK": True}
CLOSED: Mapping[str, Mapping[str, Value]] = {
    "DOME_SHUTTER": {"SHUTTER_OPEN": False, "SHUTTER_CLOSE": True},
    "DOME_PARK": PARKED,
}


class Faults:
    """Faults of one simulated rig; `simulators` is its own list, which follows the restarts.

    Call it while the clock's loop runs. Times are seconds from the call.
    """

    def __init__(
        self, link: LoopbackLink, simulators: list[Simulator], world: World, clock: Clock
    ) -> None:
        self._link, self._simulators, self._world, self._clock = link, simulators, world, clock
        self._dead: set[str] = set()
        self.served = True
        """Whether there is a server that answers."""

    def simulator(self, device: str) -> Simulator:
        """The device's driver, the last one when it was started again."""
        return self._simulators[DEVICES.index(device)]

    def heal(self, device: str) -> None:
        """End the device's fault: a dead driver starts, a jammed cover moves when it is told."""
        if device in self._dead:
            self.revive(device)
        self._afflict(device)
        self._poll(device)
        simulator = self.simulator(device)
        if device in (MOUNT, DUST_CAP) and not simulator.active:  # it may read Busy for ever
            name = "CAP_PARK" if device == DUST_CAP else "TELESCOPE_PARK"
            simulator.connect()
            simulator.publish(name)
        if device in (CAMERA, GUIDE_CAMERA):
            self._camera(device).covered = False
        if device == CAMERA:
            self.cooler_weak(self._world.settings.cooler.limit_c)

    # Drivers and their server -----------------------------------------------------------------

    def dead(self, device: str) -> None:
        """The driver is gone until `revive`; the hardware goes on as it was last told."""
        if device not in self._dead:
            self._dead.add(device)
            self._link.remove(device)

    def revive(self, device: str) -> None:
        """Start a dead driver, disconnected and with default settings."""
        self._dead.discard(device)
        self._link.replace(self._fresh(device))

    def deaf(self, device: str) -> None:
        """The driver goes on reporting and answers no request."""
        self._afflict(device, hears=lambda _, __: False)

    def refuses(self, device: str, name: str, times: float = math.inf) -> None:
        """The driver answers so many requests to one property with Alert, and does nothing."""
        self.ignores(device, name, State.ALERT, times)

    def ignores(self, device: str, name: str, state: State, times: float = math.inf) -> None:
        """The driver answers so many requests to one property with a state, and does nothing.

        A name that ends in `*` stands for all that begin so.
        """
        simulator, left = self.simulator(device), times

        def hears(asked: str, _: Mapping[str, Value]) -> bool:
            nonlocal left
            meant = asked.startswith(name[:-1]) if name.endswith("*") else asked == name
            if not meant or left <= 0:
                return True
            left -= 1
            simulator.publish(asked, state)
            return False

        self._afflict(device, hears=hears)

    def lacks(self, device: str, name: str) -> None:
        """The driver does not define a property."""
        self._afflict(device, says=lambda event: None if _of(event) == name else event)

    def narrow(self, device: str, name: str, element: str, limits: tuple[float, float]) -> None:
        """The driver takes an element's values between these limits only.

        It says so when it is connected next.
        """
        self.simulator(device).properties[name].limits[element] = limits

    def reborn(self, device: str, *, says_closed: bool = False) -> None:
        """The driver starts again; a roof that `says_closed` does so, wherever it is, until told.

        INDI's own dome simulator reads closed and Ok at connecting without knowing.
        """
        self._link.replace(self._fresh(device))
        if says_closed:
            self._lie(ROOF, CLOSED)

    async def server_gone(self, for_s: float, *, reborn: bool = True) -> None:
        """The server is gone for a time, and its drivers with it unless they are not `reborn`."""
        self.served = False
        self._link.disconnect("the server is gone")
        alive = [device for device in DEVICES if device not in self._dead]
        if reborn:
            for device in alive:
                self._link.remove(device)
        await asyncio.sleep(for_s)
        if reborn:
            for device in alive:
                self._link.replace(self._fresh(device))
        self.served = True
        self._link.reconnect()

    def not_a_number(self, device: str) -> None:
        """The driver reports NaN for whatever it reads from its hardware again and again."""

        def says(event: Event) -> Event:
            if not isinstance(event, Updated) or event.vector.name not in POLLED:
                return event
            numbers = dict.fromkeys(event.vector.elements, math.nan)
            return Updated(replace(event.vector, elements=dict(numbers)))

        self._afflict(device, says=says)
        self._poll(device)

    def _poll(self, device: str) -> None:
        """Have the driver report what drivers read from their hardware again and again."""
        simulator = self.simulator(device)
        for name in POLLED & simulator.properties.keys():
            simulator.publish(name)

    # Mount ------------------------------------------------------------------------------------

    def says_parked(self, *, refuses_first: bool = False) -> None:
        """The mount's driver says that it is parked, until it is told to park or unpark.

        With `refuses_first` the first request to park is answered with Alert.
        """
        self._lie(MOUNT, {"TELESCOPE_PARK": PARKED})
        if refuses_first:
            self._refuse_parking(1, State.ALERT)
        self.simulator(MOUNT).publish("TELESCOPE_PARK")

    def park_sticks(self, times: float = math.inf, *, alert: bool = False) -> None:
        """So many requests to park come to nothing: Busy without an end, or Alert at once.

        As in libindi's mounts, an abort or another request ends the Busy with Alert.
        """
        self._refuse_parking(times, State.ALERT if alert else State.BUSY)

    def _refuse_parking(self, times: float, state: State) -> None:
        mount, left, waits = self.simulator(MOUNT), times, False
        honest = mount.hears

        def hears(name: str, values: Mapping[str, Value]) -> bool:
            nonlocal left, waits
            if name == "CONNECTION":
                waits = False
            elif waits and name in ("TELESCOPE_PARK", "TELESCOPE_ABORT_MOTION"):
                waits = False
                mount.publish("TELESCOPE_PARK", State.ALERT, **UNPARKED)
                return name != "TELESCOPE_PARK"
            elif name == "TELESCOPE_PARK" and values.get("PARK") is True and left > 0:
                left -= 1
                waits = state is State.BUSY
                honest(name, values)
                mount.publish("TELESCOPE_PARK", state, **(PARKED if waits else UNPARKED))
                return False
            return honest(name, values)

        mount.hears = hears

    # Roof and cap -----------------------------------------------------------------------------

    def roof_sticks(self, at: float = 0.5) -> None:
        """The roof stops where it passes `at` (0 closed to 1 open), with Alert, each time."""

        def stopped() -> None:
            roof = self.simulator(ROOF)
            roof.publish("DOME_PARK", State.ALERT, PARK=False, UNPARK=False)
            roof.publish("DOME_SHUTTER", State.ALERT)

        travel_s = self._world.settings.enclosure.roof_travel_s
        self._jam(ROOF, self._world.roof, at, travel_s, stopped)

    def cap_sticks(self, at: float = 0.5) -> None:
        """The dust cap stops where it passes `at`, and reads Busy without an end."""
        travel_s = self._world.settings.enclosure.cap_travel_s
        self._jam(DUST_CAP, self._world.cap, at, travel_s, lambda: None)

    def _jam(
        self, device: str, cover: Cover, at: float, travel_s: float, stopped: Callable[[], None]
    ) -> None:
        """Stop the cover where it passes `at` after any request."""
        simulator = self.simulator(device)

        async def stop(opening: bool) -> None:
            start, end = cover.position(self._clock.unix_s()), 1.0 if opening else 0.0
            if not min(start, end) <= at <= max(start, end):
                return
            await asyncio.sleep(abs(start - at) * travel_s)
            if simulator.active and simulator.hears is hears:
                cover.abort(self._clock.unix_s())
                simulator.halt()
                stopped()

        def hears(name: str, values: Mapping[str, Value]) -> bool:
            if name in ("DOME_SHUTTER", "DOME_PARK", "CAP_PARK"):
                opening = values.get("SHUTTER_OPEN") is True or values.get("UNPARK") is True
                simulator.begin(stop(opening))
            return True

        self._afflict(device, hears=hears)

    # Weather ----------------------------------------------------------------------------------

    def station_gone(self) -> None:
        """The station's driver is gone."""
        self.dead(STATION)

    def station_silent(self) -> None:
        """The station says nothing more, whatever it is asked."""
        self._afflict(STATION, says=lambda event: None if isinstance(event, Updated) else event)

    def station_frozen(self) -> None:
        """The station goes on reporting what it measured last, in good state."""
        station = self.simulator(STATION)
        old = {
            name: dict(station.properties[name].elements)
            for name in ("WEATHER_PARAMETERS", "WEATHER_STATUS")
        }
        self._afflict(STATION, says=lambda event: _instead(event, old))

    def rain(self, in_s: float = 0.0, for_s: float = 3600.0, rate_mm_per_h: float = 5.0) -> float:
        """It rains; returns the Unix time of the first drop."""
        from_s = self._clock.unix_s() + in_s
        self._world.weather.add_rain(from_s, for_s, rate_mm_per_h)
        return from_s

    def cloud(self, in_s: float = 0.0, for_s: float = 1800.0, depth_mag: float = 8.0) -> None:
        """An even bank of cloud passes; it takes six minutes to come and to go."""
        self._world.clouds.add_bank(self._clock.unix_s() + in_s, for_s, depth_mag)

    # Cameras ----------------------------------------------------------------------------------

    def camera_exposing(self, exposure_s: float = 600.0, device: str = CAMERA) -> None:
        """Somebody else has switched the camera on and begun an exposure."""
        camera = self.simulator(device)
        camera.receive("CONNECTION", CONNECT)
        camera.receive("CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": exposure_s})

    def never_ends(self, times: float = 1, device: str = CAMERA) -> None:
        """So many exposures stay Busy at the end of their time, and bring no frame."""
        camera, left = self.simulator(device), times

        def count(left_s: float) -> None:
            camera.publish("CCD_EXPOSURE", State.BUSY, CCD_EXPOSURE_VALUE=left_s)

        async def hang(exposure_s: float) -> None:
            count(exposure_s)
            await camera.last(exposure_s, count)
            count(0.0)
            await asyncio.get_running_loop().create_future()

        def hears(name: str, values: Mapping[str, Value]) -> bool:
            nonlocal left
            hangs = name == "CCD_EXPOSURE" and left > 0
            if hangs:
                left -= 1
                camera.act(hang(float(values["CCD_EXPOSURE_VALUE"])))
            return not hangs

        self._afflict(device, hears=hears)

    def frame_lost(self, times: float = 1, device: str = CAMERA) -> None:
        """So many frames are not sent; their exposures end in good state."""
        left = times

        def says(event: Event) -> Event | None:
            nonlocal left
            lost = isinstance(event, Received) and left > 0
            if lost:
                left -= 1
            return None if lost else event

        self._afflict(device, says=says)

    def misdated(
        self,
        times: float = 1,
        device: str = CAMERA,
        *,
        later_s: float = 0.0,
        exposure_s: float | None = None,
    ) -> None:
        """The headers of so many frames give a later start, or another exposure."""
        left = times

        def says(event: Event) -> Event:
            nonlocal left
            if not isinstance(event, Received) or left <= 0:
                return event
            left -= 1
            data = told_otherwise(bytes(event.blob.data), later_s, exposure_s)
            return Received(replace(event.blob, data=data))

        self._afflict(device, says=says)

    def covered(self, device: str = CAMERA) -> None:
        """No light reaches the camera, until `heal`."""
        self._camera(device).covered = True

    def _camera(self, device: str) -> CameraSimulator:
        camera = self.simulator(device)
        if not isinstance(camera, CameraSimulator):
            raise TypeError(f"{device} is no camera")
        return camera

    def cooler_weak(self, limit_c: float) -> None:
        """The cooler reaches no further than this below the air."""
        self._world.cooler.limit_c = limit_c

    # Any of them ------------------------------------------------------------------------------

    def hung(self, device: str) -> None:
        """The driver answers nothing until the power of its device was cut."""
        outlets = self._world.outlets
        cuts = outlets.cuts(device)
        self._afflict(device, hears=lambda _, __: outlets.cuts(device) > cuts)

    def late(self, device: str, name: str, by_s: float) -> None:
        """The driver begins what is asked of one property so many seconds after."""
        simulator = self.simulator(device)

        async def begin(values: Mapping[str, Value]) -> None:
            await asyncio.sleep(by_s)
            if simulator.hears is hears:
                simulator.hears = everything
                simulator.receive(name, values)
                simulator.hears = hears

        def hears(asked: str, values: Mapping[str, Value]) -> bool:
            if asked == name:
                simulator.begin(begin(values))
            return asked != name

        self._afflict(device, hears=hears)

    # How --------------------------------------------------------------------------------------

    def _fresh(self, device: str) -> Simulator:
        index = DEVICES.index(device)
        self._simulators[index] = fresh_simulators(self._world, self._clock)[index]
        return self._simulators[index]

    def _afflict(self, device: str, hears: Hears = everything, says: Says = unchanged) -> None:
        simulator = self.simulator(device)
        simulator.hears, simulator.says = hears, says

    def _lie(self, device: str, lies: Mapping[str, Mapping[str, Value]]) -> None:
        """Say these values in good state, until one of these properties is asked for."""
        simulator = self.simulator(device)

        def hears(name: str, _: Mapping[str, Value]) -> bool:
            if name in lies:
                simulator.says = unchanged
            return True

        self._afflict(device, hears, lambda event: _instead(event, lies))


def _of(event: Event) -> str:
    """The name of the property that an event tells of; empty for none."""
    return event.vector.name if isinstance(event, (Defined, Updated)) else ""


def _instead(event: Event, values: Mapping[str, Mapping[str, Value]]) -> Event:
    """The event with other values, in good state, where these hold the vector's name."""
    if isinstance(event, (Defined, Updated)) and event.vector.name in values:
        told = replace(event.vector, state=State.OK, elements=dict(values[event.vector.name]))
        return replace(event, vector=told)
    return event
