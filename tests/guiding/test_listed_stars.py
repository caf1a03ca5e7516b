"""Guide stars by lists of stars against the pictures of the same scenes."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from nightloom.guiding import (
    GuideStars,
    HotPixels,
    Measurement,
    find_guide_stars,
    measure,
    recovered_shift,
)
from nightloom.guiding.listed import find_listed, measure_listed, unchanged
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import (
    AtmosphereSettings,
    CloudPassage,
    GuideCameraSettings,
    SensorSettings,
    WeatherSettings,
)
from physics.nights import PERFECT_MOUNT, open_world

FULL_ADU = 4095.0
FRAMES = 60
WINDOW_PX = 14
FINE = GuideCameraSettings().sensor.model_copy(
    update={"pixel_um": 2.4, "width_px": 640, "height_px": 480}
)


@dataclass(frozen=True)
class Scene:
    """A guide camera under some air."""

    exposure_s: float = 2.0
    sensor: SensorSettings = GuideCameraSettings().sensor
    seeing_arcsec: float = 2.8


SCENES = {
    "usual": Scene(),
    "short": Scene(0.7),
    "fine pixels": Scene(sensor=FINE),
    "bad air": Scene(seeing_arcsec=6.0),
}


def looking(scene: Scene, **parts: Any) -> tuple[World, float]:
    """A world with this guide camera, open and tracking."""
    air = AtmosphereSettings(seeing_fwhm_arcsec=scene.seeing_arcsec, seeing_log_scatter=0.0)
    guide = GuideCameraSettings(sensor=scene.sensor)
    return open_world(mount=PERFECT_MOUNT, atmosphere=air, guide=guide, **parts)


def series(world: World, t_s: float, exposure_s: float, *, listed: bool) -> list[Measurement]:
    """The first frame's stars in many later ones."""
    look = world.listing_guide_camera.expose if listed else world.guide_camera.expose
    find: Callable[..., GuideStars] = find_listed if listed else find_guide_stars
    follow: Callable[..., Measurement] = measure_listed if listed else measure
    stars = find(look(t_s, exposure_s), saturation_adu=FULL_ADU, count_max=12, margin_px=28)
    times = t_s + (exposure_s + 0.3) * np.arange(1, FRAMES + 1)
    return [follow(look(at_s, exposure_s), stars, radius_px=WINDOW_PX) for at_s in times.tolist()]


@pytest.mark.parametrize("name", SCENES)
def test_listed_guide_stars_are_measured_as_those_of_pictures(name: str) -> None:
    scene = SCENES[name]
    world, t_s = looking(scene)
    drawn, listed = (
        series(world, t_s, scene.exposure_s, listed=of_lists) for of_lists in (False, True)
    )

    def both(of: Callable[[list[Measurement]], float]) -> tuple[float, float]:
        return of(listed), of(drawn)

    held, held_drawn = both(lambda seen: float(np.mean([one.held for one in seen])))
    assert held == pytest.approx(held_drawn, rel=0.3, abs=1)
    wide, wide_drawn = both(lambda seen: float(np.mean([one.width_px for one in seen])))
    assert wide == pytest.approx(wide_drawn, rel=0.06)
    for scatter, factor in (
        (lambda seen: float(np.std([one.dx_px for one in seen])), 1.4),
        (lambda seen: float(np.std([one.flux_ratio for one in seen])), 1.6),
        (lambda seen: float(np.std([one.width_px for one in seen])), 1.8),
        (lambda seen: float(_own_scatter_px(seen)), 1.5),
    ):
        one, other = both(scatter)
        assert 1 / factor < one / other < factor
    light, light_drawn = both(lambda seen: float(np.mean([one.snr[0] for one in seen])))
    assert light == pytest.approx(light_drawn, rel=0.1)


def _own_scatter_px(seen: list[Measurement]) -> float:
    """Of the two brightest stars against all: what their noise gives, without the air's jitter."""
    off = np.array([one.x_px[:2] - one.dx_px for one in seen])
    return float(np.nanstd(off, axis=0).mean())


def test_a_star_that_moved_is_measured_where_it_is_and_found_when_it_left() -> None:
    scene = Scene()
    world, t_s = looking(scene)
    frame = world.listing_guide_camera.expose(t_s, 6.0)
    stars = find_listed(frame, saturation_adu=FULL_ADU, count_max=12, margin_px=28)
    assert len(stars) >= 3
    near = measure_listed(frame, stars.shifted(-3.0, 2.0), radius_px=WINDOW_PX)
    assert (near.dx_px, near.dy_px) == pytest.approx((3.0, -2.0), abs=0.01)
    assert near.held == len(stars)
    away = stars.shifted(-60.0, 45.0)
    assert measure_listed(frame, away, radius_px=WINDOW_PX).held <= 1
    found = recovered_shift(frame, away, saturation_adu=FULL_ADU, find=find_listed)
    assert found == pytest.approx((60.0, -45.0), abs=0.05)


def test_cloud_takes_the_light_of_listed_stars_and_then_the_stars() -> None:
    """A magnitude is a factor of 2.512 (Pogson's scale)."""
    seen = {}
    for depth_mag in (0.0, 1.0, 9.0):
        cloud = CloudPassage(begin_h_after_dusk=-1, duration_h=9, depth_mag=depth_mag, contrast=0)
        world, t_s = looking(Scene(), weather=WeatherSettings(clouds=(cloud,)))
        seen[depth_mag] = world.listing_guide_camera.expose(t_s, 4.0)
    stars = find_listed(seen[0.0], saturation_adu=FULL_ADU, count_max=8, margin_px=28)
    dim = measure_listed(seen[1.0], stars, radius_px=WINDOW_PX)
    drawn_away = measure_listed(seen[9.0], stars, radius_px=WINDOW_PX)
    assert 0.2 < dim.flux_ratio < 0.75
    assert drawn_away.held == 0
    assert drawn_away.flux_ratio < 0.1


def test_lists_without_a_star_hold_nothing_and_have_no_hot_pixels() -> None:
    world, t_s = looking(Scene())
    frame = world.listing_guide_camera.expose(t_s, 2.0)
    stars = find_listed(frame, saturation_adu=FULL_ADU, count_max=8, margin_px=28)
    world.roof.close(t_s)
    dark = world.listing_guide_camera.expose(t_s + 60, 2.0)
    assert len(dark.stars) == 0
    nothing = measure_listed(dark, stars, radius_px=WINDOW_PX)
    assert (nothing.held, nothing.flux_ratio) == (0, 0.0)
    assert len(find_listed(dark, saturation_adu=FULL_ADU, count_max=8, margin_px=28)) == 0
    hot = HotPixels.known(frame.shape)
    assert unchanged(hot, frame).places == []
