import numpy as np
import pytest
import sep
from astropy.wcs import WCS
from scipy.constants import Planck

from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.mount import Boresight
from nightloom_drivers.physics.optics import scale_arcsec_per_px, zero_point_e_per_s
from nightloom_drivers.physics.sensor import binned
from nightloom_drivers.physics.sphere import unit
from nightloom_drivers.physics.view import Projection
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import (
    AtmosphereSettings,
    EnclosureSettings,
    OpticsSettings,
    SensorSettings,
    WheelSettings,
)

from .nights import NOON_S, PERFECT_MOUNT, open_world

SHUTTERED = SensorSettings(has_shutter=True)
"""A sensor whose darks see no light, whatever is open."""

STEADY = AtmosphereSettings(seeing_log_scatter=0.0, haze_log_scatter=0.0, jitter_arcsec=0.0)


def focused(world: World, t_s: float) -> float:
    best = world.light_path.best_focus_steps(t_s)
    assert best is not None
    world.focuser.move_to(t_s, 9000)
    world.focuser.move_to(t_s + 60, round(best))
    return t_s + 120


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_projection_agrees_with_a_world_coordinate_system(mirrored: bool) -> None:
    """Against astropy's gnomonic projection with a position angle of 30° for the +y axis."""
    projection = Projection(1024, 768, 1.46, mirrored)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [83.0, 61.0], [512.5, 384.5]
    turn, scale = np.radians(30), 1.46 / 3600
    wcs.wcs.cd = scale * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    wcs.wcs.cd = wcs.wcs.cd * (-1 if mirrored else 1, 1)
    ra, dec = 83 + np.linspace(-0.4, 0.4, 9), 61 + np.linspace(0.15, -0.2, 9)
    x, y = projection.pixels(unit(ra, dec), 83.0, 61.0, 30.0)
    expected_x, expected_y = wcs.all_world2pix(ra, dec, 0)
    np.testing.assert_allclose(x, expected_x, atol=1e-6)
    np.testing.assert_allclose(y, expected_y, atol=1e-6)


@pytest.mark.parametrize("mirrored", [False, True])
def test_drift_is_what_the_projection_gives(mirrored: bool) -> None:
    projection = Projection(1024, 768, 1.46, mirrored)
    ra, dec = np.array([83.0, 83.001]), np.array([61.0, 61.0005])
    drift = projection.drift_px(Boresight(ra, dec, np.array([30.0, 30.0]), unit(ra, dec)))
    star = unit(83.05, 61.02)[None, :]
    first, second = (projection.pixels(star, ra[i], dec[i], 30.0) for i in (0, 1))
    np.testing.assert_allclose(
        drift[:, 1], [second[0][0] - first[0][0], second[1][0] - first[1][0]], atol=2e-3
    )


@pytest.mark.parametrize(
    ("wavelength_nm", "flux_jy"), [(360, 1810), (440, 4260), (550, 3640), (640, 3080), (790, 2550)]
)
def test_a_star_of_magnitude_0_has_the_photons_of_its_flux(
    wavelength_nm: float, flux_jy: float
) -> None:
    """Flux densities at magnitude 0 in U, B, V, R and I: Bessell 1979, PASP 91, 589."""
    optics = OpticsSettings(throughput=1.0)
    sensor = SensorSettings(quantum_efficiency=1.0)
    photons = flux_jy * 1e-30 / (Planck * wavelength_nm) * optics.area_cm2  # W/(cm² Hz) in a jansky
    assert zero_point_e_per_s(optics, sensor, wavelength_nm, 1.0, 1.0) == pytest.approx(
        photons, rel=0.08
    )


def test_zero_point_of_a_plain_telescope() -> None:
    """About 10⁴ photons a second, cm² and nm from V = 0 (Bessell 1979): 100 cm², 10 nm, 50 %."""
    optics = OpticsSettings(aperture_mm=112.84, throughput=1.0)
    sensor = SensorSettings(quantum_efficiency=0.5)
    assert zero_point_e_per_s(optics, sensor, 550, 10, 1.0) == pytest.approx(5.0e6, rel=0.02)


