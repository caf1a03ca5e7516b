"""The simulated cameras, over the loopback."""

import asyncio
import io
import itertools
from typing import Any

import numpy as np
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from nightloom_drivers.link import Blob
from nightloom_drivers.simulators.fits import Card, fits_bytes
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import START_S, Bench, bench

CAMERA = "Rig Camera"


async def picture(rig: Bench, exposure_s: float, device: str = CAMERA) -> Blob:
    with rig.link.blobs(device, "CCD1") as frames:
        await rig.ask(device, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": exposure_s})
        return frames.get_nowait()


def opened(blob: Blob) -> tuple[Any, Any]:
    """Header and pixels, as astropy reads them."""
    with fits.open(io.BytesIO(bytes(blob.data))) as files:
        return files[0].header.copy(), files[0].data.copy()


def test_an_exposure_counts_down_reads_out_sends_its_frame_and_is_ok() -> None:
    async def night() -> list[tuple[str, str, float]]:
        async with bench(CAMERA) as rig:
            with rig.story(CAMERA, "CCD_EXPOSURE") as told:
                began_s = asyncio.get_running_loop().time()
                await rig.ask(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 2.5})
                took_s = asyncio.get_running_loop().time() - began_s
            download_s = rig.world.settings.sensor.download_s
            assert 2.5 + download_s < took_s < 2.6 + download_s
            return [(name, state, round(float(values[0]), 3)) for name, state, values in told]

    told = run_virtual(night())
    assert told[:4] == [("CCD_EXPOSURE", "Busy", left) for left in (2.5, 1.5, 0.5, 0.0)]
    assert [(name, state) for name, state, _ in told[4:]] == [
        ("CCD1", "frame"),
        ("CCD_EXPOSURE", "Ok"),
    ]


def test_the_frame_opens_in_astropy_with_the_keywords_that_libindi_writes() -> None:
    async def night() -> tuple[Any, Any, float]:
        async with bench(CAMERA) as rig:
            begun_s = rig.clock.unix_s()
            frame = await picture(rig, 3.0)
            return *opened(frame), begun_s

    header, pixels, begun_s = run_virtual(night())
    assert pixels.shape == (768, 1024)
    assert pixels.dtype == np.uint16
    assert 400 < np.median(pixels) < 5000  # The bias level, and not 32768 off.
    assert header["EXPTIME"] == 3.0
    assert header["IMAGETYP"] == "Light Frame"
    assert header["FILTER"] == "L"
    assert header["DATE-OBS"].startswith("2026-11-14T21:00:00.")
    assert begun_s - START_S < 1.0
    assert header["XPIXSZ"] == 3.76
    assert -90 <= header["DEC"] <= 90


def test_a_frame_can_be_a_binned_part_of_the_sensor() -> None:
    async def night() -> tuple[Any, Any]:
        async with bench(CAMERA) as rig:
            part = {"X": 100.0, "Y": 200.0, "WIDTH": 400.0, "HEIGHT": 300.0}
            await rig.ask(CAMERA, "CCD_FRAME", part)
            await rig.ask(CAMERA, "CCD_BINNING", {"HOR_BIN": 2.0, "VER_BIN": 2.0})
            return opened(await picture(rig, 0.1))

    header, pixels = run_virtual(night())
    assert pixels.shape == (150, 200)
    assert (header["XBINNING"], header["XORGSUBF"], header["YORGSUBF"]) == (2, 100, 200)


def test_what_is_set_during_an_exposure_holds_from_the_next_one() -> None:
    async def night() -> list[tuple[Any, Any]]:
        async with bench(CAMERA) as rig:
            with rig.link.blobs(CAMERA, "CCD1") as frames:
                rig.link.set(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 10.0})
                await asyncio.sleep(5.0)
                await rig.ask(CAMERA, "CCD_BINNING", {"HOR_BIN": 4.0, "VER_BIN": 4.0})
                await rig.ask(CAMERA, "CCD_FRAME_TYPE", {"FRAME_DARK": True})
                first = opened(await frames.get())
            return [first, opened(await picture(rig, 1.0))]

    (first, wide), (second, small) = run_virtual(night())
    assert (first["IMAGETYP"], wide.shape) == ("Light Frame", (768, 1024))
    assert (second["IMAGETYP"], small.shape) == ("Dark Frame", (192, 256))


def test_what_the_sensor_cannot_do_turns_the_vector_to_alert() -> None:
    async def night() -> None:
        async with bench(CAMERA, "Rig Guide Camera") as rig:
            beyond = {"X": 1000.0, "Y": 0.0, "WIDTH": 400.0, "HEIGHT": 300.0}
            refused = await rig.ask(CAMERA, "CCD_FRAME", beyond, end="Alert")
            assert refused.number("WIDTH") == 1024
            await rig.ask(CAMERA, "CCD_BINNING", {"HOR_BIN": 2.0, "VER_BIN": 1.0}, end="Alert")
            twice = {"HOR_BIN": 2.0, "VER_BIN": 2.0}
            await rig.ask("Rig Guide Camera", "CCD_BINNING", twice, end="Alert")
            await rig.ask(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": -1.0}, end="Alert")
            await rig.ask(CAMERA, "UPLOAD_MODE", {"UPLOAD_LOCAL": True}, end="Alert")

    run_virtual(night())


def test_an_aborted_exposure_ends_idle_and_sends_no_frame() -> None:
    async def night() -> list[tuple[str, str]]:
        async with bench(CAMERA) as rig:
            with rig.story(CAMERA, "CCD_EXPOSURE", "CCD_ABORT_EXPOSURE") as told:
                rig.link.set(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 100.0})
                await asyncio.sleep(0.5)
                rig.link.set(CAMERA, "CCD_ABORT_EXPOSURE", {"ABORT": True})
                await asyncio.sleep(200.0)
            return [(name, state) for name, state, _ in told]

    assert run_virtual(night()) == [
        ("CCD_EXPOSURE", "Busy"),
        ("CCD_ABORT_EXPOSURE", "Ok"),
        ("CCD_EXPOSURE", "Idle"),
    ]


