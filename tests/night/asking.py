"""A person who asks something of a night at a moment, and what the rig did then, in truth."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from night.nights import NIGHT, SELDOM_S, Story, demo
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.context import Context
from nightloom.night.desk import Desk
from nightloom.rehearsal import Rehearsal, play_virtually
from nightloom.requests import Change, Done, Refused
from nightloom.rig import SimulatedRig
from nightloom.settings import Settings
from nightloom.status import Account
from nightloom.telemetry import Event
from nightloom.telemetry.events import PhaseChanged
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import State, Updated
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.rig import CAMERA, FOCUSER, GUIDE_CAMERA, MOUNT, WHEEL
from nightloom_drivers.simulators.simulator import Asked

EFFECTIVE_S = 1.0
"""Within this a request is to be in force."""

SUB_S, DOWNLOAD_S = 40.0, 6.0

MOVES = {
    (CAMERA, "CCD_EXPOSURE"),
    (GUIDE_CAMERA, "CCD_EXPOSURE"),
    (MOUNT, "EQUATORIAL_EOD_COORD"),
    (MOUNT, "TELESCOPE_TIMED_GUIDE_NS"),
    (MOUNT, "TELESCOPE_TIMED_GUIDE_WE"),
    (WHEEL, "FILTER_SLOT"),
    (FOCUSER, "ABS_FOCUS_POSITION"),
}
"""What a driver is asked that exposes or moves something; parking and the roof are not among it."""


def two_targets(sub_s: float = SUB_S) -> tuple[Settings, RigSettings]:
    """The demo observatory with two targets near each other, and a camera that takes its time."""
    settings, rig = demo(targets=dict.fromkeys("RG", sub_s), guide_s=SELDOM_S)
    (first,) = settings.targets.targets
    second = first.model_copy(update={"name": "Beside it", "ra_deg": first.ra_deg + 4.0})
    targets = settings.targets.model_copy(update={"targets": (first, second)})
    sensor = rig.sensor.model_copy(update={"download_s": DOWNLOAD_S})
    return replace(settings, targets=targets), rig.model_copy(update={"sensor": sensor})


@dataclass
class Person:
    """Asks through the desk; sees the rig in truth, and what its drivers were asked."""

    context: Context = field(repr=False)
    desk: Desk
    account: Account
    rig: SimulatedRig
    clock: Clock
    told: list[tuple[float, str, str]] = field(default_factory=list)
    """When which driver was asked to expose or to move what."""
    _waiting: list[tuple[str, str, asyncio.Future[None]]] = field(default_factory=list)
    _awaited: list[tuple[Callable[[Event], bool], asyncio.Future[None]]] = field(
        default_factory=list
    )

    def ask(self, change: Change) -> Done | Refused:
        """Ask for something."""
        return self.desk.take(change, "a test")

    @property
    def now_s(self) -> float:
        return self.clock.unix_s()

    @property
    def shutter_is_open(self) -> bool:
        """Whether the main camera exposes; while a frame comes down it does not."""
        vector = self.rig.simulator(CAMERA).properties["CCD_EXPOSURE"].snapshot(CAMERA)
        return vector.state is State.BUSY and vector.number("CCD_EXPOSURE_VALUE") > 0.0

    @property
    def slews(self) -> bool:
        return self.rig.world.mount.is_slewing(self.now_s)

    @property
    def tracks(self) -> bool:
        return self.rig.world.mount.is_tracking(self.now_s)

    def moved_since(self, at_s: float) -> list[tuple[float, str, str]]:
        """What drivers were asked to do from a time on."""
        return [told for told in self.told if told[0] > at_s]

    async def driver_is_asked(self, device: str, name: str) -> None:
        """Wait until a driver is asked to move."""
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append((device, name, future))
        await future

    async def frame_comes_down(self) -> None:
        """Wait until the shutter has closed on a sub."""
        closed = asyncio.Event()
        longest_s = 0.0

        def hear(event: object) -> None:
            nonlocal longest_s
            if isinstance(event, Updated):
                told = event.vector
                if (told.device, told.name) == (CAMERA, "CCD_EXPOSURE"):
                    left_s = told.number("CCD_EXPOSURE_VALUE")
                    if left_s == 0.0 and longest_s > 0.9 * SUB_S:
                        closed.set()
                    longest_s = max(longest_s, left_s) if left_s else 0.0

        with self.rig.link.listen(hear):
            await closed.wait()

    async def logged(self, kind: type[Event]) -> None:
        """Wait for an event of the log."""
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._awaited.append((lambda event: isinstance(event, kind), future))
        await future

    async def phase(self, name: str) -> None:
        """Wait until the night is in a phase."""
        if self.account.phase == name:
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._awaited.append(
            (lambda event: isinstance(event, PhaseChanged) and event.after == name, future)
        )
        await future

    def note(self, event: Event) -> None:
        """An event of the log."""
        for awaited in tuple(self._awaited):
            if awaited[0](event):
                self._awaited.remove(awaited)
                awaited[1].set_result(None)

    def hear(self, event: object) -> None:
        """Note what a driver is asked."""
        if isinstance(event, Asked) and (event.device, event.name) in MOVES:
            self.told.append((self.now_s, event.device, event.name))
            for waiting in tuple(self._waiting):
                if waiting[:2] == (event.device, event.name):
                    self._waiting.remove(waiting)
                    waiting[2].set_result(None)


Asks = Callable[[Person], Awaitable[None]]


def asked_night(
    out: Path,
    asks: Asks,
    *,
    hours: float = 0.4,
    seed: int = 7,
    changed: tuple[Settings, RigSettings] | None = None,
) -> Story:
    """Let a night go by in which a person asks; what they find wrong is raised at its end."""
    settings, simulated = changed or two_targets()
    out.mkdir(parents=True, exist_ok=True)
    rehearsal = Rehearsal(settings, simulated, NIGHT, out, seed, hours, frames=False)
    events: list[tuple[datetime, Event]] = []
    rigs: list[tuple[SimulatedRig, Clock]] = []
    found: list[BaseException] = []
    persons: list[Person] = []

    def note(utc: datetime, event: Event) -> None:
        events.append((utc, event))
        for person in persons:
            person.note(event)

    async def there(rig: SimulatedRig, clock: Clock) -> None:
        rigs.append((rig, clock))

    async def ask(context: Context) -> None:
        rig, clock = rigs[0]
        person = Person(context, context.desk, context.account, rig, clock)
        persons.append(person)
        for simulator in rig.simulators:
            simulator.watch(person.hear)
        try:
            await asks(person)
        except Exception as error:  # noqa: BLE001  # raised again once the night is over
            found.append(error)

    played = play_virtually(rehearsal, lambda _: (note,), there, ask)
    if found:
        raise found[0]
    with Ledger.read(out / FILE_NAME) as ledger:
        kept = tuple(ledger.frames(night=str(NIGHT)))
    return Story(played, tuple(events), kept, rehearsal)
