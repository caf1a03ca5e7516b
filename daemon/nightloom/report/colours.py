"""A colour picture out of three filters: the longer the wavelength, the redder."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightloom.report.records import FilterFacts
from nightloom.small_picture import Small, sky_and_noise, stretched

WHOLE_NM = 200.0
"""A filter with a wider band lets all visible light through: its light is brightness, no colour."""

WIDE_NM = 40.0
"""Three filters with wider bands make natural colours; narrower ones show gases."""

BRIGHT_SIGMAS = 10.0
"""Pixels so far above the sky's noise in the mean of the colours are stars; most stars together
are taken to be white."""

BRIGHT_PX_MIN = 20
"""With fewer such pixels as many of the brightest are taken."""


@dataclass(frozen=True)
class Channels:
    """Which filters make which colour; `brightness` is empty without a filter for it."""

    red: str
    green: str
    blue: str
    brightness: str = ""

    @property
    def colours(self) -> tuple[str, str, str]:
        """The three of them."""
        return self.red, self.green, self.blue


def channels(names: Sequence[str], filters: Mapping[str, FilterFacts]) -> Channels | None:
    """Filters for a colour picture out of those of a target; None where there are no three.

    With more than three of a kind those at the ends of the spectrum and the one nearest to their
    middle are taken.
    """
    known = [filters[name] for name in names if name in filters]
    known = [one for one in known if one.wavelength_nm is not None]
    whole = [one.name for one in known if (one.bandwidth_nm or 0.0) >= WHOLE_NM]
    rest = [one for one in known if one.name not in whole]
    wide = [one for one in rest if (one.bandwidth_nm or 0.0) >= WIDE_NM]
    chosen = wide if len(wide) >= 3 else rest
    if len(chosen) < 3:
        return None
    by_wavelength = sorted(chosen, key=lambda one: -(one.wavelength_nm or 0.0))
    middle = _middle(by_wavelength)
    brightness = whole[0] if whole else ""
    return Channels(by_wavelength[0].name, middle.name, by_wavelength[-1].name, brightness)


def _middle(ordered: Sequence[FilterFacts]) -> FilterFacts:
    ends = (ordered[0].wavelength_nm or 0.0) + (ordered[-1].wavelength_nm or 0.0)
    return min(ordered[1:-1], key=lambda one: abs((one.wavelength_nm or 0.0) - ends / 2.0))


def coloured(pictures: Mapping[str, Small], chosen: Channels) -> Small:
    """A picture (rows, columns, 3) between 0 and 1.

    The brightness is stretched, and each pixel keeps the proportions of its colours: Lupton et al.
    2004, PASP 116, 133.
    """
    light = _alike([pictures[name] for name in chosen.colours])
    mean = np.asarray(np.mean(light, axis=0), np.float32)
    own = pictures.get(chosen.brightness)
    bright = stretched(mean if own is None else own)
    floor = max(sky_and_noise(mean)[1], 1e-6)
    lifted = [np.clip(one, 0.0, None) + 3.0 * floor for one in light]
    grey = np.mean(lifted, axis=0)
    shown = np.stack([bright * one / grey for one in lifted], axis=-1)
    peak = np.maximum(shown.max(axis=-1, keepdims=True), 1.0)
    return np.asarray(np.nan_to_num(shown / peak, nan=0.0), np.float32)


def _alike(pictures: Sequence[Small]) -> list[Small]:
    """Light above each sky, in units in which most stars are as bright in all of them."""
    skies, noises = zip(*map(sky_and_noise, pictures), strict=True)
    above = [
        np.nan_to_num(picture - sky, nan=0.0) for picture, sky in zip(pictures, skies, strict=True)
    ]
    mean = np.mean([one / noise for one, noise in zip(above, noises, strict=True)], axis=0)
    brightest = np.sort(mean, axis=None)[-min(BRIGHT_PX_MIN, mean.size)]
    stars = mean >= min(BRIGHT_SIGMAS, brightest)
    units = [
        max(float(np.median(one[stars])), noise) for one, noise in zip(above, noises, strict=True)
    ]
    return [np.asarray(one / unit, np.float32) for one, unit in zip(above, units, strict=True)]