def test_stars_in_a_frame_are_where_and_as_bright_as_the_view_says() -> None:
    """Found with an independent program (sep)."""
    world, t_s = open_world(atmosphere=STEADY, mount=PERFECT_MOUNT)
    t_s = focused(world, t_s)
    view = world.camera.view(t_s, 60.0)
    frame = world.camera.expose(t_s, 60.0).astype(np.float32)
    found = sep.extract(frame - np.median(frame), 20.0)
    flux_adu = view.flux_e_per_s * 60 / world.camera.settings.gain_e_per_adu
    bright = (flux_adu > 2e4) & (flux_adu < 1.2e5)
    inside = (view.x > 20) & (view.x < 1003) & (view.y > 20) & (view.y < 747)
    alone = np.array(
        [np.sort(np.hypot(view.x - x, view.y - y)[flux_adu > 200])[1] > 15
         for x, y in zip(view.x, view.y, strict=True)]
    )  # fmt: skip
    chosen = np.flatnonzero(bright & inside & alone)
    assert len(chosen) >= 5
    for i in chosen:
        distance = np.hypot(found["x"] - view.x[i], found["y"] - view.y[i])
        assert distance.min() < 0.15
        total, _, _ = sep.sum_circle(
            frame - np.median(frame), [view.x[i]], [view.y[i]], 6.0, subpix=0
        )
        edge = ((view.x[i] - 511.5) ** 2 / 512**2 + (view.y[i] - 383.5) ** 2 / 384**2) / 2
        vignetted = 1 - world.settings.optics.vignetting * edge
        assert total[0] == pytest.approx(flux_adu[i] * vignetted, rel=0.03)


def test_a_boresight_star_is_in_the_middle_of_the_frame() -> None:
    world, t_s = open_world(mount=PERFECT_MOUNT)
    sight = world.mount.boresight([t_s])
    projection = Projection(1024, 768, 1.46)
    x, y = projection.pixels(
        unit(sight.ra_deg, sight.dec_deg),
        float(sight.ra_deg[0]),
        float(sight.dec_deg[0]),
        float(sight.rotation_deg[0]),
    )
    assert (x[0], y[0]) == pytest.approx((511.5, 383.5), abs=1e-6)


def test_stars_are_smallest_at_best_focus_and_grow_on_both_sides() -> None:
    world, t_s = open_world(atmosphere=STEADY, mount=PERFECT_MOUNT)
    best = world.light_path.best_focus_steps(t_s)
    assert best is not None
    world.focuser.move_to(t_s, round(best) - 400)
    radii = []
    for i in range(9):
        t_s += 30
        world.focuser.move_to(t_s, round(best) - 200 + 50 * i)
        radii.append(world.camera.view(t_s + 10, 2.0).half_flux_radius_px)
    assert int(np.argmin(radii)) == 4
    assert radii == pytest.approx(radii[::-1], rel=0.02)
    # the disk of a cone of f/5 that is 200 steps of 2 µm out of focus, half of its light
    disk_px = 400 / (2 * 5) / 3.76
    assert radii[0] == pytest.approx(np.sqrt(0.5) * disk_px, rel=0.05)


def test_a_closed_roof_or_cap_leaves_a_dark_frame() -> None:
    world, t_s = open_world(sensor=SHUTTERED)
    lit = world.camera.expose(t_s, 30.0)
    dark = world.camera.expose(t_s, 30.0, FrameKind.DARK)
    world.cap.close(t_s + 40)
    capped = world.camera.expose(t_s + 60, 30.0)
    world.cap.open(t_s + 100)
    world.roof.close(t_s + 100)
    roofed = world.camera.expose(t_s + 200, 30.0)
    assert lit.mean() > dark.mean() + 20
    assert capped.mean() == pytest.approx(dark.mean(), abs=0.5)
    assert roofed.mean() == pytest.approx(dark.mean(), abs=0.5)


def test_a_dark_without_a_shutter_sees_what_is_open_and_what_leaks() -> None:
    world, t_s = open_world(enclosure=EnclosureSettings(leak_share=1e-3))
    lit = world.camera.expose(t_s, 30.0)
    opened = world.camera.expose(t_s, 30.0, FrameKind.DARK)
    assert np.median(opened) == pytest.approx(np.median(lit), abs=1.0)
    assert world.camera.expose(t_s, 30.0, FrameKind.BIAS).mean() == pytest.approx(500, abs=0.5)
    world.roof.close(t_s + 40)
    closed_s = t_s + 100
    glow = world.light_path.view(closed_s, 30.0).glow_e_per_s
    assert glow == pytest.approx(1e-3 * world.light_path.view(t_s, 30.0).glow_e_per_s, rel=0.1)


