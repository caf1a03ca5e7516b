"""What a link promises, on the loopback, under both servers, and with the library's simulators."""

import asyncio
import contextlib
import io
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from astropy.io import fits

from link.setups import (
    ANSWER_S,
    Setup,
    connect,
    cpp_drivers,
    loopback,
    python_driver,
    python_server,
)
from nightloom_drivers.errors import DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.link import Event, Found, Link, Lost, Removed, State, Updated, Value, Vector

SETUPS: dict[str, Callable[[Path], contextlib.AbstractContextManager[Setup]]] = {
    "loopback": loopback,
    "indipyserver": python_server,
    "indiserver": python_driver,
    "cpp": cpp_drivers,
}
SHORT_FRAME = {"X": 0.0, "Y": 0.0, "WIDTH": 320.0, "HEIGHT": 240.0}


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(name, marks=[] if name == "loopback" else pytest.mark.servers)
        for name in SETUPS
    ],
)
def setup(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Setup]:
    """Each set-up in turn; its servers run for all the tests of this file."""
    with SETUPS[request.param](tmp_path_factory.mktemp(request.param)) as made:
        yield made


def anything(_: Vector) -> bool:
    return True


def never(_: Vector) -> bool:
    return False


def done(vector: Vector) -> bool:
    return vector.state is not State.BUSY


async def switched_on(link: Link, device: str, name: str) -> Vector:
    """Connect the device, whatever went before, and wait for one of its vectors."""
    await connect(link, device)
    return await link.wait(device, name, anything, timeout_s=ANSWER_S)


async def switched_off(link: Link, device: str, name: str) -> None:
    """Disconnect the device, and wait until one of its vectors has gone."""
    await switched_on(link, device, name)
    removed = asyncio.Event()
    with link.listen(lambda event: removed.set() if event == Removed(device, name) else None):
        sent = link.set(device, "CONNECTION", {"CONNECT": False, "DISCONNECT": True})
        async with asyncio.timeout(ANSWER_S):
            await removed.wait()
    await link.wait(
        device, "CONNECTION", lambda v: v.on("DISCONNECT"), after=sent, timeout_s=ANSWER_S
    )


async def exchange(link: Link, device: str, name: str, **values: Value) -> Vector:
    """Send a request when the vector is there, and wait for the answer to it."""
    await link.wait(device, name, anything, timeout_s=ANSWER_S)
    sent = link.set(device, name, values)
    answer = await link.wait(device, name, done, after=sent, timeout_s=ANSWER_S)
    assert answer.serial > sent
    return answer


