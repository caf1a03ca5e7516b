"""Clouds and haze: a moving field of transmission."""

import math

import numpy as np

from nightloom_drivers.physics.noise import Wander
from nightloom_drivers.rig_settings import AtmosphereSettings, CloudPassage

_WAVES = 10
_EDGE_H = 0.1  # the cover builds up and thins out over this time


class _Bank:
    """One passage: a layer of patches that drifts over the site."""

    def __init__(self, settings: CloudPassage, rng: np.random.Generator) -> None:
        self._settings = settings
        heading = rng.uniform(0, 2 * np.pi)
        self._drift = np.radians(settings.drift_deg_per_min / 60) * np.array(
            (np.cos(heading), np.sin(heading))
        )
        direction = rng.uniform(0, 2 * np.pi, _WAVES)
        length = np.radians(settings.patch_deg) * np.exp(rng.uniform(-1.0, 1.0, _WAVES))
        number = 2 * np.pi / (2 * length)
        self._wave = np.stack((number * np.cos(direction), number * np.sin(direction)), axis=-1)
        self._phase = rng.uniform(0, 2 * np.pi, _WAVES)

    def depth_mag(self, hours: float, t_s: float, place: tuple[float, float]) -> float:
        """Return the extinction at the zenith's thickness at a place in the layer."""
        s = self._settings
        inside = min(hours - s.begin_h_after_dusk, s.begin_h_after_dusk + s.duration_h - hours)
        if inside <= 0:
            return 0.0
        moved = np.asarray(place) - self._drift * t_s
        patches = np.sqrt(2 / _WAVES) * np.sum(np.cos(self._wave @ moved + self._phase))
        cover = min(inside / _EDGE_H, 1.0)
        return s.depth_mag * cover * max(1.0 + s.contrast * float(patches), 0.0)


class Clouds:
    """Transmission of clouds and haze in any direction."""

    def __init__(
        self,
        passages: tuple[CloudPassage, ...],
        atmosphere: AtmosphereSettings,
        streams: tuple[np.random.SeedSequence, np.random.SeedSequence],
        start_s: float,
        dusk_s: float,
    ) -> None:
        children = streams[0].spawn(len(passages))
        self._banks = [
            _Bank(p, np.random.default_rng(c)) for p, c in zip(passages, children, strict=True)
        ]
        self._haze_scatter = atmosphere.haze_log_scatter
        self._haze = Wander(streams[1], start_s - 3600, atmosphere.haze_correlation_s)
        self._dusk_s = dusk_s

    def add_bank(self, from_s: float, for_s: float, depth_mag: float) -> None:
        """Have an even layer pass besides, from a Unix time on."""
        passage = CloudPassage(
            begin_h_after_dusk=(from_s - self._dusk_s) / 3600,
            duration_h=for_s / 3600,
            depth_mag=depth_mag,
            contrast=0.0,
        )
        self._banks.append(_Bank(passage, np.random.default_rng(len(self._banks))))

    def transmission(self, t_s: float, altitude_deg: float, azimuth_deg: float) -> float:
        """Return the share of light that clouds and haze let through, 0 to 1, grey in colour.

        A layer is thicker towards the horizon as its path, limited to five times.
        """
        haze = math.exp(-abs(self._haze_scatter * self._haze.at(t_s)))
        hours = (t_s - self._dusk_s) / 3600
        altitude = math.radians(max(altitude_deg, 11.5))
        azimuth = math.radians(azimuth_deg)
        away = 1 / math.tan(altitude)
        place = (away * math.cos(azimuth), away * math.sin(azimuth))
        depth = sum(bank.depth_mag(hours, t_s, place) for bank in self._banks)
        return haze * 10 ** (-0.4 * depth / math.sin(altitude))
