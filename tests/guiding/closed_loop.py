"""A guided mount under a real sky of pixels, without protocol: physics on one side, rules on the
other, frame by frame.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from nightloom.guiding import (
    Calibration,
    CalibrationPolicy,
    CalibrationRun,
    Control,
    Done,
    GuidePolicy,
    GuideStars,
    Measurement,
    Pulses,
    RestPolicy,
    SettleState,
    axis_ahead_s,
    find_guide_stars,
    measure,
    settled,
    sharpened,
)
from nightloom_drivers.physics.mount import Mount
from nightloom_drivers.physics.optics import scale_arcsec_per_px
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import (
    AtmosphereSettings,
    EnclosureSettings,
    MountSettings,
    RigSettings,
)

EXPOSURE_S, DOWNLOAD_S = 2.0, 0.1
LEAST_MOVE_ARCSEC = 0.08
BEGIN_S = 1_794_340_800.0  # 2026-11-10 20:00 UTC, dark at the site
HARD_MOUNT = MountSettings(
    periodic_error_arcsec=20.0,
    periodic_error_period_s=480.0,
    polar_error_arcmin=1.5,
    dec_backlash_arcsec=3.0,
)
PERFECT_MOUNT = MountSettings(
    periodic_error_arcsec=0.0, polar_error_arcmin=0.0, dec_backlash_arcsec=0.0
)


@dataclass(frozen=True)
class Seen:
    """One guide frame: the middle of its exposure, what was measured, and its end."""

    middle_s: float
    ended_s: float
    measurement: Measurement


class GuidedSky:
    """A mount tracking a place two hours east of the meridian, and its guide camera."""

    def __init__(
        self, mount: MountSettings, seed: int, *, dec_deg: float = 20.0, jitter_arcsec: float = 0.5
    ) -> None:
        settings = RigSettings(
            mount=mount,
            atmosphere=AtmosphereSettings(seeing_fwhm_arcsec=2.5, jitter_arcsec=jitter_arcsec),
            enclosure=EnclosureSettings(roof_starts_open=True),
            stars="seeded",
        )
        guide = settings.guide
        self.scale_arcsec_per_px = scale_arcsec_per_px(guide.optics, guide.sensor)
        self.world = World(settings, seed, BEGIN_S)
        self.now_s = BEGIN_S
        self._chance = np.random.default_rng(seed)
        self.mount.unpark(self.now_s)
        self.mount.set_tracking(self.now_s, True)
        ra_hours = (self.world.site.sidereal_deg(self.now_s) / 15 + 2.0) % 24
        self.now_s += self.mount.begin_slew(self.now_s, ra_hours, dec_deg)
        self.dec_deg = dec_deg
        self.stars = self._choose()

    @property
    def mount(self) -> Mount:
        return self.world.mount

    def slew(self, hour_angle_h: float) -> None:
        """Go to another hour angle of the same declination, and choose stars there."""
        ra_hours = (self.world.site.sidereal_deg(self.now_s) / 15 - hour_angle_h) % 24
        self.now_s += self.mount.begin_slew(self.now_s, ra_hours, self.dec_deg)
        self.stars = self._choose()

    def ahead_s(self) -> float:
        """Where the right ascension axis stands, as the guide loop takes it from the mount."""
        return axis_ahead_s(
            15 * self.mount.hour_angle_h(self.now_s),
            self.now_s,
            beyond_pole=self.mount.pier_side(self.now_s) == "west",
        )

    def look(self, near_px: tuple[float, float] = (0.0, 0.0)) -> Seen:
        """Take a guide frame and measure it."""
        began_s = self.now_s
        frame = self.world.guide_camera.expose(began_s, EXPOSURE_S)
        self.now_s += EXPOSURE_S + DOWNLOAD_S
        found = measure(frame, self.stars, radius_px=14, near_px=near_px)
        return Seen(began_s + EXPOSURE_S / 2, self.now_s, found)

    def give(self, pulses: Pulses) -> None:
        """Let the mount have these pulses, and wait for their end."""
        for way in ("north", "south", "east", "west"):
            if duration_ms := getattr(pulses, f"{way}_ms"):
                self.mount.pulse(self.now_s, way, duration_ms)
        self.now_s += pulses.duration_ms / 1000

    def calibrate(self) -> Calibration:
        """The calibration that the rules come to on this mount."""
        policy = CalibrationPolicy(self.scale_arcsec_per_px, pulse_ms=750)
        run = CalibrationRun(policy, declination_deg=self.dec_deg)
        near = (0.0, 0.0)
        while True:
            seen = self.look(near).measurement
            near = (seen.dx_px, seen.dy_px)
            match run.next(seen):
                case Pulses() as pulses:
                    self.give(pulses)
                case Done(calibration):
                    self.stars = self._choose()
                    return calibration
                case refused:
                    raise AssertionError(refused)

    def dither(self, control: Control, ra_px: float, dec_px: float) -> float:
        """Move the hold point in the middle of an exposure, as the guide loop does, and return
        the time from then until the rest is declared.
        """
        began_s = self.now_s + float(self._chance.uniform(0, EXPOSURE_S + DOWNLOAD_S))
        smeared_until_s = self.now_s + EXPOSURE_S + DOWNLOAD_S
        self.now_s = began_s
        self.stars = self.stars.shifted(*control.calibration.from_axes(ra_px, dec_px))
        pulses = control.lead(ra_px, dec_px)
        self.give(pulses)
        control.given(pulses)
        self.now_s = max(self.now_s, smeared_until_s)
        times_s: list[float] = []
        distances: list[float] = []
        state = SettleState.WAITING
        while state is SettleState.WAITING:
            seen = self.look()
            errors = control.calibration.to_axes(seen.measurement.dx_px, seen.measurement.dy_px)
            times_s.append(seen.ended_s)
            distances.append(control.distance(*errors))
            self.give(_answer(control, seen))
            state = settled(times_s, distances, RestPolicy(), started_s=began_s)
        return times_s[-1] - began_s

    def _choose(self) -> GuideStars:
        frame = self.world.guide_camera.expose(self.now_s, EXPOSURE_S)
        self.now_s += EXPOSURE_S + DOWNLOAD_S
        stars = find_guide_stars(frame, saturation_adu=4095, count_max=12, margin_px=28)
        assert len(stars)
        return stars


Rule = Callable[[Seen], Pulses]


def guide(sky: GuidedSky, rule: Rule, hours: float) -> Iterator[tuple[float, float]]:
    """Guide by a rule, frame after frame; give the errors in px along the rows and columns."""
    end_s = sky.now_s + 3600 * hours
    while sky.now_s < end_s:
        seen = sky.look()
        yield seen.measurement.dx_px, seen.measurement.dy_px
        sky.give(rule(seen))


def rms_arcsec(sky: GuidedSky, errors_px: Iterator[tuple[float, float]]) -> float:
    """Total root mean square error, about the hold point."""
    return sky.scale_arcsec_per_px * math.sqrt(np.mean(np.sum(np.square(list(errors_px)), axis=1)))


def forecasting(sky: GuidedSky, calibration: Calibration, control: Control | None = None) -> Rule:
    """The rules under test, with the guide stars' references sharpened."""
    rules = control or Control(
        calibration, GuidePolicy(LEAST_MOVE_ARCSEC / sky.scale_arcsec_per_px)
    )

    def rule(seen: Seen) -> Pulses:
        sky.stars = sharpened(sky.stars, seen.measurement)
        return _answer(rules, seen)

    return rule


