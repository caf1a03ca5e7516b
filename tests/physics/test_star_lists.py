"""Lists of stars against the pictures of the same scenes, measured by the daemon."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom.frames import StarField
from nightloom.frames.listed import measure_listed
from nightloom.frames.measuring import measure_whole
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.listing import LISTED_MAX
from nightloom_drivers.physics.profile import profile
from nightloom_drivers.physics.psf import Blur, shifted_stamps
from nightloom_drivers.physics.view import View
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import AtmosphereSettings, OpticsSettings, SensorSettings
from nightloom_drivers.sent import Sent
from physics.nights import NOON_S, PERFECT_MOUNT, open_world

SATURATION_ADU = 62000.0
STEADY = AtmosphereSettings(seeing_log_scatter=0.0, haze_log_scatter=0.0)
BRIGHT_SNR = 10.0
FRAMES = 3


@dataclass(frozen=True)
class Scene:
    """What stands before the camera, `out_steps` from focus, and how near lists must come to it."""

    exposure_s: float
    out_steps: int = 0
    pixel_um: float = 3.76
    binning: int = 1
    obstruction: float = 0.0
    seeing_arcsec: float = 2.8
    alike: float = 0.1
    """How near counts must be, and sizes to a fifth of that."""
    factor: float = 2.0
    """Within which scatters must be equal."""


SCENES = {
    "short": Scene(4.0),
    "long": Scene(60.0),
    "out of focus": Scene(15.0, 60),
    "a ring": Scene(60.0, 200, obstruction=0.35, alike=0.2, factor=3.0),
    "coarse pixels": Scene(20.0, pixel_um=5.4),
    "fine pixels": Scene(30.0, pixel_um=2.4),
    "fine pixels, joined": Scene(30.0, pixel_um=2.4, binning=2),
    "bad air": Scene(10.0, seeing_arcsec=6.0),
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
        begun_s = t_s + n * (scene.exposure_s + 2)
        asked: Any = begun_s, scene.exposure_s, FrameKind.LIGHT, whole, scene.binning
        picture = world.camera.expose(*asked)
        listed = world.listing_camera.expose(*asked)
        view = world.camera.view(begun_s, scene.exposure_s)
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


def scatter(seen: list[tuple[View, StarField]], scene: Scene, snr: tuple[float, float]) -> Scatter:
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

    def mean(told: str, seen: list[tuple[View, StarField]]) -> float:
        return float(np.mean([getattr(field, told) for _, field in seen]))

    assert mean("count", listed) == pytest.approx(mean("count", drawn), rel=scene.alike, abs=2)
    for told, alike in (
        ("half_flux_radius_px", scene.alike / 5),
        ("background_adu", 0.01),
        ("noise_adu", 0.03),
    ):
        assert mean(told, listed) == pytest.approx(mean(told, drawn), rel=alike), told
    # of faint rings too few are seen, and those by other light that they lie in
    bins = ((BRIGHT_SNR, 40.0), (40.0, np.inf))[scene.out_steps > 100 :]
    for snr in bins:
        one, other = scatter(drawn, scene, snr), scatter(listed, scene, snr)
        assert other.median_light == pytest.approx(one.median_light, abs=0.6 * scene.alike)
        assert other.median_size_px == pytest.approx(one.median_size_px, rel=scene.alike / 2)
        for told in ("place_px", "light", "size_px"):
            ratio = getattr(other, told) / getattr(one, told)
            assert 1 / scene.factor < ratio < scene.factor, (told, one, other)


def test_light_within_a_radius_of_a_gaussian_and_of_a_disk() -> None:
    """Within r of a Gaussian lie 1 − exp(−r²/2σ²) of its light, within r of a disk r²/R²."""
    gaussian = profile(2.0, 0.0, 0.0, 8.0)
    inside = -np.expm1(-(gaussian.radius_px**2) / 4)
    np.testing.assert_allclose(gaussian.within, inside, atol=1e-4)
    assert gaussian.radius_of(0.5) == pytest.approx(1.17741 * np.sqrt(2.0), rel=1e-3)
    disk = profile(0.09, 10.0, 0.0, 12.0)
    for part in (0.25, 0.5, 0.75):
        assert disk.radius_of(part) == pytest.approx(10 * np.sqrt(part), rel=0.005)


def test_an_image_that_is_drawn_holds_as_much_light_within_a_radius() -> None:
    blur = Blur(0.8, 0.8, 0.0, 6.0, 0.4)
    image = shifted_stamps(blur)[0, 0].astype(float)
    middle = image.shape[0] // 2
    y, x = np.indices(image.shape) - middle
    drawn = profile(0.8 + 1 / 12, 6.0, 0.4, 12.0)
    for radius_px in (3.5, 5.5, 7.5):
        inside = image[np.hypot(x, y) < radius_px].sum()
        assert drawn.flux_within(radius_px) == pytest.approx(inside, abs=0.03)


@pytest.mark.parametrize("kind", [FrameKind.DARK, FrameKind.BIAS])
def test_a_frame_without_light_has_its_level_and_no_stars(kind: FrameKind) -> None:
    world, t_s = open_world(mount=PERFECT_MOUNT, sensor=SensorSettings(has_shutter=True))
    picture = world.camera.expose(t_s, 60.0, kind)
    listed = world.listing_camera.expose(t_s, 60.0, kind)
    assert listed.found == len(listed.stars) == 0
    assert listed.sky_adu == pytest.approx(np.median(picture), abs=0.6)
    assert listed.shape == picture.shape


def test_no_more_stars_are_listed_than_the_brightest() -> None:
    world, t_s = standing(Scene(600.0, pixel_um=9.0))
    listed = world.listing_camera.expose(t_s, 600.0)
    assert listed.found > len(listed.stars) == LISTED_MAX
    flux_adu = listed.stars["flux_adu"]
    assert (np.diff(flux_adu) <= 0).all()
    assert measure_listed(listed, SATURATION_ADU).count == listed.found


def test_one_seed_lists_the_same_stars_and_another_one_does_not() -> None:
    tables = []
    for seed in (1, 1, 2):
        world, t_s = open_world(mount=PERFECT_MOUNT)
        again = World(world.settings, seed, NOON_S, Sent.STARS)
        again.roof.open(NOON_S)
        again.mount.unpark(NOON_S)
        tables.append(again.listing_camera.expose(t_s, 10.0).stars.tobytes())
    assert tables[0] == tables[1] != tables[2]
