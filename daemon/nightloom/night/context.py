"""What the phases of one night share."""

import asyncio
from dataclasses import dataclass, field

from nightloom.crew.focusing import Focusing
from nightloom.crew.guard import Guard
from nightloom.crew.guide import Guiding
from nightloom.crew.intake import Intake
from nightloom.crew.lookout import Lookout
from nightloom.crew.pointing import Pointing
from nightloom.ledger import Ledger
from nightloom.night.course import Course
from nightloom.night.phases import Phases
from nightloom.programme.programme import Programme
from nightloom.rig import Rig
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom_drivers.clock import Clock


@dataclass
class Context:
    """The settings, the rig behind its guard, the records, and the parts that act.

    `holding` says that shelter is meant from clouds, with the roof open; `stop` is set once a
    person asks for the end of the night.
    """

    settings: Settings
    rig: Rig
    clock: Clock
    log: Log
    ledger: Ledger
    guard: Guard
    phases: Phases
    programme: Programme
    pointing: Pointing
    guiding: Guiding
    focusing: Focusing
    lookout: Lookout
    intake: Intake
    course: Course
    seed: int | None = None
    holding: bool = False
    stop: asyncio.Event = field(default_factory=asyncio.Event)

    async def sleep_until(self, at_s: float) -> None:
        """Wait for a moment in Unix seconds."""
        await asyncio.sleep(max(0.0, at_s - self.clock.unix_s()))
