"""Lists of stars against the pictures of the same scenes, measured by the daemon."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import KDTree
from scipy.special import erf

from nightloom.frames import StarField
from nightloom.frames.listed import measure_listed
from nightloom.frames.measuring import measure_whole
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.profile import profile
from nightloom_drivers.physics.psf import Blur, shifted_stamps
from nightloom_drivers.physics.view import View
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import AtmosphereSettings, OpticsSettings, SensorSettings
from nightloom_drivers.star_list import StarList
from physics.nights import PERFECT_MOUNT, open_world

SATURATION_ADU = 62000.0
STEADY = AtmosphereSettings(seeing_log_scatter=0.0, haze_log_scatter=0.0)
BRIGHT_SNR = 10.0
FRAMES = 5


@dataclass(frozen=True)
class Scene:
    """What stands before the camera: `out_steps` from focus."""

    exposure_s: float
    out_steps: int = 0
    pixel_um: float = 3.76
    binning: int = 1
    obstruction: float = 0.0
    seeing_arcsec: float = 2.8


SCENES = {
    "short": Scene(4.0),
    "long": Scene(60.0),
    "out of focus": Scene(60.0, 60),
    "a ring": Scene(300.0, 200, obstruction=0.35),
    "coarse pixels": Scene(20.0, pixel_um=5.4),
    "fine pixels": Scene(30.0, pixel_um=2.4),
    "fine pixels, joined": Scene(30.0, pixel_um=2.4, binning=2),
    "bad air": Scene(30.0, seeing_arcsec=6.0),
}


def standing(scene: Scene) -> tuple[World, float]:
    """A world that looks at stars, focused as the scene has it, and the time."""
    world, t_s = open_world(
        atmosphere=STEADY.model_copy(update={"seeing_fwhm_arcsec": scene.seeing_arcsec}),
        mount=PERFECT_MOUNT,
        sensor=SensorSettings(pixel_um=scene.pixel_um),
        optics=OpticsSettings(central_obstruction=scene.obstruction),
    )
    best = world.light_path.best_focus_steps(t_s)
    assert best is not None
    world.focuser.move_to(t_s, round(best) - 500 + scene.out_steps)
    world.focuser.move_to(t_s + 30, round(best) + scene.out_steps)
    return world, t_s + 60


def both(scene: Scene) -> Iterator[tuple[View, StarField, StarField]]:
    """What is there, and what is measured of pictures and of lists of it."""
    world, t_s = standing(scene)
    whole = Window(0, 0, world.settings.sensor.width_px, world.settings.sensor.height_px)
    for n in range(FRAMES):
        asked: Any = t_s + n * (scene.exposure_s + 2), scene.exposure_s, FrameKind.LIGHT, whole
        picture = world.camera.expose(*asked, scene.binning)
        listed = world.listing_camera.expose(*asked, scene.binning)
        view = world.camera.view(*asked[:2])
        yield (
            view,
            measure_whole(picture, SATURATION_ADU),
            measure_listed(listed, SATURATION_ADU),
        )


@dataclass(frozen=True)
class Scatter:
    """How far stars of some brightness are from what is there: standard deviations of place, of
    light and of size, robust ones; the medians of light and size, and how many stars.
    """

    place_px: float
    light: float
    size_px: float
    median_light: float
    median_size_px: float
    count: int


def scatter(
    seen: list[tuple[View, StarField]], scene: Scene, snr: tuple[float, float]
) -> Scatter:
    """Of all stars that stand alone, in all frames."""
    gain = SensorSettings().gain_e_per_adu
    offs: list[NDArray[np.float64]] = []
    for view, field in seen:
        stars = field.stars[~(field.stars["saturated"] | field.stars["cut"])]
        stars = stars[~stars["crowded"] & (stars["snr"] > snr[0]) & (stars["snr"] <= snr[1])]
        x, y = ((place + 0.5) / scene.binning - 0.5 for place in (view.x, view.y))
        bright = np.flatnonzero(view.flux_e_per_s > 0)
        places = np.column_stack([x[bright], y[bright]])
        if not len(stars):
            continue
        away, which = KDTree(places).query(np.column_stack([stars["x"], stars["y"]]))
        same = away < max(1.5, 0.3 * field.half_flux_radius_px)
        truly = bright[which[same]]
        flux_adu = view.flux_e_per_s[truly] * scene.exposure_s / gain
        width, height = SensorSettings().width_px, SensorSettings().height_px
        edge = ((2 * view.x[truly] / width - 1) ** 2 + (2 * view.y[truly] / height - 1) ** 2) / 2
        light = stars["flux_adu"][same] / flux_adu / (1 - OpticsSettings().vignetting * edge)
        size_px = stars["half_flux_radius_px"][same]
        offs.append(
            np.array([stars["x"][same] - x[truly], stars["y"][same] - y[truly], light, size_px])
        )
    x_px, y_px, light, size_px = np.concatenate(offs, axis=1)
    sized = size_px[np.isfinite(size_px)]
    return Scatter(
        _deviation(np.concatenate([x_px, y_px])),
        _deviation(light),
        _deviation(sized),
        float(np.median(light)),
        float(np.median(sized)),
        len(light),
    )


def _deviation(values: NDArray[np.float64]) -> float:
    """1.4826 median absolute deviations: the standard deviation of a normal distribution."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


@pytest.mark.parametrize("name", SCENES)
def test_lists_hold_what_measuring_pictures_finds(name: str) -> None:
    scene = SCENES[name]
    frames = list(both(scene))
    drawn = [(view, picture) for view, picture, _ in frames]
    listed = [(view, stars) for view, _, stars in frames]
    counts = [float(np.mean([one.count for _, one in seen])) for seen in (drawn, listed)]
    assert counts[1] == pytest.approx(counts[0], rel=0.1, abs=2)
    sizes = [np.median([one.half_flux_radius_px for _, one in seen]) for seen in (drawn, listed)]
    assert sizes[1] == pytest.approx(sizes[0], rel=0.02)
    for told in ("background_adu", "noise_adu"):
        of_picture, of_list = (np.mean([getattr(one, told) for _, one in seen]) for seen in (drawn, listed))
        assert of_list == pytest.approx(of_picture, rel=0.04 if told == "noise_adu" else 0.003)
    for snr in ((BRIGHT_SNR, 40.0), (40.0, np.inf)):
        one, other = scatter(drawn, scene, snr), scatter(listed, scene, snr)
        print(name, snr, one, other)


def _unused() -> None:
    _ = erf, profile, Blur, shifted_stamps, StarList
