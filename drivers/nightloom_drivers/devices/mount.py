"""The mount: slewing, tracking and parking, each believed only from what it reads back.

A mount moves a heavy telescope with nobody there. Nothing here knows where the Sun, the roof or
a cable is: the caller's guard must have allowed every slew. Keep hardware limits and a way to cut
the power, and never point an unfiltered telescope towards the Sun.

Parked means parked and not tracking, and seen to come about in the present life of its driver: one
that was not is told again, whatever it says.

Long on purpose: every half truth of a mount's driver is met here, and nowhere else.
"""

import asyncio
import math
from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.coordinates import Position
from nightloom_drivers.devices.device import ANSWER_S, described, one_of
from nightloom_drivers.devices.pier_side import PierSide
from nightloom_drivers.devices.placing import PlacedDevice
from nightloom_drivers.errors import DeviceContradicts, DeviceLate
from nightloom_drivers.link import Link, State, Vector

COORDINATES, TRACKING, PARKING = (
    "EQUATORIAL_EOD_COORD",
    "TELESCOPE_TRACK_STATE",
    "TELESCOPE_PARK",
)

LATE_VALUE_S = 3.0
"""Time given to a position, or to tracking, that follows the end of a slew."""

STILL_S, STILL_DEG = 30.0, 0.3
"""A mount that says it parks and goes no further in this time does not park: the sky itself turns
by 0.13°."""

EXACT_DEG = 30 / 3600
"""What a mount may differ from a place it has just been told: the sky turns by 15″ a second."""


@dataclass(frozen=True)
class MountSettings:
    """`pier_side_inverted` is for the few drivers that report the opposite side."""

    slew_deadline_s: float = 240.0
    park_deadline_s: float = 240.0
    arrival_tolerance_deg: float = 0.1
    pier_side_inverted: bool = False


