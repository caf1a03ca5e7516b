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
    Done,
    GuideStars,
    Measurement,
    Pulses,
    find_guide_stars,
    measure,
)
from nightloom_drivers.physics.mount import Mount
from nightloom_drivers.physics.settings import (
    AtmosphereSettings,
    EnclosureSettings,
    MountSettings,
    RigSettings,
    scale_arcsec_per_px,
)
from nightloom_drivers.physics.world import World

EXPOSURE_S, DOWNLOAD_S = 2.0, 0.1
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
    """A mount tracking a place one hour east of the meridian, and its guide camera."""

    def __init__(self, mount: MountSettings, seed: int, *, dec_deg: float = 20.0) -> None:
        settings = RigSettings(
            mount=mount,
            atmosphere=AtmosphereSettings(seeing_fwhm_arcsec=2.5),
            enclosure=EnclosureSettings(roof_starts_open=True),
            stars="seeded",
        )
        guide = settings.guide
        self.scale_arcsec_per_px = scale_arcsec_per_px(guide.optics, guide.sensor)
        self.world = World(settings, seed, BEGIN_S)
        self.now_s = BEGIN_S
        self.mount.unpark(self.now_s)
        self.mount.set_tracking(self.now_s, True)
        ra_hours = (self.world.site.sidereal_deg(self.now_s) / 15 + 1.0) % 24
        self.now_s += self.mount.begin_slew(self.now_s, ra_hours, dec_deg)
        self.dec_deg = dec_deg
        self.stars = self._choose()

    @property
    def mount(self) -> Mount:
        return self.world.mount

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
    """Total root mean square error, about the lock position."""
    return sky.scale_arcsec_per_px * math.sqrt(np.mean(np.sum(np.square(list(errors_px)), axis=1)))
