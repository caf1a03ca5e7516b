"""A German equatorial mount."""

import asyncio
import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import State, Value
from nightloom_drivers.physics.mount import Mount
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.mount_properties import (
    GUIDES,
    guiding,
    motion,
    place,
    pointing,
)
from nightloom_drivers.simulators.simulator import Simulator

SLOW_POLL_S = 5.0
"""How often a mount that is not slewing looks at itself: sky drift and limits are slow."""

REPORTED_DEG = 0.1 / 3600
"""A smaller change of place is not reported, as in libindi's mounts."""


class MountSimulator(Simulator):
    """A mount whose EQUATORIAL_EOD_COORD is Busy slewing, Ok tracking, and Idle otherwise."""

    interface = 1 | 4

    def __init__(self, device: str, mount: Mount, clock: Clock, settings: RigSettings) -> None:
        super().__init__(device)
        self._mount, self._clock = mount, clock
        self._parking = False
        self._tracked_before = False
        self._pulses: dict[str, asyncio.Task[None]] = {}
        self.add(*pointing(), *motion(), *guiding(settings), *place(settings))

    def connect(self) -> None:
        """Read the mount, so that the definitions hold what is."""
        now_s = self._clock.unix_s()
        parked = self._mount.is_parked(now_s)
        self.publish("TELESCOPE_PARK", State.OK if parked else State.IDLE, **_parked(parked))
        utc = datetime.fromtimestamp(now_s, UTC).strftime("%Y-%m-%dT%H:%M:%S")
        self.publish("TIME_UTC", State.OK, UTC=utc)
        self._report()

    # Going somewhere --------------------------------------------------------------------------

    def on_equatorial_eod_coord(self, values: Mapping[str, Value]) -> None:
        """Go or synchronise, as ON_COORD_SET says; half a place or none at all gets no answer."""
        ra_h, dec_deg = float(values.get("RA", math.nan)), float(values.get("DEC", math.nan))
        if not (0.0 <= ra_h <= 24.0 and -90.0 <= dec_deg <= 90.0):
            return
        if self._mount.is_parked(self._clock.unix_s()) or self._parking:
            self.publish("EQUATORIAL_EOD_COORD", State.IDLE)
            self.say("The mount must be unparked before it moves or synchronises", "WARNING")
        elif self.choice("ON_COORD_SET") == "SYNC":
            self._mount.sync(self._clock.unix_s(), ra_h, dec_deg)
            self.say("Synchronised")
            self._report(always=True)
        else:
            self._slew(ra_h, dec_deg)

    def on_telescope_park(self, values: Mapping[str, Value]) -> None:
        """Park or unpark. Any request while parking aborts it, as in libindi's mounts."""
        wanted, now_s = values.get("PARK") is True, self._clock.unix_s()
        if self._parking:
            self._stop()
        elif wanted == self._mount.is_parked(now_s):
            self.publish("TELESCOPE_PARK", State.IDLE, **_parked(wanted))
        elif wanted:
            self._parking = True
            duration_s = self._mount.park(now_s)
            self.publish("TELESCOPE_PARK", State.BUSY, **_parked(True))
            self.say("Parking")
            self._go(duration_s, track_afterwards=False)
        else:
            self._mount.unpark(now_s)
            self.publish("TELESCOPE_PARK", State.OK, **_parked(False))
            self.say("Unparked")
            self._report()

    def on_telescope_track_state(self, values: Mapping[str, Value]) -> None:
        """Track or stand still; a parked mount only warns."""
        on, now_s = values.get("TRACK_ON") is True, self._clock.unix_s()
        if on and (self._mount.is_parked(now_s) or self._parking):
            self.say("The mount must be unparked before it tracks", "WARNING")
            return
        self._mount.set_tracking(now_s, on)
        self._report(always=True)

    def on_telescope_abort_motion(self, _: Mapping[str, Value]) -> None:
        self._stop()
        self.publish("TELESCOPE_ABORT_MOTION", State.OK, ABORT=False)

    def _slew(self, ra_h: float, dec_deg: float) -> None:
        now_s = self._clock.unix_s()
        if not self._mount.is_slewing(now_s):
            self._tracked_before = self._mount.is_tracking(now_s)
        tracks = self._tracked_before or self.choice("ON_COORD_SET") == "TRACK"
        duration_s = self._mount.begin_slew(now_s, ra_h, dec_deg)
        self.publish("TARGET_EOD_COORD", State.OK, RA=ra_h, DEC=dec_deg)
        self.say(f"Slewing to RA {ra_h:.5f} h, DEC {dec_deg:+.5f} deg")
        self._go(duration_s, track_afterwards=tracks)

    def _go(self, duration_s: float, track_afterwards: bool) -> None:
        self._end_pulses()
        self.act(self._travel(duration_s, track_afterwards))
        self._report(always=True)

    async def _travel(self, duration_s: float, track_afterwards: bool) -> None:
        await self.last(duration_s, lambda _: self._report())
        if self._parking:
            self._parking = False
            self.publish("TELESCOPE_PARK", State.OK, **_parked(True))
            self.say("Parked")
        elif not track_afterwards:
            self._mount.set_tracking(self._clock.unix_s(), False)
        self._report()

    def _stop(self) -> None:
        """Abort what moves; tracking goes on when the mount tracked before a slew."""
        now_s = self._clock.unix_s()
        slewing = self._mount.is_slewing(now_s)
        resume = self._tracked_before if slewing else self._mount.is_tracking(now_s)
        self.halt()
        self._end_pulses()
        if slewing:
            self._mount.abort(now_s)
            self.publish("EQUATORIAL_EOD_COORD", State.IDLE)
            self.say("Motion aborted", "WARNING")
        if self._parking:
            self._parking = False
            self.publish("TELESCOPE_PARK", State.ALERT, PARK=False, UNPARK=False)
        elif slewing and resume:
            self._mount.set_tracking(now_s, True)
        self._report()

    # Guiding ----------------------------------------------------------------------------------

    def on_telescope_timed_guide_ns(self, values: Mapping[str, Value]) -> None:
        self._pulse("TELESCOPE_TIMED_GUIDE_NS", values)

    def on_telescope_timed_guide_we(self, values: Mapping[str, Value]) -> None:
        self._pulse("TELESCOPE_TIMED_GUIDE_WE", values)

    def _pulse(self, name: str, values: Mapping[str, Value]) -> None:
        """Busy, and Idle with zeros at the end; a new pulse on the axis replaces the old one."""
        asked = {**self.properties[name].elements, **values}
        way = next(((key, where) for key, where in GUIDES[name] if float(asked[key]) > 0), None)
        if way is None:
            return
        now_s = self._clock.unix_s()
        if self._mount.is_slewing(now_s) or self._mount.is_parked(now_s):
            self.publish(name, State.ALERT)
            return
        key, direction = way
        duration_ms = float(asked[key])
        if name in self._pulses:
            self._pulses[name].cancel()
        self._mount.pulse(now_s, direction, duration_ms)
        self.publish(name, State.BUSY, **asked)
        self._pulses[name] = self.begin(self._end_pulse(name, duration_ms / 1000.0))

    async def _end_pulse(self, name: str, duration_s: float) -> None:
        await self.last(duration_s)
        self.publish(name, State.IDLE, **{key: 0.0 for key, _ in GUIDES[name]})

    def _end_pulses(self) -> None:
        for name, task in self._pulses.items():
            if not task.done():
                task.cancel()
                self.publish(name, State.IDLE, **{key: 0.0 for key, _ in GUIDES[name]})

    # Place and time ---------------------------------------------------------------------------

    def on_geographic_coord(self, values: Mapping[str, Value]) -> None:
        """Where the mount stands; (0, 0) is nowhere, and is left unsaid."""
        complete = set(values) == {"LAT", "LONG", "ELEV"}
        if not complete or (values["LAT"] == 0.0 and values["LONG"] == 0.0):
            self.publish("GEOGRAPHIC_COORD", State.IDLE)
        else:
            self.publish("GEOGRAPHIC_COORD", State.OK, **values)

    def on_time_utc(self, values: Mapping[str, Value]) -> None:
        """Take the time, if it is one."""
        try:
            datetime.fromisoformat(str(values.get("UTC", "")))
            timedelta(hours=float(values.get("OFFSET", "")))
        except ValueError:
            self.publish("TIME_UTC", State.ALERT)
        else:
            self.publish("TIME_UTC", State.OK, **values)

    # Reporting --------------------------------------------------------------------------------

    async def live(self) -> None:
        """Tell of drift and limits while nothing else does."""
        while True:
            await asyncio.sleep(SLOW_POLL_S)
            if not self.active:
                self._report()

    def _report(self, always: bool = False) -> None:
        """Publish what has changed: tracking, side of the pier, place."""
        now_s = self._clock.unix_s()
        slewing, tracking = self._mount.is_slewing(now_s), self._mount.is_tracking(now_s)
        if always or tracking != self.properties["TELESCOPE_TRACK_STATE"].elements["TRACK_ON"]:
            self.publish(
                "TELESCOPE_TRACK_STATE",
                State.BUSY if tracking else State.IDLE,
                TRACK_ON=tracking,
                TRACK_OFF=not tracking,
            )
        side = "PIER_WEST" if self._mount.pier_side(now_s) == "west" else "PIER_EAST"
        if side != self.choice("TELESCOPE_PIER_SIDE"):
            sides = dict.fromkeys(("PIER_WEST", "PIER_EAST"), False)
            self.publish("TELESCOPE_PIER_SIDE", State.OK, **{**sides, side: True})
        state = State.BUSY if slewing else State.OK if tracking else State.IDLE
        self._report_place(now_s, state, always)

    def _report_place(self, now_s: float, state: State, always: bool) -> None:
        held = self.properties["EQUATORIAL_EOD_COORD"]
        ra_h, dec_deg = self._mount.reported(now_s)
        moved_deg = max(
            abs(15.0 * (ra_h - float(held.elements["RA"]))),
            abs(dec_deg - float(held.elements["DEC"])),
        )
        if always or moved_deg > REPORTED_DEG or state is not held.state:
            self.publish("EQUATORIAL_EOD_COORD", state, RA=ra_h, DEC=dec_deg)


def _parked(parked: bool) -> dict[str, Value]:
    return {"PARK": parked, "UNPARK": not parked}
