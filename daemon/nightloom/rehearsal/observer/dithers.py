"""Whether two subs of one filter are as far apart on the sensor as is asked."""

from collections.abc import Iterable

import numpy as np

from nightloom.rehearsal.observer.exposures import ARCSEC, TakenSub
from nightloom.rehearsal.observer.rules import DITHERED, Findings
from nightloom.settings import Settings
from nightloom_drivers.physics.sphere import separation_deg, unit

ROUNDING = 1e-6


def look_at_dithers(settings: Settings, subs: Iterable[TakenSub], findings: Findings) -> None:
    """Hold the true places of a target's subs against the dithers that it asks for."""
    latest: dict[tuple[str, str], tuple[TakenSub, int]] = {}
    scale = scale_arcsec_per_px(settings)
    for sub in subs:
        if not sub.certain:
            continue
        before, number = latest.get((sub.target, sub.filter), (None, 0))
        latest[sub.target, sub.filter] = sub, 1
        if before is None or before.slews != sub.slews:
            continue
        dither = settings.targets.named(sub.target).dither.over(settings.policies.dither)
        places = (before.ra_deg, before.dec_deg), (sub.ra_deg, sub.dec_deg)
        moved_px = apart_arcsec(*places) / scale
        wander_px = float(np.hypot(before.wander_arcsec, sub.wander_arcsec)) / scale
        if moved_px >= dither.minimum_step_px - DITHERED.tolerance - wander_px:
            continue
        latest[sub.target, sub.filter] = sub, number + 1
        few = number < dither.subs_per_pointing
        if not few and (number + 1) * sub.exposure_s > dither.exposed_s_per_pointing + ROUNDING:
            seen = f"{named(sub)} is {moved_px:.1f} px from the one before it"
            seen += f", and {number} were taken there" if number > 1 else ""
            findings.add(DITHERED, sub.start_s, seen)


def apart_arcsec(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Between two places, right ascension and declination in degrees."""
    return float(np.asarray(separation_deg(unit(*one), unit(*other)))) * ARCSEC


def scale_arcsec_per_px(settings: Settings) -> float:
    """Of the main camera. A rehearsal's settings always say how large its pixels are."""
    observatory = settings.observatory
    if observatory.camera.pixel_um is None:
        raise ValueError("the settings of a rehearsal must have camera.pixel_um")
    binned_um = observatory.camera.pixel_um * observatory.camera.binning
    return observatory.optics.scale_arcsec_per_px(binned_um)


def named(sub: TakenSub) -> str:
    """A sub, in a finding's words."""
    return f"a sub of {sub.exposure_s:g} s of {sub.target} in {sub.filter}"