def test_a_panel_gives_the_light_that_photometry_gives_it() -> None:
    """Counted with nothing of ours: a magnitude is 10^-0.4, a star of magnitude 0 gives 10050
    photons a second, cm² and nm in V (Bessell 1979, PASP 91, 589), and a pixel sees its own angle.
    """
    world, t_s = open_world()
    world.cap.close(t_s)
    world.panel.set_level(t_s, 102)
    world.panel.switch(t_s, on=True)
    settings = world.settings
    aperture_cm2 = np.pi * (settings.optics.aperture_mm / 20) ** 2
    pixel_arcsec = np.degrees(settings.sensor.pixel_um / 1000 / settings.optics.focal_length_mm)
    photons = 10050 * 300 * aperture_cm2 * (pixel_arcsec * 3600) ** 2 * 10 ** (-0.4 * 11.0)
    electrons = photons * 102 / 255 * 0.85 * 0.8 * 0.95
    flat = world.camera.expose(t_s + 60, 2.0, FrameKind.FLAT).astype(float)
    middle = np.median(flat[364:404, 492:532]) - 500
    assert middle == pytest.approx(electrons * 2.0 / 0.78, rel=0.01)


def test_starlight_follows_extinction_with_altitude() -> None:
    """0.17 mag an airmass in L (Kasten & Young 1989 for the airmass)."""
    world, t_s = open_world(0.05, 46.0, atmosphere=STEADY, mount=PERFECT_MOUNT)
    sight = world.mount.boresight([t_s])
    airmasses, fluxes = [], []
    for later_s in (0.0, 4 * 3600.0):
        altitude, _ = world.site.icrs_altaz_deg(t_s + later_s + 5, sight.ra_deg, sight.dec_deg)
        zenith = 90 - float(altitude[0])
        kasten = np.cos(np.radians(zenith)) + 0.50572 * (96.07995 - zenith) ** -1.6364
        airmasses.append(1 / kasten)
        fluxes.append(world.camera.view(t_s + later_s, 10.0).flux_e_per_s.max())
    expected = 10 ** (-0.4 * 0.17 * (airmasses[1] - airmasses[0]))
    assert fluxes[1] / fluxes[0] == pytest.approx(expected, rel=1e-4)
    assert expected < 0.95


def test_dark_current_doubles_with_warmth_and_hot_pixels_stay() -> None:
    world, t_s = open_world(sensor=SHUTTERED)
    means, hot = [], []
    for setpoint in (0.0, -6.0):
        world.cooler.set_point(t_s, setpoint)
        t_s += 1200
        dark = world.camera.expose(t_s, 600.0, FrameKind.DARK).astype(float)
        means.append(np.median(dark) - world.camera.settings.bias_adu)
        hot.append(set(np.argsort(dark.ravel())[-30:].tolist()))
        t_s += 600
    assert means[0] == pytest.approx(0.02 * 600 / 0.78, abs=1.0)
    assert means[0] / means[1] == pytest.approx(2, rel=0.15)
    assert len(hot[0] & hot[1]) > 25


def test_bias_frames_have_the_stated_level_and_noise() -> None:
    world, t_s = open_world()
    bias = world.camera.expose(t_s, 100.0, FrameKind.BIAS).astype(float)
    assert bias.mean() == pytest.approx(500, abs=0.1)
    assert bias.std() == pytest.approx(3.3 / 0.78, rel=0.02)


def test_flats_show_the_vignetting_and_photon_noise() -> None:
    world, t_s = open_world()
    world.cap.close(t_s)
    world.panel.set_level(t_s, 255)
    world.panel.switch(t_s, on=True)
    flats = [
        world.camera.expose(t_s + 60 + 10 * i, 1.2, FrameKind.FLAT).astype(float) for i in (0, 1)
    ]
    signal = flats[0] - 500
    middle, corner = signal[364:404, 492:532], signal[:30, :30]
    assert 5_000 < middle.mean() < 45_000
    assert corner.mean() / middle.mean() == pytest.approx(0.88, abs=0.01)
    # noise of a difference of two flats: variance 2·signal/gain in raw numbers
    difference = (flats[0] - flats[1])[364:404, 492:532]
    expected = 2 * middle.mean() / 0.78
    assert difference.var() == pytest.approx(expected, rel=0.12)


