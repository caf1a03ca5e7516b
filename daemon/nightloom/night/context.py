"""What the phases of one night share."""

import asyncio
from dataclasses import dataclass, field

from nightloom.calibration_frames.library import Library
from nightloom.clouds.monitor import CloudMonitor
from nightloom.faults import GivenUp, Part
from nightloom.focusing import star_filter
from nightloom.focusing.runs import Focusing
from nightloom.frames.pipeline import FramePipeline
from nightloom.guiding.guiding import Guiding
from nightloom.ledger import Ledger
from nightloom.night.desk import Desk
from nightloom.night.shutter import Shutter
from nightloom.night.target_run import TargetRun
from nightloom.pointing.centring import Pointing
from nightloom.rig import Rig
from nightloom.safety import Guard
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Settings
from nightloom.status import Account
from nightloom.telemetry import Log
from nightloom_drivers.clock import Clock

LOOK_AT_CLOCK_S = 60.0
"""Between two looks at the clock, which somebody may have set."""


@dataclass
class Context:
    """The settings, the rig behind its guard, the records, and the parts that act.

    `stop` is set once the whole daemon is to end; `desk` has what persons ask of this night, and
    `account` what the log tells of the present.
    """

    settings: Settings
    rig: Rig
    clock: Clock
    log: Log
    ledger: Ledger
    guard: Guard
    schedule: Schedule
    pointing: Pointing
    guiding: Guiding
    focusing: Focusing
    cloud_monitor: CloudMonitor
    pipeline: FramePipeline
    target_run: TargetRun
    account: Account
    desk: Desk
    library: Library
    seed: int | None = None
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    shutter: Shutter = field(default_factory=Shutter)
    given_up: GivenUp = field(default_factory=GivenUp)
    calibration_over: bool = False
    """Set once this night takes no calibration frames any more."""
    darks_refused: bool = False
    """Set once a dark under the open roof showed light: the camera has no shutter."""

    def without(self, part: Part) -> bool:
        """Whether the night goes on without a part of the rig at present."""
        return self.given_up.without(part, self.clock.unix_s())

    @property
    def unguided(self) -> bool:
        """Whether the night goes on without guiding at present."""
        return self.without(Part.GUIDE_CAMERA) or self.without(Part.GUIDE_PORT)

    def focus_filter(self, taken: str) -> str:
        """The filter to focus with where subs are taken with another."""
        asked = self.settings.policies.focus.filter
        return star_filter(self.settings.observatory, taken, asked)

    def acquire_filter(self, taken: str) -> str:
        """The filter of frames to solve where subs are taken with another."""
        asked = self.settings.policies.acquire.filter
        return star_filter(self.settings.observatory, taken, asked)

    async def sleep_until(self, at_s: float) -> None:
        """Wait for a moment in Unix seconds, by the earlier of the two where the clock was set."""
        # No event tells of a clock that was set.
        while (left_s := at_s - self.guard.later_s()) > 0:  # noqa: ASYNC110
            await asyncio.sleep(min(left_s, LOOK_AT_CLOCK_S))
