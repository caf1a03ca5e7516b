"""What is rehearsed: one night of one observatory on its simulated rig."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from nightloom.night.context import Context
from nightloom.night.gather import gather
from nightloom.night.table import Work
from nightloom.rehearsal.troubles import Coming, Trouble
from nightloom.schedule.schedule import ready_from_s
from nightloom.schedule.windows import darkness
from nightloom.settings import Settings
from nightloom.sky import Interval, night_span
from nightloom.telemetry.events import LikenessAssumed
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent


@dataclass(frozen=True)
class Rehearsal:
    """What is rehearsed, and the folder where it goes, which must be there.

    `settings` name the simulated devices; see `rig.simulated_settings`.
    """

    settings: Settings
    rig: RigSettings
    night: date
    out: Path
    seed: int = 1
    hours_max: float | None = None
    frames: bool = True
    gathering: Work = gather
    """What the night does once a target is ready: take subs, or something else."""
    by_day: Callable[[Context], Awaitable[None]] | None = None
    """What is done before the night, at noon, in its place; None for the night itself."""
    troubles: tuple[Trouble, ...] = ()
    """What goes wrong, each at a moment that the seed draws; on virtual time only."""
    comings: tuple[Coming, ...] = ()
    """What goes wrong besides, each at its moment."""
    number: int = 0
    """Which night of its rig it is, where several follow each other in one folder, from 0."""
    late_s: float = 0.0
    """How long after its time the daemon is started."""
    sent: Sent = Sent.PIXELS
    """What the simulated cameras send; over a socket always pixels."""
    assumed: tuple[LikenessAssumed, ...] = ()
    """What the simulated rig has that the configuration does not state."""

    @property
    def starts_s(self) -> float:
        """When the rehearsed daemon wakes up, in Unix seconds. Raises NoDarkness."""
        if self.by_day is not None:
            return night_span(self.settings.observatory.site.place, self.night).start_unix_s
        return ready_from_s(self.settings, self.dark) + self.late_s

    @property
    def ends_s(self) -> float:
        """When the dark hours end, or are cut short."""
        return self.dark.end_unix_s

    @property
    def dark(self) -> Interval:
        """The dark hours, as far as they are rehearsed. Raises NoDarkness."""
        return darkness(self.settings, self.night, self.hours_max)

    def comes_s(self, trouble: Trouble) -> float:
        """When a trouble comes, in Unix seconds."""
        return trouble.comes_s(self.dark, self.starts_s, self.seed + self.number)

    @property
    def all_comings(self) -> tuple[Coming, ...]:
        """Everything that goes wrong, with its moment."""
        return *self.comings, *(Coming(one, self.comes_s(one)) for one in self.troubles)

    @property
    def log_file(self) -> Path:
        """Where its log goes."""
        return self.out / f"{self.night}.jsonl"

    @property
    def frames_folder(self) -> Path | None:
        """Where its frames go; None without frames."""
        return self.out / "frames" if self.frames else None
