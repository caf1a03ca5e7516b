"""Flats of the light panel, filter by filter, behind a closed roof."""

from dataclasses import dataclass

from nightloom.calibration_frames.level import (
    FULL,
    TRIALS_MAX,
    Light,
    Limits,
    first_light,
    next_light,
    on_level,
)
from nightloom.calibration_frames.needs import Need
from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom.night.library_shots import keep, lacking, shot
from nightloom.telemetry.events import FlatsGivenUp, FlatTried
from nightloom_drivers.devices import CameraFrame, LightPanel
from nightloom_drivers.frame_kind import FrameKind

FLATS = frozenset({FrameKind.FLAT})


@dataclass(frozen=True)
class Level:
    """The signal asked for and what is taken off for it, in ADU."""

    asked_adu: float
    bias_adu: float
    full_adu: float

    def signal_adu(self, level_adu: float) -> float:
        """What light gave."""
        return level_adu - self.bias_adu


@dataclass
class Course:
    """One filter's way to its flats: how many are kept, and how many missed the level."""

    context: Context
    need: Need
    level: Level
    kept: int = 0
    missed: int = 0

    @property
    def goes_on(self) -> bool:
        """Whether more are wanted, and fewer missed than are borne."""
        return self.kept < self.need.missing and self.missed < TRIALS_MAX

    async def take(self, exposure_s: float, panel: float | None) -> tuple[CameraFrame, float]:
        """A flat, kept if it has its level; with its signal. Raises as `shot` and `keep` do."""
        frame, level_adu = await shot(self.context, exposure_s, FrameKind.FLAT)
        signal_adu = self.level.signal_adu(level_adu)
        if on_level(signal_adu, self.level.asked_adu):
            await keep(self.context, self.need, frame, level_adu, panel)
            self.kept, self.missed = self.kept + 1, 0
            return frame, signal_adu
        self.missed += 1
        self.context.log.emit(
            FlatTried(
                filter=self.need.filter,
                exposure_s=exposure_s,
                level_share=signal_adu / self.level.asked_adu,
                trial=self.missed,
            )
        )
        if self.missed == TRIALS_MAX:
            self.give_up(f"{TRIALS_MAX} in a row missed the level")
        return frame, signal_adu

    def saturated(self, signal_adu: float) -> bool:
        """Whether a frame with that signal only says that there was too much light."""
        return signal_adu + self.level.bias_adu >= self.level.full_adu

    def give_up(self, reason: str) -> None:
        """Say that there will be no more in this filter."""
        self.context.log.emit(FlatsGivenUp(filter=self.need.filter, kept=self.kept, reason=reason))


async def level_of_flats(context: Context) -> Level:
    """What flats are to show, from a bias of now. Raises DeviceError."""
    _, bias_adu = await shot(context, 0.0, FrameKind.BIAS)
    saturation_adu = context.settings.observatory.camera.saturation_adu
    share = context.settings.policies.calibration.flat_level_fraction
    return Level(share * (saturation_adu - bias_adu), bias_adu, FULL * saturation_adu)


async def take_panel_flats(context: Context) -> None:
    """Take what the lights lack of flats, and leave the panel dark.

    The rig is parked and closed. Raises DeviceError and what `library_shots.keep` raises.
    """
    panel, cap = context.rig.light_panel, context.rig.dust_cap
    wanted = lacking(context, FLATS)
    if panel is None or not wanted:
        return
    await panel.connect()
    if cap is not None:
        await cap.close()
    level = await level_of_flats(context)
    try:
        for need in wanted:
            await change_filter(context, need.filter)
            await _of_panel(panel, Course(context, need, level))
    finally:
        await panel.off()


async def _of_panel(panel: LightPanel, course: Course) -> None:
    context, name = course.context, course.need.filter
    policy = context.settings.policies.calibration
    limits = Limits(policy.flat_minimum_s, policy.flat_maximum_s, panel.level_max)
    light: Light | None = first_light(limits, context.library.panel_light(name))
    shown: float | None = None
    while course.goes_on and light is not None:
        if light.panel != shown:
            await panel.on(light.panel)
            shown = light.panel
        _, signal_adu = await course.take(light.exposure_s, light.panel)
        full = course.saturated(signal_adu)
        light = next_light(light, signal_adu, course.level.asked_adu, limits, saturated=full)
    if light is None:
        course.give_up("the panel is too bright or too dim for exposures that are borne")
