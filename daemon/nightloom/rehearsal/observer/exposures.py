"""What the cameras did: when one last looked at the sky, and the subs that left the main one."""

import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from nightloom.rehearsal.observer.depth import Depth, shaken_arcsec, true_depth
from nightloom.rehearsal.observer.frame_bytes import pixels
from nightloom.rehearsal.observer.library import Shot, shot_of
from nightloom.rehearsal.observer.lit_sky import lit_by
from nightloom.rehearsal.observer.rules import ASKED_SKY
from nightloom.settings import Settings, Target
from nightloom_drivers.physics.sphere import separation_deg, unit
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import FilterSettings
from nightloom_drivers.sent import Sent
from nightloom_drivers.simulators.camera import CameraSimulator

ARCSEC = 3600.0
SAMPLES = 32
"""Moments of an exposure at which the sky and the telescope are looked at."""

UNDER_IT_DEG = 1.0
"""A sub is of a target that is so near the middle of its frame."""

SAME_START_S = 0.5

ON_ITS_WAY_S = 2.0
"""From its arrival to when a frame must be safely on disk."""


@dataclass(frozen=True)
class Exposure:
    """An exposure as it began."""

    begun_s: float
    exposure_s: float
    light: bool
    whole: bool
    binning: int
    stuck: bool = False
    """Wheel or focuser was not where it was asked to be, when the shutter opened."""
    dated_s: float = 0.0
    """When it began by the clock of the daemon's computer."""
    kind: str = "light"

    @property
    def looks(self) -> bool:
        """Whether it is of something: the sky, or a panel."""
        return self.kind in ("light", "flat")


@dataclass(frozen=True)
class TakenSub:
    """A sub that left the camera, and what was true of it.

    A frame is a sub when it is a light frame of the whole sensor with the configured binning, near
    a target that asks for exactly its exposure in the filter that was in the light path. Focus
    frames and those to be solved have other exposures. Where the settings give them the same one,
    they cannot be told apart, and the frame is not `certain`: it may be missing from the ledger.
    """

    start_s: float
    exposure_s: float
    target: str
    filter: str
    certain: bool
    ra_deg: float
    dec_deg: float
    slews: int
    transmission: float
    wander_arcsec: float
    defocus_growth: float
    """By what part defocus alone widens the stars that air, guiding and pixels would have made."""
    pixels_crc: int
    stuck: bool = False
    """Whether wheel or focuser had not done what it was asked last, or had lost its driver."""
    depth: Depth = field(default_factory=Depth)
    skies: frozenset[str] = frozenset()
    """What lit the sky shortly before, and when it began: dark, moonlit or twilit."""
    sun_altitude_deg: float = -90.0
    """Of the centre of the Sun when it began."""
    lost: bool = False
    """The disk refused it, or the daemon died before it can have been there: it need not be."""


