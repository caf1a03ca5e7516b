"""Short nights in which something goes wrong at a moment, and the truth of what the rig did then.

A person comes 50 minutes after the dark and mends what is broken, so that every night has an end.
What a test states of mount and roof is read from the world, never from what the daemon says.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from night.nights import NIGHT, SELDOM_S, Story, demo, live
from nightloom.rig import SimulatedRig
from nightloom.schedule.windows import darkness
from nightloom.settings import Settings
from nightloom.settings.observatory import Mount
from nightloom.sky import sidereal_deg
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import State, Updated, Vector
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import CAMERA, DEVICES, MOUNT

OPENS_S, ACQUIRES_S, DARK_S = 1500.0, 2700.0, 3300.0
"""From the waking of a daemon with the usual settings to opening, acquiring and the dark."""

NOTICED_S = 90.0
"""Bad weather is acted on within this: a station measures once a minute."""

LOOKED_AT_S = 2.0

SUB_S = 30.0


@dataclass(frozen=True)
class Moment:
    """How mount and roof were in truth, at one time."""

    at_s: float
    roof: float
    raining: bool
    parked: bool
    moving: bool
    tracking: bool
    hour_angle_h: float
    west: bool
    linked: bool
    """Whether a client can speak to the devices."""


@dataclass(frozen=True)
class Scene:
    """What a trouble is done with: the faults, and the moments of the night to do it at."""

    rig: SimulatedRig
    clock: Clock
    faults: Faults
    begin: Callable[[Coroutine[Any, Any, None]], object]
    """Have something go on beside the trouble."""
    _waiting: list[tuple[Callable[[Event], bool], asyncio.Future[None]]]

    @property
    def now_s(self) -> float:
        return self.clock.unix_s()

    async def phase(self, name: str) -> None:
        """Wait until the night enters a phase."""
        await self.event(lambda event: isinstance(event, e.PhaseChanged) and event.after == name)

    async def event(self, wanted: Callable[[Event], bool]) -> None:
        """Wait for an event of the log."""
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append((wanted, future))
        await future

    async def vector(self, device: str, name: str, wanted: Callable[[Vector], bool]) -> None:
        """Wait until a device tells this of a property."""
        heard = asyncio.Event()

        def hear(event: object) -> None:
            if isinstance(event, Updated):
                told = event.vector
                if (told.device, told.name) == (device, name) and wanted(told):
                    heard.set()

        with self.rig.link.listen(hear):
            await heard.wait()

    async def exposing(self, longer_than_s: float = 0.9 * SUB_S) -> None:
        """Wait until the main camera begins a sub."""
        await self.vector(
            CAMERA, "CCD_EXPOSURE", lambda v: v.number("CCD_EXPOSURE_VALUE") > longer_than_s
        )

    async def downloading(self) -> None:
        """Wait until a sub's shutter has closed and its frame comes down."""
        await self.exposing()
        await self.vector(CAMERA, "CCD_EXPOSURE", lambda v: v.number("CCD_EXPOSURE_VALUE") == 0.0)

    async def pulsing(self, longer_than_ms: float) -> None:
        """Wait until the mount begins a pulse longer than that."""
        await self.vector(
            MOUNT,
            "TELESCOPE_TIMED_GUIDE_WE",
            lambda v: any(float(value) > longer_than_ms for value in v.elements.values()),
        )


Trouble = Callable[[Scene], Awaitable[None]]


@dataclass(frozen=True)
class Evening:
    """A night with its trouble behind it."""

    story: Story = field(repr=False)
    world: World = field(repr=False)
    moments: tuple[Moment, ...] = field(repr=False)
    subs_exposed: int
    """Subs whose shutter closed at the end of their time."""
    mended_s: float

    @property
    def violations(self) -> list[str]:
        """What the observer found."""
        return self.story.played.violations

    @property
    def ended_s(self) -> float:
        """When the rig was looked at for the last time."""
        return self.moments[-1].at_s

    @property
    def rained_s(self) -> float:
        """When the first drop fell."""
        return next(moment.at_s for moment in self.moments if moment.raining)

    def closed_after(self, at_s: float) -> float:
        """Seconds from a time until the roof is closed in truth, to the nearest second."""
        seconds = 0.0
        while not self.world.roof.is_closed(at_s + seconds):
            seconds += 1.0
            assert at_s + seconds <= self.ended_s + LOOKED_AT_S, "the roof was open to the end"
        return seconds

    @property
    def within_s(self) -> float:
        """What closing may take from the first drop: notice, a park from anywhere, the travel."""
        mount, enclosure = self.world.settings.mount, self.world.settings.enclosure
        park_s = 180.0 / mount.slew_deg_per_s + mount.settle_s
        return NOTICED_S + park_s + enclosure.roof_travel_s

    @property
    def late_s(self) -> float:
        """Seconds of rain on an open roof, beyond those that closing may take."""
        late_s = self.rained_s + self.within_s
        wet = [m for m in self.moments if m.raining and m.at_s > late_s and m.roof > 0.0]
        return LOOKED_AT_S * len(wet)

    @property
    def moved_over_unparked_s(self) -> float:
        """Seconds in which the roof moved over a mount that was not parked."""
        pairs = zip(self.moments, self.moments[1:], strict=False)
        return LOOKED_AT_S * sum(
            one.roof != two.roof and (not two.parked or two.moving) for one, two in pairs
        )

    @property
    def left_as(self) -> str:
        """How mount and roof are at the end."""
        last = self.moments[-1]
        mount = "parked" if last.parked and not last.tracking else "not parked"
        return f"{mount} and {'closed' if last.roof == 0.0 else 'open'}"

    def tracked_past_h(self, limit_h: float) -> float:
        """How far tracking from the west of the pier went beyond an hour angle, in hours."""
        past = [m.hour_angle_h for m in self.moments if m.west and m.tracking]
        return max([angle_h - limit_h for angle_h in past], default=0.0)

    def open_s(self, from_s: float, to_s: float) -> float:
        """Seconds between two times in which the roof was not closed."""
        open_ = [m for m in self.moments if from_s <= m.at_s < to_s and m.roof > 0.0]
        return LOOKED_AT_S * len(open_)