def test_windows_and_binning() -> None:
    world, t_s = open_world()
    window = Window(100, 50, 301, 200)
    assert world.camera.expose(t_s, 5.0, window=window).shape == (200, 301)
    assert world.camera.expose(t_s, 5.0, window=window, binning=2).shape == (100, 150)
    assert world.camera.expose(t_s, 5.0, FrameKind.BIAS, binning=2).mean() == pytest.approx(
        2000, abs=1
    )
    assert binned(np.ones((5, 7), np.float32), 2).tolist() == [[4.0] * 3] * 2


def test_a_wheel_in_motion_blocks_the_light() -> None:
    world, t_s = open_world(wheel=WheelSettings(travel_s_per_slot=10.0))
    world.wheel.goto(t_s, 3)
    assert len(world.camera.view(t_s, 10.0).x) == 0
    assert len(world.camera.view(t_s + 30, 10.0).x) > 0


def test_pulses_move_the_stars_on_the_guide_camera() -> None:
    world, t_s = open_world(1.0, 0.0, atmosphere=STEADY, mount=PERFECT_MOUNT)
    before = world.guide_camera.view(t_s, 1.0)
    world.mount.pulse(t_s + 2, "east", 1000)
    after = world.guide_camera.view(t_s + 4, 1.0)
    moved = np.hypot(after.x - before.x, after.y - before.y)
    assert np.median(moved) == pytest.approx(7.5205 / 4.125, rel=0.01)


def test_the_guide_camera_shows_the_view_s_stars() -> None:
    world, t_s = open_world(atmosphere=STEADY, mount=PERFECT_MOUNT)
    view = world.guide_camera.view(t_s, 2.0)
    frame = world.guide_camera.expose(t_s, 2.0).astype(np.float32)
    found = sep.extract(frame - np.median(frame), 40.0)
    best = np.argmax(found["flux"])
    nearest = np.hypot(view.x - found["x"][best], view.y - found["y"][best]).min()
    assert len(found) >= 3
    assert nearest < 0.2
    assert frame.shape == (240, 320)
    assert frame.max() <= 4095


@pytest.mark.parametrize(("width_px", "height_px"), [(1280, 960), (3096, 2080)])
def test_guide_chips_may_be_large(width_px: int, height_px: int) -> None:
    """Each frame has a noise of its own: that of neighbours' differences, and of two frames'."""
    world, t_s = open_world(atmosphere=STEADY, mount=PERFECT_MOUNT)
    guide = world.settings.guide
    chip = guide.sensor.model_copy(update={"width_px": width_px, "height_px": height_px})
    large = World(
        world.settings.model_copy(update={"guide": guide.model_copy(update={"sensor": chip})}),
        1,
        t_s,
    )
    first, second = (
        large.guide_camera.expose(t_s, 1.0, FrameKind.BIAS).astype(np.float64) for _ in range(2)
    )
    assert first.shape == (height_px, width_px)
    noise_adu = np.hypot(chip.read_noise_e / chip.gain_e_per_adu, 12**-0.5)
    assert np.std(first) == pytest.approx(noise_adu, rel=0.02)
    assert np.std(first - second) == pytest.approx(2**0.5 * noise_adu, rel=0.02)


def test_the_guide_star_s_jitter_shrinks_with_time() -> None:
    atmosphere = STEADY.model_copy(update={"jitter_arcsec": 1.0})
    world, t_s = open_world(atmosphere=atmosphere, mount=PERFECT_MOUNT)
    views = [world.guide_camera.view(t_s, 4.0) for _ in range(300)]
    spread_px = np.std([v.x[0] for v in views])
    sensor = world.settings.guide
    expected = 0.5 / scale_arcsec_per_px(sensor.optics, sensor.sensor)
    assert spread_px == pytest.approx(expected, rel=0.15)


def test_one_seed_gives_the_same_frames_and_another_does_not() -> None:
    frames = []
    for seed in (1, 1, 2):
        world, _ = open_world()
        world = World(world.settings, seed, NOON_S)
        world.roof.open(NOON_S)
        t_s = world.dusk_s + 1000
        frames.append((world.camera.expose(t_s, 20.0), world.guide_camera.expose(t_s, 1.0)))
    assert np.array_equal(frames[0][0], frames[1][0])
    assert np.array_equal(frames[0][1], frames[1][1])
    assert not np.array_equal(frames[0][0], frames[2][0])


def test_main_frames_do_not_change_with_what_the_guide_camera_did() -> None:
    first, t_s = open_world()
    other, _ = open_world()
    for i in range(5):
        other.guide_camera.expose(t_s + i, 1.0)
    assert np.array_equal(first.camera.expose(t_s, 20.0), other.camera.expose(t_s, 20.0))
