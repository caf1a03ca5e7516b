"""A camera with two chips: its driver may give the frame of one the times of the other.

INDI's own CCD simulator does so now and then while both chips expose.
"""

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from devices.misbehaving import CLOCK, Scripted, fits_frame, numbers, tell
from nightloom_drivers.devices import Camera, CameraSettings
from nightloom_drivers.devices.chip import CHIPS
from nightloom_drivers.errors import DeviceContradicts
from nightloom_drivers.link import Link, State, Value

WIDTH, HEIGHT = 64, 48
SUB_S, GUIDE_S = 60.0, 2.0


class TwoChips(Scripted):
    """Both chips expose as they are asked; `headers` may give a frame other times.

    It takes the chip and when its exposure began, and returns start and length for the header.
    """

    def __init__(self) -> None:
        properties = []
        for chip in CHIPS.values():
            frame: dict[str, Value] = {"X": 0.0, "Y": 0.0, "WIDTH": WIDTH, "HEIGHT": HEIGHT}
            info: dict[str, Value] = {
                "CCD_MAX_X": WIDTH,
                "CCD_MAX_Y": HEIGHT,
                "CCD_PIXEL_SIZE": 3.76,
            }
            properties += [
                numbers(chip.exposure, {chip.exposure_value: 0.0}, (0.01, 3600)),
                numbers(f"{chip.prefix}_FRAME", frame),
                numbers(f"{chip.prefix}_INFO", info),
            ]
        super().__init__(*properties)
        self.answers = {"CCD_EXPOSURE": self.expose_main, "GUIDER_EXPOSURE": self.expose_guide}
        self.begun_s: dict[str, float] = {}
        self.length_s: dict[str, float] = {}
        self.swaps = False
        self.runs_ahead_s = 0.0

    async def expose_main(self, _: Scripted, asked: Mapping[str, Value]) -> None:
        await self.expose("main", "guide", asked)

    async def expose_guide(self, _: Scripted, asked: Mapping[str, Value]) -> None:
        await self.expose("guide", "main", asked)

    async def expose(self, name: str, other: str, asked: Mapping[str, Value]) -> None:
        chip = CHIPS[name]
        length_s = float(asked[chip.exposure_value])
        self.begun_s[name], self.length_s[name] = CLOCK.unix_s(), length_s
        self.publish(chip.exposure, State.BUSY, **{chip.exposure_value: length_s})
        await asyncio.sleep(length_s)
        self.publish(chip.exposure, State.BUSY, **{chip.exposure_value: 0.0})
        told = other if self.swaps and other in self.begun_s else name
        frame = fits_frame(
            WIDTH,
            HEIGHT,
            exposure_s=self.length_s[told],
            start_unix_s=self.begun_s[told] + self.runs_ahead_s,
            level=1000 if name == "main" else 500,
        )
        self.publish_blob(chip.blob, frame, ".fits")
        self.publish(chip.exposure, State.OK, **{chip.exposure_value: 0.0})


async def both(link: Link) -> tuple[Camera, Camera]:
    main = Camera(link, "Odd", CameraSettings(), CLOCK)
    guide = Camera(link, "Odd", CameraSettings(chip="guide", download_deadline_s=10.0), CLOCK)
    await main.connect()
    await guide.connect()
    return main, guide


def test_a_frame_with_the_times_of_the_other_chip_is_kept_and_dated_by_ones_own_clock() -> None:
    device = TwoChips()

    async def story(link: Link) -> None:
        main, guide = await both(link)
        device.swaps = True
        exposure = await main.begin(SUB_S)
        begun_at = CLOCK.now()
        for _ in range(29):
            asked_at = CLOCK.now()
            seen = await guide.expose(GUIDE_S)
            assert np.all(seen.data == 500)
            assert abs(seen.start - asked_at) < timedelta(seconds=0.1)
            assert "EXPTIME is 60 s, not 2 s" in seen.doubt
        frame = await exposure.frame()
        assert np.all(frame.data == 1000)
        assert abs(frame.start - begun_at) < timedelta(seconds=0.1)
        assert "EXPTIME is 2 s, not 60 s" in frame.doubt
        assert main.discarded == guide.discarded == 0
        device.swaps = False
        frame = await main.expose(SUB_S)
        assert frame.doubt == ""

    tell(device, story)


def test_an_exposure_that_would_end_in_the_future_is_dated_by_ones_own_clock() -> None:
    device = TwoChips()

    async def story(link: Link) -> None:
        main, _ = await both(link)
        device.runs_ahead_s = 18.0
        exposure = await main.begin(SUB_S)
        begun_at = CLOCK.now()
        frame = await exposure.frame()
        assert abs(frame.start - begun_at) < timedelta(seconds=0.1)
        end = datetime.fromtimestamp(CLOCK.unix_s() + 18.0, UTC)
        assert f"it would end at {end:%H:%M:%S}" in frame.doubt

    tell(device, story)


def test_where_the_other_chip_rests_a_frame_with_other_times_is_nobodys() -> None:
    device = TwoChips()

    async def story(link: Link) -> None:
        main, guide = await both(link)
        await guide.expose(GUIDE_S)
        device.swaps = True
        with pytest.raises(DeviceContradicts, match="EXPTIME is 2 s, not 60 s, its DATE-OBS"):
            await main.expose(SUB_S)

    tell(device, story)


def test_a_frame_with_other_times_that_comes_before_the_shutter_closes_is_nobodys() -> None:
    device = TwoChips()

    async def story(link: Link) -> None:
        main, guide = await both(link)
        exposure = await main.begin(SUB_S)
        await guide.expose(GUIDE_S)
        late = fits_frame(
            WIDTH, HEIGHT, exposure_s=300.0, start_unix_s=CLOCK.unix_s() - 100, level=1
        )
        device.publish_blob("CCD1", late, ".fits")
        assert np.all((await exposure.frame()).data == 1000)
        assert main.discarded == 1

    tell(device, story)