def _answer(control: Control, seen: Seen) -> Pulses:
    found = seen.measurement
    control.observe(seen.middle_s, *control.calibration.to_axes(found.dx_px, found.dy_px))
    pulses = control.correct(seen.ended_s + EXPOSURE_S / 2)
    control.given(pulses)
    return pulses


def proportional(sky: GuidedSky, calibration: Calibration, gain: float = 0.7) -> Rule:
    """A plain loop to compare with: each error above the least move, times a gain, as a pulse."""

    def pulse_ms(error_px: float, rate_px_per_s: float) -> int:
        if abs(error_px) * sky.scale_arcsec_per_px < LEAST_MOVE_ARCSEC:
            return 0
        return -round(1000 * gain * error_px / rate_px_per_s)

    def rule(seen: Seen) -> Pulses:
        ra_px, dec_px = calibration.to_axes(seen.measurement.dx_px, seen.measurement.dy_px)
        ra_ms = pulse_ms(ra_px, calibration.ra_rate_px_per_s)
        dec_ms = pulse_ms(dec_px, calibration.dec_rate_px_per_s)
        return Pulses(max(ra_ms, 0), max(-ra_ms, 0), max(dec_ms, 0), max(-dec_ms, 0))

    return rule


def air_floor_arcsec(sky: GuidedSky) -> float:
    """What the simulator's air and the stars' light leave to a perfect mount: two axes of jitter,
    which averages out with time, and of centroid noise as a frame of now states it.
    """
    jitter = sky.world.settings.atmosphere.jitter_arcsec / math.sqrt(EXPOSURE_S)
    centroid = sky.look().measurement.error_px * sky.scale_arcsec_per_px
    return math.sqrt(2) * math.hypot(jitter, centroid)