def evening(
    out: Path,
    trouble: Trouble,
    *,
    hours: float = 0.3,
    changed: tuple[Settings, RigSettings] | None = None,
    mended_after_s: float = 3000.0,
    seed: int = 7,
) -> Evening:
    """Let a short night go by with a trouble beside it."""
    settings, simulated = changed or short_subs()
    waiting: list[tuple[Callable[[Event], bool], asyncio.Future[None]]] = []
    moments: list[Moment] = []
    worlds: list[World] = []
    exposed: list[float] = []
    lasts_s = [0.0]
    missed: list[Exception] = []
    mended_s = darkness(settings, NIGHT, hours).end_unix_s + mended_after_s

    async def look(rig: SimulatedRig, clock: Clock) -> None:
        while True:
            moments.append(moment(rig, clock.unix_s()))
            await asyncio.sleep(LOOKED_AT_S)

    async def beside(rig: SimulatedRig, clock: Clock) -> None:
        worlds.append(rig.world)
        faults = Faults(rig.link, rig.simulators, rig.world, clock)

        async def mend() -> None:
            await asyncio.sleep(mended_s - clock.unix_s())
            for device in DEVICES:
                faults.heal(device)

        def hear(event: object) -> None:
            if isinstance(event, Updated):
                told = event.vector
                if (told.device, told.name) == (CAMERA, "CCD_EXPOSURE"):
                    left_s, busy = told.number("CCD_EXPOSURE_VALUE"), told.state is State.BUSY
                    if busy and left_s == 0.0 and lasts_s[-1] >= SUB_S:
                        exposed.append(clock.unix_s())
                    lasts_s.append(max(lasts_s[-1], left_s) if busy and left_s > 0.0 else 0.0)

        try:
            with rig.link.listen(hear):
                async with asyncio.TaskGroup() as group:
                    group.create_task(look(rig, clock))
                    group.create_task(mend())
                    await trouble(Scene(rig, clock, faults, group.create_task, waiting))
        except Exception as error:  # noqa: BLE001  # raised again once the night is over
            missed.append(error)

    def note(_: datetime, event: Event) -> None:
        for pair in tuple(waiting):
            wanted, future = pair
            if wanted(event):
                waiting.remove(pair)
                if not future.done():
                    future.set_result(None)

    story = live(out, (settings, simulated), hours=hours, seed=seed, meddler=beside, listener=note)
    if missed:
        raise missed[0]
    return Evening(story, worlds[0], tuple(moments), len(exposed), mended_s)


def moment(rig: SimulatedRig, at_s: float) -> Moment:
    """How it is now."""
    world, mount = rig.world, rig.world.mount
    return Moment(
        at_s,
        world.roof.position(at_s),
        world.weather.rain_mm_per_h(at_s) > 0.0,
        mount.is_parked(at_s),
        mount.is_slewing(at_s),
        mount.is_tracking(at_s),
        mount.hour_angle_h(at_s),
        mount.pier_side(at_s) == "west",
        rig.link.connected,
    )


def at_hour_angle(
    hour_angle_h: float, table: Mapping[str, Any] | None = None
) -> tuple[Settings, RigSettings]:
    """The demo observatory with one target, at this hour angle when the dark begins.

    `table` changes the mount's settings.
    """
    settings, rig = short_subs()
    observatory = settings.observatory
    dusk_s = darkness(settings, NIGHT).start_unix_s
    here_deg = sidereal_deg(dusk_s, observatory.site.longitude_deg)
    ra_deg = float((here_deg - 15.0 * hour_angle_h) % 360.0)
    target = settings.targets.targets[0].model_copy(update={"ra_deg": ra_deg})
    mount = Mount.model_validate({**observatory.mount.model_dump(), **(table or {})})
    return replace(
        settings,
        observatory=observatory.model_copy(update={"mount": mount}),
        targets=settings.targets.model_copy(update={"targets": (target,)}),
    ), rig


def short_subs(**changes: Any) -> tuple[Settings, RigSettings]:
    """The demo observatory with short subs of two filters, and few guide frames."""
    return demo(targets=dict.fromkeys("RG", SUB_S), guide_s=SELDOM_S, **changes)


async def nothing(_: Scene) -> None:
    """No trouble at all."""