def test_a_device_defines_its_vectors_when_it_is_switched_on(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_off(link, setup.camera, "CCD_EXPOSURE")
        assert link.get(setup.camera, "CCD_EXPOSURE") is None
        before = link.serial
        await switched_on(link, setup.camera, "CCD_EXPOSURE")
        connection = link.get(setup.camera, "CONNECTION")
        exposure = link.get(setup.camera, "CCD_EXPOSURE")
        assert connection is not None
        assert exposure is not None
        assert before < connection.serial < exposure.serial
        assert exposure.writable
        assert exposure.limits["CCD_EXPOSURE_VALUE"][1] >= 3600

    setup.run(body)


@pytest.mark.parametrize("gain", [0.0, 33.25, 1 / 3, 99.999999])
def test_a_number_keeps_its_value(setup: Setup, gain: float) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        answer = await exchange(link, setup.camera, "CCD_GAIN", GAIN=gain)
        assert answer.number("GAIN") == pytest.approx(gain, rel=1e-6)
        assert answer.state is State.OK

    setup.run(body)


def test_of_a_one_of_many_switch_one_is_on(setup: Setup) -> None:
    async def body(link: Link) -> None:
        before = await switched_on(link, setup.camera, "CCD_FRAME_TYPE")
        for kind in ("FRAME_DARK", "FRAME_FLAT", "FRAME_LIGHT"):
            asked = dict.fromkeys(before.elements, False) | {kind: True}
            answer = await exchange(link, setup.camera, "CCD_FRAME_TYPE", **asked)
            assert answer.elements == asked

    setup.run(body)


def test_text_comes_back_as_it_was_sent(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.wheel, "FILTER_SLOT")
        before = await link.wait(setup.wheel, "FILTER_NAME", anything, timeout_s=ANSWER_S)
        # The C parser does not decode an entity that is the first character of a text.
        asked = {name: f"{name[-1]} <&> 'two' \"three\"" for name in before.elements}
        answer = await exchange(link, setup.wheel, "FILTER_NAME", **asked)
        assert answer.elements == asked

    setup.run(body)


def test_a_number_out_of_range_is_an_alert_or_changes_nothing(setup: Setup) -> None:
    async def body(link: Link) -> None:
        before = await switched_on(link, setup.wheel, "FILTER_SLOT")
        answer = await exchange(link, setup.wheel, "FILTER_SLOT", FILTER_SLOT_VALUE=99.0)
        assert answer.state is State.ALERT or answer.elements == before.elements

    setup.run(body)


def test_what_cannot_be_right_is_refused_at_once(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        for name, values in (
            ("CCD_GAIN", {"NO_SUCH_ELEMENT": 1.0}),
            ("CCD_GAIN", {"GAIN": float("nan")}),
            ("CCD_GAIN", {"GAIN": "high"}),
            ("DRIVER_INFO", {"DRIVER_NAME": "mine"}),
        ):
            with pytest.raises(DeviceRefused) as refused:
                link.set(setup.camera, name, values)
            assert refused.value.property_name == name
        with pytest.raises(DeviceGone):
            link.set(setup.camera, "NO_SUCH_VECTOR", {"A": 1.0})
        with pytest.raises(DeviceGone):
            link.set("No Such Device", "CONNECTION", {"CONNECT": True})

    setup.run(body)


def test_a_wait_ends_at_its_deadline(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        with pytest.raises(DeviceLate, match="CCD_GAIN"):
            await link.wait(setup.camera, "CCD_GAIN", never, timeout_s=0.2)

    setup.run(body)


def test_a_wait_ends_when_the_vector_goes(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_EXPOSURE")
        async with asyncio.TaskGroup() as group:
            late = group.create_task(_gone(link, setup.camera, "CCD_EXPOSURE"))
            await asyncio.sleep(0)
            link.set(setup.camera, "CONNECTION", {"CONNECT": False, "DISCONNECT": True})
        assert late.result().property_name == "CCD_EXPOSURE"
        assert link.get(setup.camera, "CCD_EXPOSURE") is None

    setup.run(body)


async def _gone(link: Link, device: str, name: str) -> DeviceGone:
    """Wait for what does not come, and return how it ended."""
    with pytest.raises(DeviceGone) as gone:
        await link.wait(device, name, never, timeout_s=2 * ANSWER_S)
    return gone.value


def test_each_exposure_brings_one_frame_that_opens(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_FRAME")
        light = {"FRAME_LIGHT": False, "FRAME_BIAS": False, "FRAME_FLAT": False, "FRAME_DARK": True}
        await exchange(link, setup.camera, "CCD_FRAME_TYPE", **light)
        await exchange(link, setup.camera, "CCD_BINNING", HOR_BIN=1.0, VER_BIN=1.0)
        await exchange(link, setup.camera, "CCD_FRAME", **SHORT_FRAME)
        with link.blobs(setup.camera, "CCD1") as frames:
            await exchange(link, setup.camera, "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=0.05)
            await asyncio.sleep(0.3)
            assert frames.empty()  # nobody has asked for frames yet
            link.keep_blobs(setup.camera)
            for _ in range(3):
                await exchange(link, setup.camera, "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=0.05)
                async with asyncio.timeout(ANSWER_S):
                    frame = await frames.get()
                assert frame.format == ".fits"
                assert len(frame.data) % 2880 == 0  # FITS standard 4.0, section 3.1
                with fits.open(io.BytesIO(frame.data)) as opened:
                    assert opened[0].data.shape == (240, 320)
                    assert opened[0].header["EXPTIME"] == pytest.approx(0.05)
            await asyncio.sleep(0.3)
            assert frames.empty()

    setup.run(body)


def test_events_are_heard_in_order_and_numbered(setup: Setup) -> None:
    """The wheel is Busy with the old slot, then Ok with the new one, and nothing comes twice."""

    async def body(link: Link) -> None:
        before = await switched_on(link, setup.wheel, "FILTER_SLOT")
        old = before.number("FILTER_SLOT_VALUE")
        new = 3.0 if old != 3.0 else 2.0
        heard: list[Event] = []
        with link.listen(heard.append):
            answer = await exchange(link, setup.wheel, "FILTER_SLOT", FILTER_SLOT_VALUE=new)
        slots = [
            event.vector
            for event in heard
            if isinstance(event, Updated) and event.vector.name == "FILTER_SLOT"
        ]
        assert [(v.state, v.number("FILTER_SLOT_VALUE")) for v in slots] == [
            (State.BUSY, old),
            (State.OK, new),
        ]
        assert slots[-1] == answer
        assert [v.serial for v in slots] == sorted({v.serial for v in slots})

    setup.run(body)


def test_many_tasks_that_command_several_devices_are_all_answered(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        await switched_on(link, setup.wheel, "FILTER_SLOT")
        gains = [50.0 + turn for turn in range(20)]
        names = [f"filter {turn}" for turn in range(20)]

        async def ask(device: str, name: str, element: str, values: Sequence[Value]) -> None:
            for value in values:
                answer = await exchange(link, device, name, **{element: value})
                assert answer[element] == value

        async with asyncio.TaskGroup() as group:
            group.create_task(ask(setup.camera, "CCD_GAIN", "GAIN", gains))
            group.create_task(ask(setup.camera, "POLLING_PERIOD", "PERIOD_MS", gains))
            group.create_task(ask(setup.wheel, "FILTER_NAME", "FILTER_SLOT_NAME_1", names))

    setup.run(body)


def test_a_driver_that_starts_anew_is_switched_on_and_sends_its_frames(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        link.keep_on(setup.camera)
        link.keep_blobs(setup.camera)
        gone = asyncio.Event()

        def hear(event: Event) -> None:
            if isinstance(event, Lost) or event == Removed(setup.camera):
                gone.set()

        with link.listen(hear):
            await setup.camera_dies(link)
            async with asyncio.timeout(ANSWER_S):
                await gone.wait()
        await came_back(link)
        await link.wait(
            setup.camera, "CCD_EXPOSURE", lambda _: True, timeout_s=ANSWER_S, asked="to be on"
        )
        with link.blobs(setup.camera, "CCD1") as frames:
            link.set(setup.camera, "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 0.05})
            async with asyncio.timeout(ANSWER_S):
                await frames.get()

    setup.run(body)


async def _reads(link: Link, device: str, name: str, element: str, value: float) -> None:
    """Wait until a number has a value."""
    await link.wait(device, name, lambda v: v.number(element) == value, timeout_s=ANSWER_S)


async def came_back(link: Link) -> None:
    """Wait until the connection stands."""
    found = asyncio.Event()
    with link.listen(lambda event: found.set() if isinstance(event, Found) else None):
        async with asyncio.timeout(ANSWER_S):
            if not link.connected:
                await found.wait()


def test_a_connection_that_was_lost_comes_back_and_the_next_command_works(setup: Setup) -> None:
    async def body(link: Link) -> None:
        await switched_on(link, setup.camera, "CCD_GAIN")
        late = asyncio.create_task(_gone(link, setup.camera, "CCD_GAIN"))
        await asyncio.sleep(0)
        setup.cut(link)
        assert (await late).property_name == "CCD_GAIN"
        assert link.devices() == []
        with pytest.raises(DeviceGone, match="down"):
            link.set(setup.camera, "CCD_GAIN", {"GAIN": 1.0})
        setup.mend(link)
        await came_back(link)
        await switched_on(link, setup.camera, "CCD_GAIN")
        answer = await exchange(link, setup.camera, "CCD_GAIN", GAIN=12.5)
        assert answer.number("GAIN") == 12.5

    setup.run(body)