class Mount(PlacedDevice):
    """An equatorial mount. All coordinates are of date (apparent place, `TETE` in astropy)."""

    needed = (COORDINATES, "ON_COORD_SET")

    def __init__(self, link: Link, device: str, settings: MountSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self._parked_life: int | None = None
        self._last: tuple[int, Position | None] = (0, None)

    # What it reads ----------------------------------------------------------------------------

    @property
    def position(self) -> Position:
        """Where it points, as last heard; silent drivers send it on change only.

        A report that is no number leaves the last one of this life of the driver. Raises
        DeviceGone, and DeviceContradicts when there was none.
        """
        vector = self.need(COORDINATES)
        if self.knows_position:
            self._last = self.life, _position(vector)
        life, last = self._last
        if last is None or life != self.life:
            raise DeviceContradicts(
                self.device, COORDINATES, asked="a position", seen=f"it reads {described(vector)}"
            )
        return last

    @property
    def knows_position(self) -> bool:
        """Whether its last report of where it points is one."""
        here = _position(self.need(COORDINATES))
        return math.isfinite(here.ra_hours) and math.isfinite(here.dec_deg)

    @property
    def is_moving(self) -> bool:
        """Whether it slews or parks."""
        return self.need(COORDINATES).state is State.BUSY

    @property
    def is_tracking(self) -> bool:
        """Whether it follows the sky; drivers without the vector do so when they read Ok."""
        vector = self.get(TRACKING)
        if vector is None:
            return self.need(COORDINATES).state is State.OK
        return vector.on("TRACK_ON")

    @property
    def is_parked(self) -> bool:
        """Whether it says that it is parked, is not on the way, and does not track."""
        vector = self.get(PARKING)
        return vector is not None and _parked(vector) and not self._says_tracking

    @property
    def seen_parked(self) -> bool:
        """Whether it is parked, and was seen to park in this life of its driver."""
        return self.is_parked and self._parked_life == self.life

    @property
    def _says_tracking(self) -> bool:
        vector = self.get(TRACKING)
        return vector is not None and vector.on("TRACK_ON")

    @property
    def pier_side(self) -> PierSide:
        """The side it reports. Prefer "it changed" over the value after a flip."""
        vector = self.get("TELESCOPE_PIER_SIDE")
        if vector is None or vector.on("PIER_WEST") == vector.on("PIER_EAST"):
            return PierSide.UNKNOWN
        west = vector.on("PIER_WEST") is not self.settings.pier_side_inverted
        return PierSide.WEST if west else PierSide.EAST

    @property
    def focal_length_mm(self) -> float | None:
        """What the driver was told about the telescope, or None."""
        vector = self.get("TELESCOPE_INFO")
        millimetres = vector.number("TELESCOPE_FOCAL_LENGTH") if vector else 0.0
        return millimetres if millimetres > 0 else None

    # Moving -----------------------------------------------------------------------------------

    async def slew(self, ra_hours: float, dec_deg: float) -> None:
        """Go to a place and track it.

        Raises DeviceRefused (parked, impossible coordinates, no reaction, Alert), DeviceLate
        (it is stopped), DeviceContradicts (it arrived elsewhere or does not track), DeviceGone.
        Cancelling stops the mount.
        """
        target = self._checked(ra_hours, dec_deg)
        if self.is_parked:
            raise self.refuse(COORDINATES, _spelled(target), "it is parked")
        if self.has(TRACKING):  # A target does not move with the sky while tracking is off.
            await self.track(True)
        await self.choose("ON_COORD_SET", "TRACK")
        try:
            await self._travel(target)
        except (asyncio.CancelledError, DeviceLate) as reason:
            self.stop_for(reason, "TELESCOPE_ABORT_MOTION")
            raise

    async def sync(self, ra_hours: float, dec_deg: float) -> None:
        """Tell the mount that it points there. Later positions refer to it."""
        target = self._checked(ra_hours, dec_deg)
        await self.choose("ON_COORD_SET", "SYNC")
        try:
            await self.command(
                COORDINATES,
                {"RA": target.ra_hours, "DEC": target.dec_deg},
                lambda v: v.state is not State.BUSY and _near(v, target, EXACT_DEG),
                ANSWER_S,
            )
        finally:  # A goto in this mode would shift the model instead of moving the mount.
            await asyncio.shield(self.choose("ON_COORD_SET", "TRACK"))

    async def park(self, *, released_first: bool = False) -> None:
        """Park, and return when it is parked and tracks no longer.

        A second request would stop a mount that is parking, so it is sent once at most. A mount
        that says it is parked is told again unless it was seen to park; where it tracks all the
        same, or is known to have been free (`released_first`), it is unparked before, since most
        drivers answer a request for what they take to be true with nothing at all. One that says
        it parks and stands still is late before its deadline.
        """
        if self.seen_parked:
            return
        vector = self.need(PARKING)
        if _parked(vector) and (released_first or self._says_tracking):
            await self.choose(PARKING, "UNPARK", self.settings.park_deadline_s)
        sent = self.link.serial
        if not self._parking():
            self.link.set(self.device, PARKING, one_of(self.need(PARKING), "PARK"))
        await self._parks(sent)
        await self._untracked()
        self._parked_life = self.life

    async def unpark(self) -> None:
        """Release the mount; most stand still until they are told to track."""
        self._parked_life = None
        vector = self.need(PARKING)
        if vector.on("UNPARK") and vector.state not in (State.BUSY, State.ALERT):
            return
        await self.choose(PARKING, "UNPARK", self.settings.park_deadline_s)

    async def track(self, on: bool) -> None:
        """Follow the sky, or stand still. Raises DeviceRefused while parked."""
        if self.is_tracking is on:
            return
        element = "TRACK_ON" if on else "TRACK_OFF"
        if on and self.is_parked:
            raise self.refuse(TRACKING, element, "it is parked")
        values = one_of(self.need(TRACKING), element)
        # Busy is the standing state of a mount that tracks, so the switch alone decides.
        await self.command(TRACKING, values, lambda v: v.on("TRACK_ON") is on, ANSWER_S)

    async def abort(self) -> None:
        """Stop every motion at once."""
        sent = self.link.set(self.device, "TELESCOPE_ABORT_MOTION", {"ABORT": True})
        if self.is_moving:
            await self.outcome(
                COORDINATES, lambda v: v.state is not State.BUSY, sent, ANSWER_S, "to stop"
            )

    # How --------------------------------------------------------------------------------------

    def _checked(self, ra_hours: float, dec_deg: float) -> Position:
        """Drivers drop impossible coordinates in silence, so they are refused here."""
        target = Position(ra_hours, dec_deg)
        if not (0 <= ra_hours < 24 and -90 <= dec_deg <= 90):
            raise self.refuse(COORDINATES, _spelled(target), "there is no such place")
        return target

    def _at(self, vector: Vector, target: Position) -> bool:
        return _near(vector, target, self.settings.arrival_tolerance_deg)

    async def _travel(self, target: Position) -> None:
        sent = self.link.set(
            self.device, COORDINATES, {"RA": target.ra_hours, "DEC": target.dec_deg}
        )
        ended = begun = await self._begun(target, sent)
        if begun.state is State.BUSY:
            ended = await self.outcome(
                COORDINATES,
                lambda v: v.state is not State.BUSY,
                begun.serial,
                self.settings.slew_deadline_s,
                _spelled(target),
            )
        await self._arrived(ended, target)
        await self._follows(target)

    async def _begun(self, target: Position, sent: int) -> Vector:
        """The first sign of the motion: Busy, or the very place.

        A position that was on its way when the request was sent can be near the target already,
        so only an exact one is believed at once.
        """
        try:
            return await self.outcome(
                COORDINATES,
                lambda v: v.state is State.BUSY or _near(v, target, EXACT_DEG),
                sent,
                ANSWER_S,
                _spelled(target),
            )
        except (DeviceLate, DeviceContradicts) as error:
            last = self.need(COORDINATES)
            if last.state is State.OK and self._at(last, target):
                return last
            raise self.refuse(
                COORDINATES, _spelled(target), f"it did not begin to move: {error.seen}"
            ) from None

    async def _arrived(self, ended: Vector, target: Position) -> None:
        """The position may follow the end of the motion by a poll."""
        try:
            await self.link.wait(
                self.device,
                COORDINATES,
                lambda v: v.state is not State.BUSY and self._at(v, target),
                after=ended.serial - 1,
                timeout_s=LATE_VALUE_S,
            )
        except DeviceLate:
            last = self.need(COORDINATES)
            off_deg = _position(last).distance_deg(target)
            seen = f"it ended {off_deg:.3f}° away: {described(last)}"
            raise DeviceContradicts(
                self.device, COORDINATES, asked=_spelled(target), seen=seen
            ) from None

    async def _follows(self, target: Position) -> None:
        """Tracking flips off and on again around a slew: give it time, then insist."""
        if not self.has(TRACKING, "TRACK_ON"):
            return
        try:
            await self.link.wait(
                self.device, TRACKING, lambda v: v.on("TRACK_ON"), timeout_s=LATE_VALUE_S
            )
        except DeviceLate:
            raise DeviceContradicts(
                self.device, TRACKING, asked=f"{_spelled(target)}, tracking", seen="it stands still"
            ) from None

    async def _parks(self, sent: int) -> None:
        """Wait until it is parked, as long as it is on the way."""
        time_s = asyncio.get_running_loop().time
        end_s, before = time_s() + self.settings.park_deadline_s, self.get(COORDINATES)
        while True:
            left_s = end_s - time_s()
            try:
                await self.outcome(PARKING, _parked, sent, min(STILL_S, left_s), "PARK")
                return
            except (DeviceLate, DeviceContradicts):
                now = self.get(COORDINATES)
                if left_s <= STILL_S or _stands_still(before, now):
                    raise
                before = now

    def _parking(self) -> bool:
        vector = self.need(PARKING)
        return vector.on("PARK") and vector.state is State.BUSY

    async def _untracked(self) -> None:
        if not self.has(TRACKING, "TRACK_ON"):
            return
        try:
            await self.link.wait(
                self.device, TRACKING, lambda v: not v.on("TRACK_ON"), timeout_s=ANSWER_S
            )
        except DeviceLate:
            raise DeviceContradicts(
                self.device, PARKING, asked="PARK", seen="it is parked and tracks"
            ) from None


def _position(vector: Vector) -> Position:
    return Position(vector.number("RA"), vector.number("DEC"))


def _near(vector: Vector, target: Position, tolerance_deg: float) -> bool:
    return _position(vector).distance_deg(target) <= tolerance_deg


def _stands_still(before: Vector | None, now: Vector | None) -> bool:
    """Whether a mount that reports its place has reported the same one again."""
    if before is None or now is None or before.serial == now.serial:
        return False
    return _near(now, _position(before), STILL_DEG)


def _parked(vector: Vector) -> bool:
    return vector.on("PARK") and vector.state not in (State.BUSY, State.ALERT)


def _spelled(target: Position) -> str:
    return f"RA {target.ra_hours:.5f} h, Dec {target.dec_deg:+.4f}°"