class Exposures:
    """Keeps count of a rig's two cameras."""

    def __init__(self, settings: Settings, world: World) -> None:
        self._settings, self._world = settings, world
        self._under_way: dict[str, Exposure] = {}
        self.subs: list[TakenSub] = []
        self._arrived_s: dict[float, float] = {}
        self.shots: list[Shot] = []
        self._looked_s = 0.0
        self._asked_slot: int | None = None
        self._asked_steps: int | None = None
        self._gone: set[str] = set()

    def begun(self, camera: CameraSimulator, exposure_s: float, t_s: float) -> Exposure:
        """A camera has opened its shutter."""
        frame = camera.properties["CCD_FRAME"]
        size = frame.elements["WIDTH"], frame.elements["HEIGHT"]
        kind = camera.choice("CCD_FRAME_TYPE").removeprefix("FRAME_").lower()
        one = Exposure(
            t_s,
            exposure_s,
            kind == "light",
            size == (frame.limits["WIDTH"][1], frame.limits["HEIGHT"][1]),
            int(camera.number("CCD_BINNING", "HOR_BIN")),
            self._stuck(t_s),
            dated_s=self._world.dated(t_s),
            kind=kind,
        )
        self._under_way[camera.device] = one
        return one

    def wheel_asked(self, device: str, slot: int) -> None:
        """The wheel's driver was asked for a slot."""
        self._asked_slot = slot
        self._gone.discard(device)

    def focuser_asked(self, device: str, steps: int) -> None:
        """The focuser's driver was asked for a position."""
        self._asked_steps = steps
        self._gone.discard(device)

    def gone(self, device: str) -> None:
        """The wheel, or the focuser, has no driver."""
        self._gone.add(device)

    def _stuck(self, now_s: float) -> bool:
        """Whether wheel or focuser has not done what it was asked last, or has no driver."""
        steps = self._world.focuser.position(now_s)
        wheel = self._asked_slot not in (None, self._world.wheel.slot(now_s))
        focuser = self._asked_steps is not None and abs(self._asked_steps - steps) > 1
        return bool(self._gone) or wheel or focuser

    def given_up(self, device: str, t_s: float) -> None:
        """A camera has stopped, with or without a frame."""
        one = self._under_way.pop(device, None)
        if one is not None and one.looks:
            self._looked_s = max(self._looked_s, min(t_s, one.begun_s + one.exposure_s))

    def cut_off(self, now_s: float) -> None:
        """Whoever was to take the frames is no more: one that is exposed or came just now, and
        only one that did, may be lost.
        """
        for device in tuple(self._under_way):
            self.given_up(device, now_s)
        self.subs = [
            replace(sub, lost=sub.lost or now_s - self._arrived_s[sub.start_s] <= ON_ITS_WAY_S)
            for sub in self.subs
        ]

    def not_taken(self, starts: Iterable[datetime]) -> None:
        """The disk refused the frames that began then."""
        refused_s = [start.timestamp() for start in starts]
        self.subs = [
            replace(sub, lost=sub.lost or _among(sub.start_s, refused_s)) for sub in self.subs
        ]

    def light_s(self, now_s: float) -> float:
        """When a camera last looked at the sky; 0 for never."""
        ends = [
            min(now_s, one.begun_s + one.exposure_s)
            for one in self._under_way.values()
            if one.looks
        ]
        return max([self._looked_s, *ends])

    def delivered(self, device: str, data: bytes, slews: int, now_s: float) -> None:
        """A frame left the main camera."""
        one = self._under_way.get(device)
        if one is not None and not one.light and self._world.sent is Sent.PIXELS:
            what = one.kind, one.begun_s, one.exposure_s
            self.shots.append(shot_of(self._world, self._settings, *what, data))
        if one is None or not one.light or not one.whole:
            return
        if one.binning != self._settings.observatory.camera.binning:
            return
        sub = self._sub(one, data, slews)
        if sub is not None:
            self.subs.append(sub)
            self._arrived_s[sub.start_s] = now_s

    def _sub(self, one: Exposure, data: bytes, slews: int) -> TakenSub | None:
        world, observatory = self._world, self._settings.observatory
        times = one.begun_s + one.exposure_s * (np.arange(SAMPLES) + 0.5) / SAMPLES
        slots = {world.wheel.slot(t_s) for t_s in (one.begun_s, *times.tolist())}
        slot = slots.pop() if len(slots) == 1 else None
        if slot is None:
            return None
        name, glass = observatory.wheel.slots[slot - 1], world.settings.wheel.filters[slot - 1]
        sight = world.mount.boresight(times)
        middle = (places := unit(sight.ra_deg, sight.dec_deg)).mean(axis=0)
        target = self._target(middle, name, one.exposure_s)
        if target is None:
            return None
        wander = separation_deg(places, middle / np.linalg.norm(middle)) * ARCSEC
        altitude, azimuth = world.site.altaz_deg(float(times[SAMPLES // 2]), sight.apparent)
        ra, dec = np.arctan2(middle[1], middle[0]), np.arcsin(middle[2] / np.linalg.norm(middle))
        passed = [
            world.clouds.transmission(t_s, height, around)
            for t_s, height, around in zip(times, altitude, azimuth, strict=True)
        ]
        looking = float(altitude[SAMPLES // 2]), float(azimuth[SAMPLES // 2])
        wander_arcsec, through = float(np.sqrt(np.mean(wander**2))), float(np.mean(passed))
        air, disc = self._blurs_arcsec(float(times[SAMPLES // 2]), looking[0], glass)
        steady = float(np.hypot(air, shaken_arcsec(world, wander_arcsec)))
        return TakenSub(
            one.dated_s,
            one.exposure_s,
            target.name,
            name,
            not self._has_other_use(one.exposure_s),
            float(np.degrees(ra)) % 360.0,
            float(np.degrees(dec)),
            slews,
            through,
            wander_arcsec,
            float(np.hypot(steady, disc) / steady - 1),
            zlib.crc32(pixels(data)),
            one.stuck or bool(self._gone),
            true_depth(world, glass, times, looking, through, wander_arcsec, np.hypot(air, disc)),
            *self._light(one.begun_s),
        )

    def _light(self, t_s: float) -> tuple[frozenset[str], float]:
        """What lit the sky shortly before a moment, and then, and the altitude of the Sun."""
        site, dark_deg = self._world.site, self._settings.policies.dark.sun_altitude_deg
        moments = (t_s, t_s - ASKED_SKY.tolerance)
        skies = frozenset(lit_by(site, dark_deg, moment) for moment in moments)
        return skies, site.sun_altitude_deg(t_s)

    def _target(self, middle: np.ndarray, filter_name: str, exposure_s: float) -> Target | None:
        """The nearest target that asks for such a sub: panels of a mosaic lie close together."""
        away_deg = {
            target.name: float(
                separation_deg(middle / np.linalg.norm(middle), unit(target.ra_deg, target.dec_deg))
            )
            for target in self._settings.targets.targets
        }
        for target in sorted(self._settings.targets.targets, key=lambda one: away_deg[one.name]):
            asked = target.subs.get(filter_name)
            if (
                away_deg[target.name] < UNDER_IT_DEG
                and asked is not None
                and _is_asked(
                    target, asked.exposure_s, exposure_s, self._settings.policies.guiding.unguided_s
                )
            ):
                return target
        return None

    def _has_other_use(self, exposure_s: float) -> bool:
        """Whether a focus frame or one to be solved may be of this length, too."""
        policies = self._settings.policies
        others = (
            policies.focus.exposure_s,
            policies.focus.maximum_exposure_s,
            *(policies.acquire.exposure_s * longer for longer in (1, 2, 3, 4)),
        )
        return any(abs(exposure_s - other_s) < 1e-3 for other_s in others)

    def _blurs_arcsec(
        self, t_s: float, altitude_deg: float, glass: FilterSettings
    ) -> tuple[float, float]:
        """The half-flux radii that the air and defocus alone give; the latter may be infinite.

        The air's is half of its FWHM; a disc of radius r holds half of its light within r / √2.
        """
        world = self._world
        air = world.sky.seeing_fwhm_arcsec(t_s, altitude_deg, glass.wavelength_nm) / 2
        best = world.light_path.best_focus_steps(t_s)
        if best is None:
            return air, float("inf")
        optics = world.settings.optics
        out_um = abs(world.focuser.drawtube_steps(t_s) - best) * world.settings.focuser.step_um
        radius_arcsec = out_um / (2 * optics.focal_ratio) * 206.264806 / optics.focal_length_mm
        return air, float(radius_arcsec / np.sqrt(2))


def _among(start_s: float, others_s: Iterable[float]) -> bool:
    return any(abs(other_s - start_s) < SAME_START_S for other_s in others_s)


def _is_asked(target: Target, asked_s: float, exposure_s: float, unguided_s: float | None) -> bool:
    """Whether a target asks for a sub of that length, or of the shorter one without guiding."""
    longest_s = max(sub.exposure_s for sub in target.subs.values())
    shorter = 1.0 if unguided_s is None else min(1.0, unguided_s / longest_s)
    return any(abs(asked_s * factor - exposure_s) < 1e-3 for factor in (1.0, shorter))
