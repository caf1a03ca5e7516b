"""Hot pixels of the simulated guide camera: learned from pointings, and mended."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from guiding.closed_loop import EXPOSURE_S, PERFECT_MOUNT, GuidedSky
from guiding.star_images import moved, star_image
from nightloom.guiding import GuideStars, HotPixels, find_guide_stars, measure
from nightloom.guiding.hot_pixels import SURE
from nightloom_drivers.frame_kind import FrameKind

Frame = NDArray[np.uint16]
SHAPE = (240, 320)


@dataclass(frozen=True)
class Learned:
    """A camera whose hot pixels were learned at some pointings, and its stars at the last one."""

    sky: GuidedSky
    hot: HotPixels
    truth: dict[tuple[int, int], float]
    """Electrons in a frame by column and row."""

    def frame(self, *, dark: bool = False) -> Frame:
        return self.sky.world.guide_camera.expose(
            self.sky.now_s, EXPOSURE_S, FrameKind.DARK if dark else FrameKind.LIGHT
        )


@pytest.fixture(scope="module")
def learned() -> Learned:
    """Six pointings some 19″ apart, as in a calibration."""
    sky = GuidedSky(PERFECT_MOUNT, seed=2)
    camera, hot = sky.world.guide_camera, HotPixels.known(SHAPE)
    for _ in range(6):
        hot = hot.learned(camera.expose(sky.now_s, EXPOSURE_S))
        sky.mount.pulse(sky.now_s, "north", 2500)
        sky.mount.pulse(sky.now_s, "west", 2500)
        sky.now_s += 5.0
    sky.stars = sky._choose()
    sensor, warm_c = camera._sensor, camera._weather.temperature_c(sky.now_s) + 5.0
    dark = sensor.dark_at_0c * sensor.warmth(warm_c) * EXPOSURE_S
    usual = float(np.median(dark))
    truth = {(int(x), int(y)): float(dark[y, x]) for y, x in np.argwhere(dark > usual)}
    return Learned(sky, hot, truth)


def test_those_of_the_camera_are_found_and_no_star(learned: Learned) -> None:
    """All with more than five times the noise of a pixel, which is 5 electrons here."""
    found = set(learned.hot.places)
    assert found <= set(learned.truth)
    bright = {place for place, electrons in learned.truth.items() if electrons > 5 * 5 + 10}
    assert len(bright) > 30
    assert bright <= found


def test_in_the_dark_none_is_held_for_a_guide_star(learned: Learned) -> None:
    """A cloud before the guide stars: without the map a hot pixel in a window stands for one."""
    frames = [learned.frame(dark=True) for _ in range(20)]
    stars = learned.sky.stars
    raw = [measure(frame, stars, radius_px=14).held for frame in frames]
    mended = [measure(learned.hot.mended(frame), stars, radius_px=14).held for frame in frames]
    assert np.mean(np.array(raw) > 0) > 0.2
    assert sum(mended) == 0


def test_stars_are_where_they_were(learned: Learned) -> None:
    frame = learned.frame()
    before, after = (
        measure(image, learned.sky.stars, radius_px=14)
        for image in (frame, learned.hot.mended(frame))
    )
    assert after.held >= before.held
    apart_px = math.hypot(after.dx_px - before.dx_px, after.dy_px - before.dy_px)
    assert apart_px < 0.2 * before.error_px + 0.02


def test_a_frame_of_another_size_is_left_as_it_is(learned: Learned) -> None:
    other = np.zeros((60, 80), dtype=np.uint16)
    assert learned.hot.mended(other) is other


def test_a_soft_hot_spot_is_told_from_stars_by_pointings_only() -> None:
    """Two pixels side by side pass for a star at first, the brighter of two, and guiding on them
    is blind; four pointings later they do not.
    """
    rng = np.random.default_rng(1)
    pair = [(100, 100, 15_000.0), (101, 100, 15_000.0)]
    hot, star = HotPixels.known(SHAPE), (60.0, 50.0, 15_000.0)
    for n in range(SURE):
        star = (60.0 + 11 * n, 50.0 + 7 * n, 15_000.0)
        frame = star_image([star], rng=rng, hot_pixels=pair)
        hot = hot.learned(frame)
    blind, seeing = chosen(frame), chosen(hot.mended(frame))
    assert (len(blind), len(seeing)) == (2, 1)
    later = star_image(moved([star], 0.5, 0.0), rng=rng, hot_pixels=pair)
    assert measure(later, blind, radius_px=14).dx_px < 0.25
    assert measure(hot.mended(later), seeing, radius_px=14).dx_px == pytest.approx(0.5, abs=0.1)


def test_what_is_known_of_another_night_is_confirmed_or_forgotten() -> None:
    rng = np.random.default_rng(2)
    frame = star_image([], rng=rng, hot_pixels=[(30, 40, 900.0)])
    hot = HotPixels.known(SHAPE, [(30, 40), (31, 90), (5000, 5)])
    assert hot.places == [(30, 40), (31, 90)]
    assert hot.learned(frame).places == [(30, 40)]


def chosen(image: Frame) -> GuideStars:
    return find_guide_stars(image, saturation_adu=65_535, count_max=8, margin_px=16)