def test_a_new_exposure_takes_the_place_of_the_one_under_way() -> None:
    async def night() -> Any:
        async with bench(CAMERA) as rig:
            rig.link.set(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 100.0})
            await asyncio.sleep(10.0)
            with rig.link.blobs(CAMERA, "CCD1") as frames:
                await rig.ask(CAMERA, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 1.0})
                await asyncio.sleep(200.0)
                assert frames.qsize() == 1
                return opened(frames.get_nowait())[0]

    assert run_virtual(night())["EXPTIME"] == 1.0


def test_ccd_info_is_defined_with_zeros_and_then_filled() -> None:
    async def night() -> list[float]:
        async with bench(CAMERA) as rig:
            off, on = {"CONNECT": False, "DISCONNECT": True}, {"CONNECT": True, "DISCONNECT": False}
            await rig.ask(CAMERA, "CONNECTION", off, end="Idle")
            assert rig.link.get(CAMERA, "CCD_INFO") is None
            rig.link.set(CAMERA, "CONNECTION", on)
            seen = [await rig.link.wait(CAMERA, "CCD_INFO", lambda _: True, timeout_s=1)]
            after = seen[0].serial
            seen += [
                await rig.link.wait(CAMERA, "CCD_INFO", lambda _: True, after=after, timeout_s=1)
            ]
            return [vector.number("CCD_MAX_X") for vector in seen]

    assert run_virtual(night()) == [0.0, 1024.0]


def test_cooling_is_busy_until_the_measured_temperature_is_near_its_target() -> None:
    async def night() -> tuple[list[float], float]:
        async with bench(CAMERA) as rig:
            await rig.ask(CAMERA, "CCD_TEMP_RAMP", {"RAMP_SLOPE": 3.0, "RAMP_THRESHOLD": 0.2})
            with rig.story(CAMERA, "CCD_TEMPERATURE") as told:
                began_s = asyncio.get_running_loop().time()
                start = rig.world.cooler.temperature_c(rig.clock.unix_s())
                await rig.ask(CAMERA, "CCD_TEMPERATURE", {"CCD_TEMPERATURE_VALUE": -10.0})
                took_s = asyncio.get_running_loop().time() - began_s
            cooler = rig.link.get(CAMERA, "CCD_COOLER")
            power = rig.link.get(CAMERA, "CCD_COOLER_POWER")
            assert cooler is not None
            assert cooler.on("COOLER_ON")
            assert power is not None
            assert 10 < power.number("CCD_COOLER_VALUE") <= 100
            assert abs(took_s / 60 - (start + 10.0) / 3.0) < 0.5  # The ramp is 3 °C a minute.
            return [float(values[0]) for _, _, values in told], start

    temperatures, start = run_virtual(night())
    assert temperatures[0] == round(start, 3)
    assert all(a >= b for a, b in itertools.pairwise(temperatures))
    assert abs(temperatures[-1] + 10.0) <= 0.2


def test_a_target_beyond_the_cooler_stays_busy() -> None:
    async def night() -> tuple[str, float]:
        async with bench(CAMERA) as rig:
            rig.link.set(CAMERA, "CCD_TEMPERATURE", {"CCD_TEMPERATURE_VALUE": -45.0})
            await asyncio.sleep(3600.0)
            held = rig.link.get(CAMERA, "CCD_TEMPERATURE")
            assert held is not None
            return str(held.state), held.number("CCD_TEMPERATURE_VALUE")

    state, temperature_c = run_virtual(night())
    assert state == "Busy"
    assert temperature_c > -35


def test_the_guide_camera_sends_frames_of_its_own_size() -> None:
    async def night() -> Any:
        async with bench("Rig Guide Camera") as rig:
            return opened(await picture(rig, 1.0, "Rig Guide Camera"))[1]

    assert run_virtual(night()).shape == (240, 320)


@given(
    number=st.floats(allow_nan=False, allow_infinity=False),
    # Without slashes: astropy 8 takes a doubled quote and a slash for the end of the text.
    text=st.text(
        st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="/"), max_size=20
    ),
    count=st.integers(-(10**9), 10**9),
    truth=st.booleans(),
)
def test_any_card_is_read_back_by_astropy(
    number: float, text: str, count: int, truth: bool
) -> None:
    frame = np.array([[0, 1, 2], [32767, 32768, 65535]], dtype=np.uint16)
    cards: list[Card] = [
        ("NUMBER", number, "n"),
        ("TEXT", text, ""),
        ("COUNT", count, "c"),
        ("TRUTH", truth, ""),
    ]
    with fits.open(io.BytesIO(fits_bytes(frame, cards))) as files:
        files.verify("exception")
        header, pixels = files[0].header, files[0].data
        assert np.array_equal(pixels, frame)
        assert header["NUMBER"] == number
        assert header["TEXT"] == text.rstrip(" ")  # FITS 4.0, section 4.2.1: not significant.
        assert header["COUNT"] == count
        assert header["TRUTH"] is truth
