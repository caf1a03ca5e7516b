"""A camera and its exposures, with drivers that send the wrong frame, none, or two."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, datetime

import numpy as np
import pytest

from devices.misbehaving import CLOCK, Answer, Scripted, fits_frame, numbers, switches, tell
from nightloom_drivers.devices import Camera, CameraSettings
from nightloom_drivers.errors import DeviceContradicts, DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link import Link, State, Value

SECONDS = "CCD_EXPOSURE_VALUE"
WIDTH, HEIGHT = 64, 48


class Shooter:
    """What a scripted camera does, step by step."""

    def __init__(self, device: Scripted, asked: Mapping[str, Value]) -> None:
        self.device, self.exposure_s = device, float(asked[SECONDS])
        self.start_unix_s = CLOCK.unix_s()

    def count(self, left_s: float) -> None:
        self.device.publish("CCD_EXPOSURE", State.BUSY, **{SECONDS: left_s})

    def rest(self, state: State = State.OK) -> None:
        self.device.publish("CCD_EXPOSURE", state, **{SECONDS: 0.0})

    def send(
        self,
        *,
        exposure_s: float | None = None,
        age_s: float = 0.0,
        width: int = WIDTH,
        level: int = 1000,
        suffix: str = ".fits",
    ) -> None:
        frame = fits_frame(
            width,
            HEIGHT,
            exposure_s=self.exposure_s if exposure_s is None else exposure_s,
            start_unix_s=self.start_unix_s - age_s,
            level=level,
        )
        self.device.publish_blob("CCD1", frame, suffix)


def camera_that(shoot: Callable[[Shooter], Awaitable[None]], *, can_abort: bool = True) -> Scripted:
    """A small camera with this answer to CCD_EXPOSURE."""

    async def expose(device: Scripted, asked: Mapping[str, Value]) -> None:
        await shoot(Shooter(device, asked))

    async def abort(device: Scripted, _: Mapping[str, Value]) -> None:
        for task in [t for t in device._tasks if t is not asyncio.current_task()]:
            task.cancel()
        device.publish("CCD_ABORT_EXPOSURE", State.OK)
        device.publish("CCD_EXPOSURE", State.IDLE, **{SECONDS: 0.0})

    answers: dict[str, Answer] = {"CCD_EXPOSURE": expose, "CCD_ABORT_EXPOSURE": abort}
    whole: dict[str, Value] = {"X": 0.0, "Y": 0.0, "WIDTH": float(WIDTH), "HEIGHT": float(HEIGHT)}
    return Scripted(
        numbers("CCD_EXPOSURE", {SECONDS: 0.0}, (0.01, 3600)),
        *([switches("CCD_ABORT_EXPOSURE", "ABORT", rule="AtMostOne")] if can_abort else []),
        numbers("CCD_FRAME", whole),
        numbers("CCD_BINNING", {"HOR_BIN": 1.0, "VER_BIN": 1.0}),
        numbers(
            "CCD_INFO",
            {
                "CCD_MAX_X": float(WIDTH),
                "CCD_MAX_Y": float(HEIGHT),
                "CCD_PIXEL_SIZE": 3.76,
                "CCD_BITSPERPIXEL": 16.0,
            },
        ),
        switches("CCD_FRAME_TYPE", "FRAME_LIGHT", "FRAME_DARK", "FRAME_BIAS", on="FRAME_LIGHT"),
        switches("UPLOAD_MODE", "UPLOAD_CLIENT", "UPLOAD_LOCAL", on="UPLOAD_LOCAL"),
        switches("CCD_COMPRESSION", "INDI_ENABLED", "INDI_DISABLED", on="INDI_ENABLED"),
        numbers("CCD_CONTROLS", {"Gain": 0.0, "Offset": 0.0, "USBTraffic": 40.0}),
        **answers,
    )


async def connected(link: Link, **settings: float | None) -> Camera:
    camera = Camera(link, "Odd", CameraSettings(**settings), CLOCK)  # type: ignore[arg-type]
    await camera.connect()
    return camera


async def regular(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    await asyncio.sleep(shooter.exposure_s)
    shooter.count(0)
    await asyncio.sleep(1)
    shooter.send()
    shooter.rest()


def test_a_regular_exposure_gives_its_frame_and_tells_when_the_shutter_closes() -> None:
    async def story(link: Link) -> None:
        camera = await connected(link)
        exposure = await camera.begin(10)
        begun_s = asyncio.get_running_loop().time()
        await exposure.shutter_closed()
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(10, abs=0.01)
        frame = await exposure.frame()
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(11, abs=0.01)
        assert frame.data.shape == (HEIGHT, WIDTH)
        assert np.all(frame.data == np.uint16(1000))
        assert frame.exposure_s == frame.header["EXPTIME"] == 10
        asked_at = datetime.fromtimestamp(CLOCK.unix_s() - 11, UTC)
        assert abs((frame.start - asked_at).total_seconds()) < 0.1

    tell(camera_that(regular), story)


def test_what_a_saved_file_or_another_client_changed_is_set_before_each_exposure() -> None:
    device = camera_that(regular)

    async def story(link: Link) -> None:
        camera = await connected(link, gain=120, offset=30)
        assert camera.need("UPLOAD_MODE").on("UPLOAD_CLIENT")
        assert camera.need("CCD_COMPRESSION").on("INDI_DISABLED")
        assert camera.need("CCD_CONTROLS").number("Gain") == 120
        device.publish("UPLOAD_MODE", State.OK, UPLOAD_LOCAL=True, UPLOAD_CLIENT=False)
        device.publish("CCD_CONTROLS", State.OK, Gain=0.0)
        await asyncio.sleep(1)
        await camera.expose(1, FrameKind.DARK)
        assert camera.need("UPLOAD_MODE").on("UPLOAD_CLIENT")
        assert camera.need("CCD_CONTROLS").elements == {
            "Gain": 120,
            "Offset": 30,
            "USBTraffic": 40,
        }
        assert camera.need("CCD_FRAME_TYPE").on("FRAME_DARK")

    tell(device, story)


async def frame_after_rest(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    await asyncio.sleep(shooter.exposure_s)
    shooter.rest()
    await asyncio.sleep(3)
    shooter.send()


async def no_countdown(shooter: Shooter) -> None:
    shooter.count(0)
    await asyncio.sleep(shooter.exposure_s + 1)
    shooter.send()
    shooter.rest()


async def early_end(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    await asyncio.sleep(shooter.exposure_s / 10)
    shooter.count(0)
    shooter.send()
    shooter.rest()


async def late_frame_of_another_length(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    shooter.send(exposure_s=shooter.exposure_s + 5, level=1)
    await regular(shooter)


async def late_frame_of_an_earlier_time(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    shooter.send(age_s=30, level=1)
    await regular(shooter)


async def old_frame_first(shooter: Shooter) -> None:
    shooter.send(level=1)
    await asyncio.sleep(0.5)
    await regular(shooter)


async def frame_of_another_size(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    shooter.send(width=32, level=1)
    await regular(shooter)


async def frame_that_is_none(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    shooter.device.publish_blob("CCD1", b"", ".fits")
    await regular(shooter)


async def two_frames(shooter: Shooter) -> None:
    await regular(shooter)
    await asyncio.sleep(0.2)
    shooter.send(level=1)


async def busy_after_the_frame(shooter: Shooter) -> None:
    shooter.count(shooter.exposure_s)
    await asyncio.sleep(shooter.exposure_s)
    shooter.send()


@pytest.mark.parametrize(
    ("shoot", "closed_after_s", "discarded"),
    [
        (frame_after_rest, 10, 0),
        (no_countdown, 10, 0),
        (early_end, 1, 0),
        (late_frame_of_another_length, 10, 2),
        (late_frame_of_an_earlier_time, 10, 2),
        (old_frame_first, 10, 2),
        (frame_of_another_size, 10, 2),
        (frame_that_is_none, 10, 2),
        (two_frames, 10, 1),
        (busy_after_the_frame, 10, 0),
    ],
)
def test_two_exposures_each_get_their_own_frame(
    shoot: Callable[[Shooter], Awaitable[None]], closed_after_s: float, discarded: int
) -> None:
    async def story(link: Link) -> None:
        camera = await connected(link)
        for _ in range(2):
            exposure = await camera.begin(10)
            begun_s = asyncio.get_running_loop().time()
            await exposure.shutter_closed()
            closed_s = asyncio.get_running_loop().time() - begun_s
            assert closed_s == pytest.approx(closed_after_s, abs=0.01)
            frame = await exposure.frame()
            assert np.all(frame.data == 1000)
        await asyncio.sleep(60)
        assert camera.discarded == discarded

    tell(camera_that(shoot), story)


async def refused(shooter: Shooter) -> None:
    shooter.device.publish("CCD_EXPOSURE", State.ALERT)


async def failed(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(2)
    shooter.device.publish("CCD_EXPOSURE", State.ALERT)


async def aborted_by_another(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(2)
    shooter.rest(State.IDLE)


async def deaf(_: Shooter) -> None:
    return


async def never_a_frame(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(10)
    shooter.rest()


async def busy_for_ever(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(1000)


async def only_strangers(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(10)
    shooter.send(exposure_s=3)
    shooter.rest()


async def dies(shooter: Shooter) -> None:
    shooter.count(10)
    await asyncio.sleep(2)
    shooter.device.on_connection({"CONNECT": False})


@pytest.mark.parametrize(
    ("shoot", "error", "seen"),
    [
        (refused, DeviceRefused, "Alert"),
        (failed, DeviceRefused, "Alert"),
        (aborted_by_another, DeviceRefused, "somebody else"),
        (deaf, DeviceLate, "did not begin"),
        (never_a_frame, DeviceLate, "no frame"),
        (busy_for_ever, DeviceLate, "Busy"),
        (only_strangers, DeviceContradicts, "EXPTIME is 3 s"),
        (dies, DeviceGone, "removed"),
    ],
)
def test_an_exposure_that_fails_says_how(
    shoot: Callable[[Shooter], Awaitable[None]], error: type[Exception], seen: str
) -> None:
    async def story(link: Link) -> None:
        camera = await connected(link, download_deadline_s=20)
        with pytest.raises(error, match=seen):
            await camera.expose(10)
        assert camera.running is None

    tell(camera_that(shoot), story)


def test_cancelling_aborts_and_the_next_exposure_is_clean() -> None:
    device = camera_that(regular)

    async def story(link: Link) -> None:
        camera = await connected(link)
        for wait_s in (0.0005, 0.0015, 5, 10.5):
            running = asyncio.create_task(camera.expose(10))
            await asyncio.sleep(wait_s)
            running.cancel()
            with pytest.raises(asyncio.CancelledError):
                await running
            await asyncio.sleep(0.01)
            assert camera.need("CCD_EXPOSURE").state is not State.BUSY
            assert camera.running is None
        assert len(device.requests("CCD_ABORT_EXPOSURE")) == 4
        assert (await camera.expose(2)).exposure_s == 2

    tell(device, story)


def test_a_block_left_before_the_frame_aborts_the_exposure() -> None:
    device = camera_that(regular)

    async def story(link: Link) -> None:
        camera = await connected(link)
        with pytest.raises(ZeroDivisionError):
            async with await camera.begin(10):
                raise ZeroDivisionError
        assert camera.need("CCD_EXPOSURE").state is State.IDLE
        async with await camera.begin(1) as exposure:
            await exposure.frame()
        assert len(device.requests("CCD_ABORT_EXPOSURE")) == 1

    tell(device, story)


def test_the_late_frame_of_an_aborted_exposure_is_not_the_next_ones() -> None:
    device = camera_that(regular)

    async def story(link: Link) -> None:
        camera = await connected(link)
        exposure = await camera.begin(10)
        late = Shooter(device, {SECONDS: 10.0})
        await asyncio.sleep(8)
        await exposure.abort()
        with pytest.raises(DeviceRefused, match="aborted"):
            await exposure.frame()
        exposure = await camera.begin(10)
        late.send(level=1)
        assert np.all((await exposure.frame()).data == 1000)
        assert camera.discarded == 1
        assert "DATE-OBS" in camera.last_discard

    tell(device, story)


def test_a_camera_that_cannot_abort_is_given_the_next_exposure_all_the_same() -> None:
    device = camera_that(busy_for_ever, can_abort=False)

    async def story(link: Link) -> None:
        camera = await connected(link, download_deadline_s=5)
        with pytest.raises(DeviceLate):
            await camera.expose(10)

        async def mended(device: Scripted, asked: Mapping[str, Value]) -> None:
            await regular(Shooter(device, asked))

        device.answers["CCD_EXPOSURE"] = mended
        await camera.expose(10)

    tell(device, story)


def test_the_clock_of_the_drivers_host_may_be_declared_wrong() -> None:
    async def hours_off(shooter: Shooter) -> None:
        shooter.start_unix_s -= 7200
        await regular(shooter)

    async def story(link: Link) -> None:
        camera = await connected(link, download_deadline_s=5)
        with pytest.raises(DeviceContradicts, match="DATE-OBS"):
            await camera.expose(1)
        camera = await connected(link, start_tolerance_s=None)
        await camera.expose(1)

    tell(camera_that(hours_off), story)


def test_a_frame_is_handed_over_when_the_camera_is_free_again() -> None:
    async def busy_for_a_while(shooter: Shooter) -> None:
        shooter.count(shooter.exposure_s)
        await asyncio.sleep(shooter.exposure_s)
        shooter.send()
        await asyncio.sleep(2)
        shooter.rest()

    async def story(link: Link) -> None:
        camera = await connected(link)
        begun_s = asyncio.get_running_loop().time()
        await camera.expose(10)
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(12, abs=0.01)
        assert camera.need("CCD_EXPOSURE").state is State.OK

    tell(camera_that(busy_for_a_while), story)


def test_a_frame_sent_twice_is_known_without_trusting_the_clock() -> None:
    async def story(link: Link) -> None:
        camera = await connected(link, start_tolerance_s=None)
        for _ in range(3):
            assert np.all((await camera.expose(1)).data == 1000)
        assert camera.discarded == 2

    tell(camera_that(two_frames), story)


def test_impossible_wishes_are_refused_without_asking() -> None:
    device = camera_that(regular)

    async def story(link: Link) -> None:
        camera = await connected(link)
        with pytest.raises(DeviceRefused, match=r"0\.01 to 3600"):
            await camera.begin(0)
        del link._vectors["Odd", "CCD_CONTROLS"]
        with pytest.raises(DeviceRefused, match="no gain"):
            await connected(link, gain=3.0)
        del link._vectors["Odd", "CCD_BINNING"]
        with pytest.raises(DeviceRefused, match="cannot bin"):
            await connected(link, binning=2)
        assert device.requests("CCD_EXPOSURE") == device.requests("CCD_FRAME") == []
        assert (await camera.expose(0, FrameKind.BIAS)).exposure_s == 0.01

    tell(device, story)
