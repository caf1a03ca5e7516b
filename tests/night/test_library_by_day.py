"""The library filled by day: dark, on level, as entered, and nothing where light leaks in."""

import asyncio
from collections import Counter
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from night.shelves import filled, lights, with_few
from nightloom.ledger import CalibrationFrame
from nightloom.rig import SimulatedRig
from nightloom.telemetry.events import (
    CalibrationEnded,
    DeviceTrouble,
    FlatsGivenUp,
    FlatTried,
    LightLeaked,
    SensorWarmed,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.simulator import Asked

from .nights import Story

Filled = tuple[Story, list[CalibrationFrame], Path]
FILTERS = ("L", "R", "Ha", "OIII")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    out = tmp_path_factory.mktemp("shelf")
    lights(out, *FILTERS)
    return *filled(out, with_few()), out


def test_what_the_lights_ask_for_is_taken_and_nothing_else(whole: Filled) -> None:
    story, frames, _ = whole
    taken = Counter((one.kind.value, one.filter) for one in frames)
    flats = {("flat", name): 2 for name in FILTERS}
    assert taken == {("bias", ""): 3, ("dark", ""): 2, **flats}
    assert {one.exposure_s for one in frames if one.kind is FrameKind.DARK} == {60.0}
    (ended,) = story.of(CalibrationEnded)
    assert ended.lacking == []


def test_nothing_was_broken_and_the_sensor_is_warm_again(whole: Filled) -> None:
    story, _, _ = whole
    assert story.played.violations == []
    assert len(story.of(SensorWarmed)) == 1


def test_flats_of_the_panel_are_on_level_in_every_filter_within_three_frames(
    whole: Filled,
) -> None:
    """By the pixels on disk: 0.4 of what is between the bias, 500, and saturation, 62000."""
    story, frames, out = whole
    for one in (one for one in frames if one.kind is FrameKind.FLAT):
        data = fits.getdata(out / "calibration" / one.path)
        assert np.median(data) - 500 == pytest.approx(0.4 * 61_500, rel=0.05)
    tried = Counter(event.filter for event in story.of(FlatTried))
    assert max(tried.values()) + 1 <= 3


def test_a_panels_exposures_are_those_of_photometry(whole: Filled) -> None:
    """Photons of a star of magnitude 0 a second, cm² and nm: 10050 in V, 7020 in R (Bessell 1979,
    PASP 91, 589), through the demo's optics; the panel gives magnitude 11 a square arcsecond.
    """
    _, frames, _ = whole
    mag_0 = {"L": 10050 * 300, "R": 7020 * 100}
    area_cm2, scale_arcsec = np.pi * 5.3**2, np.degrees(3.76e-3 / 530) * 3600
    for name, photons in mag_0.items():
        one = next(one for one in frames if one.filter == name)
        brightness = 10 ** (-0.4 * 11.0) * (one.panel_level or 0) / 255
        electrons = photons * area_cm2 * scale_arcsec**2 * brightness * 0.85 * 0.8 * 0.95
        corners = 1 - 0.12 / 3  # the median of 1 - 0.12 r² / 2 over the frame, about its mean
        needed_s = 0.4 * 61_500 * 0.78 / electrons / corners
        assert one.exposure_s == pytest.approx(needed_s, rel=0.06)


def test_headers_say_what_calibrating_programs_read(whole: Filled) -> None:
    """IMAGETYP, FILTER, EXPTIME, CCD-TEMP, GAIN, OFFSET, XBINNING: common practice, no source."""
    _, frames, out = whole
    for one in frames:
        with fits.open(out / "calibration" / one.path, checksum=True) as opened:
            header = opened[0].header
        assert header["IMAGETYP"] == one.kind.value.upper()
        assert header.get("FILTER", "") == one.filter
        assert header["EXPTIME"] == one.exposure_s
        assert header["CCD-TEMP"] == pytest.approx(-10.0, abs=0.5)
        assert (header["GAIN"], header["OFFSET"], header["XBINNING"]) == (100, 50, 1)
        assert header["FRAMEID"] == one.uid
        assert "OBJECT" not in header


def test_a_full_library_takes_nothing_more_and_moves_nothing(whole: Filled) -> None:
    _, frames, out = whole
    again, more = filled(out, with_few())
    assert more == frames
    assert again.of(SensorWarmed) == []


def test_light_that_leaks_in_by_day_is_seen_and_no_dark_is_kept(tmp_path: Path) -> None:
    """A part in 10^7 of a day's sky past the covers is thousands of electrons in half a minute."""
    lights(tmp_path, "L")
    story, frames = filled(tmp_path, with_few({"enclosure": {"leak_share": 1e-7}}, flats=0))
    assert frames == []
    assert len(story.of(LightLeaked)) == 1
    (ended,) = story.of(CalibrationEnded)
    assert ended.lacking == ["3 biases at −10 °C", "2 darks of 60 s at −10 °C"]


def test_darks_are_as_warm_as_their_lights_were(tmp_path: Path) -> None:
    lights(tmp_path, "L", sensor_c=-5.1)
    story, frames = filled(tmp_path, with_few(flats=0))
    assert len(frames) == 5
    for one in frames:
        assert one.sensor_c == pytest.approx(-5.0, abs=0.3)
    assert story.of(CalibrationEnded)[0].lacking == []


def test_darks_colder_than_the_cooler_reaches_are_not_taken_warmer(tmp_path: Path) -> None:
    """The simulated one reaches 35 °C below the air, which is well above freezing at noon."""
    lights(tmp_path, "L", sensor_c=-45.0)
    story, frames = filled(tmp_path, with_few(flats=0))
    assert frames == []
    assert story.of(LightLeaked) == []
    assert story.of(CalibrationEnded)[0].lacking[0] == "3 biases at −45 °C"


def test_a_panel_that_does_not_light_up_costs_three_frames(tmp_path: Path) -> None:
    lights(tmp_path, "L", "R")
    rig = {"enclosure": {"panel_mag_per_arcsec2": 30.0}}
    story, frames = filled(tmp_path, with_few(rig, biases=0, darks=0))
    assert frames == []
    assert [event.filter for event in story.of(FlatsGivenUp)] == ["L", "R"]
    assert story.played.violations == []


def test_a_panel_that_flickers_costs_three_frames_and_no_more(tmp_path: Path) -> None:
    lights(tmp_path, "L")

    async def meddle(rig: SimulatedRig, clock: Clock) -> None:
        levels = cycle([255, 100])

        def flicker(heard: object) -> None:
            if isinstance(heard, Asked) and heard.name == "CCD_EXPOSURE":
                rig.world.panel.set_level(clock.unix_s(), next(levels))

        rig.simulator("Rig Camera").watch(flicker)
        await asyncio.Event().wait()

    story, frames = filled(tmp_path, with_few(biases=0, darks=0), meddle)
    assert frames == []
    assert [event.trial for event in story.of(FlatTried)] == [1, 2, 3]
    assert [event.filter for event in story.of(FlatsGivenUp)] == ["L"]


def test_a_camera_that_dies_ends_it_and_the_rig_is_safe(tmp_path: Path) -> None:
    lights(tmp_path, "L")

    async def meddle(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(900.0)
        Faults(rig.link, rig.simulators, rig.world, clock).dead("Rig Camera")

    story, frames = filled(tmp_path, with_few(darks=40), meddle)
    assert 0 < len(frames) < 43
    assert story.of(DeviceTrouble)
    assert story.played.violations == []
