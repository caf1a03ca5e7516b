"""The roof or dome shutter.

A roof can crush a telescope and a hand. It moves only when the caller knows the mount parked and
nobody near; keep its own limit switches and a way to cut the power, and do not trust the driver
alone: it may take for closed what is open when somebody moved the roof by hand. So a roof is open
or closed here only when it was seen to become so in the present life of its driver; one that was
not is told again, whatever it says.
"""

from dataclasses import dataclass
from enum import StrEnum

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import ANSWER_S, Device, one_of
from nightloom_drivers.errors import DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.link import Link, State, Vector

SHUTTER, PARKING = "DOME_SHUTTER", "DOME_PARK"


class RoofState(StrEnum):
    """What may be believed about the roof."""

    OPEN = "open"
    CLOSED = "closed"
    MOVING = "moving"
    UNKNOWN = "unknown"


class RoofUnmoved(DeviceRefused):
    """It says that it is there already, and did not move when it was told again."""


@dataclass(frozen=True)
class RoofSettings:
    """`move_deadline_s`: longest time to open or to close."""

    move_deadline_s: float = 120.0


class Roof(Device):
    """A shutter, or a roll-off roof, which in INDI parks when it closes."""

    def __init__(self, link: Link, device: str, settings: RoofSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self._seen: tuple[RoofState, int] | None = None

    async def prepare(self) -> None:
        if not self.has(SHUTTER) and not self.has(PARKING):
            raise DeviceGone(
                self.device, SHUTTER, asked="a roof", seen=f"neither it nor {PARKING} is defined"
            )

    @property
    def state(self) -> RoofState:
        """Open or closed only when the driver says so and does not move."""
        vector, opened, closed = self._vector()
        if vector.state is State.BUSY:
            return RoofState.MOVING
        if not _settled(vector) or vector.on(opened) == vector.on(closed):
            return RoofState.UNKNOWN
        return RoofState.OPEN if vector.on(opened) else RoofState.CLOSED

    @property
    def seen(self) -> RoofState:
        """Open or closed where that was seen to come about and still reads so; else unknown."""
        if self._seen is None or self._seen[1] != self.life or self.get(self._name) is None:
            return RoofState.UNKNOWN
        return self._seen[0] if self.state is self._seen[0] else RoofState.UNKNOWN

    async def open(self) -> None:
        """Open, and return when it is open."""
        await self._go(RoofState.OPEN)

    async def close(self) -> None:
        """Close, and return when it is confirmed closed; anything less raises."""
        await self._go(RoofState.CLOSED)

    def believe(self) -> None:
        """Take it for what it reads, where nothing better can be had. The caller answers for it."""
        self._seen = self.state, self.life

    async def stop(self) -> None:
        """Stop every motion; the roof is then neither open nor closed."""
        vector, _, _ = self._vector()
        moving = self.state is RoofState.MOVING
        sent = self.link.set(self.device, "DOME_ABORT_MOTION", {"ABORT": True})
        if moving:  # Alert is the usual end of a shutter that was stopped on its way.
            await self.link.wait(
                self.device,
                vector.name,
                lambda v: v.state is not State.BUSY,
                after=sent,
                timeout_s=ANSWER_S,
                asked="to stop",
            )

    async def _go(self, wanted: RoofState) -> None:
        if self.seen is wanted:
            return
        vector, opened, closed = self._vector()
        element = opened if wanted is RoofState.OPEN else closed
        claimed, self._seen = self.state is wanted, None
        sent = self.link.serial
        # A driver does not answer, or turns back, when asked again for what it is doing.
        if not (self.state is RoofState.MOVING and vector.on(element)):
            self.link.set(self.device, vector.name, one_of(vector, element))
        moved = False

        def there(now: Vector) -> bool:
            nonlocal moved
            moved = moved or now.state is State.BUSY
            return _settled(now) and now.on(element)

        try:
            await self.outcome(vector.name, there, sent, self.settings.move_deadline_s, element)
        except (DeviceRefused, DeviceLate) as error:
            if claimed and not moved and self.need(vector.name).on(element):
                raise RoofUnmoved(
                    self.device, vector.name, asked=element, seen=f"it had said so: {error.seen}"
                ) from error
            raise
        self._seen = wanted, self.life

    @property
    def _name(self) -> str:
        return SHUTTER if self.has(SHUTTER) else PARKING

    def _vector(self) -> tuple[Vector, str, str]:
        """What tells about the roof, and the switches for open and closed in it."""
        shutter = self.get(SHUTTER)
        if shutter is not None:
            return shutter, "SHUTTER_OPEN", "SHUTTER_CLOSE"
        return self.need(PARKING), "UNPARK", "PARK"


def _settled(vector: Vector) -> bool:
    """A shutter has settled when it reads Ok; a roof's parking may end Idle as well."""
    return vector.state is State.OK or (vector.name == PARKING and vector.state is State.IDLE)
