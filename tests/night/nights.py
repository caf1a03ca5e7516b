"""Short nights on the demo observatory, for tests to change and to look into."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from nightloom.ledger import FILE_NAME, Frame, Ledger
from nightloom.rehearsal import Meddler, Played, Rehearsal, play_virtually
from nightloom.rig import simulated_settings
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.telemetry import Event
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent

NIGHT = date(2026, 11, 10)
SMALL = {"width_px": 640, "height_px": 480}
"""A sensor small enough to be quick, with stars enough to solve and to focus."""

SELDOM_S = 6.0
"""Guide exposures where guiding is not the matter: they are most of what a night costs."""


NO_CALIBRATION: Mapping[str, Any] = {"night_takes": ()}
"""Darks and flats are a matter of their own tests."""


@dataclass(frozen=True)
class Story:
    """A night that went by: its figures, its events in order, and what its ledger holds."""

    played: Played
    events: tuple[tuple[datetime, Event], ...]
    frames: tuple[Frame, ...]
    rehearsal: Rehearsal

    def of(self, kind: type[Event]) -> list[Any]:
        """Events of one kind, in order."""
        return [event for _, event in self.events if isinstance(event, kind)]

    def at(self, kind: type[Event]) -> list[float]:
        """Unix seconds of the events of one kind."""
        return [utc.timestamp() for utc, event in self.events if isinstance(event, kind)]


def demo(
    *,
    targets: Mapping[str, float] | None = None,
    weather: Mapping[str, Any] | None = None,
    rig: Mapping[str, Any] | None = None,
    policies: Mapping[str, Mapping[str, Any]] | None = None,
    guide_s: float | None = None,
) -> tuple[Settings, RigSettings]:
    """The demo observatory with a small sensor, one target, and changes.

    `targets` gives the first target's filters and their sub lengths in seconds, `guide_s` how long
    the guide camera exposes. It takes no calibration frames unless `policies` say so.
    """
    settings, simulated = simulated_settings(read_settings(demo_folder()))
    told = simulated.model_dump()
    told["sensor"] |= SMALL
    told["weather"] |= weather or {}
    told |= rig or {}
    simulated = RigSettings.model_validate(told)
    first = settings.targets.targets[0]
    if targets:
        sub = next(iter(first.filters.values()))
        filters = {
            name: sub.model_copy(update={"share": 1, "exposure_s": exposure_s})
            for name, exposure_s in targets.items()
        }
        first = first.model_copy(update={"filters": filters})
    told_policies = {"calibration": NO_CALIBRATION, **(policies or {})}
    sections = {
        name: getattr(settings.policies, name).model_copy(update=dict(values))
        for name, values in told_policies.items()
    }
    observatory = settings.observatory
    if guide_s is not None:
        chip = observatory.guide_camera.model_copy(update={"exposure_s": guide_s})
        observatory = observatory.model_copy(update={"guide_camera": chip})
    settings = Settings(
        observatory,
        settings.targets.model_copy(update={"targets": (first,)}),
        settings.policies.model_copy(update=sections),
        simulated,
    )
    return settings, simulated


def live(
    out: Path,
    changed: tuple[Settings, RigSettings],
    *,
    hours: float | None,
    seed: int = 7,
    frames: bool = False,
    meddler: Meddler | None = None,
    listener: Callable[[datetime, Event], None] = lambda _, __: None,
    night: date = NIGHT,
    sent: Sent = Sent.PIXELS,
) -> Story:
    """Let a night go by on virtual time; `listener` hears its events as they come."""
    settings, simulated = changed
    out.mkdir(parents=True, exist_ok=True)
    rehearsal = Rehearsal(settings, simulated, night, out, seed, hours, frames, sent=sent)
    events: list[tuple[datetime, Event]] = []

    def note(utc: datetime, event: Event) -> None:
        events.append((utc, event))
        listener(utc, event)

    played = play_virtually(rehearsal, lambda _: (note,), meddler)
    with Ledger.read(out / FILE_NAME) as ledger:
        kept = tuple(ledger.frames(night=str(night)))
    return Story(played, tuple(events), kept, rehearsal)
