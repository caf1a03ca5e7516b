"""The INDI link against a server that says exactly what a test wants, well-formed or not."""

import asyncio
import base64
import contextlib
import os
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager

import numpy as np
import pytest

from nightloom_drivers.clock import ScaledTimeLoop
from nightloom_drivers.errors import DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.link import Blob, Event, Found, IndiLink, Kind, Lost, Said, State, Vector
from scripted_server import ScriptedServer, scripted

LEVEL = """
<defNumberVector device="Bench" name="LEVEL" state="Idle" perm="rw">
  <defNumber name="HEIGHT" format="%g" min="0" max="10" step="0">1.5</defNumber>
  <defNumber name="WIDTH" format="%g" min="0" max="0" step="0">-0:30</defNumber>
</defNumberVector>"""
MODE = """
<defSwitchVector device="Bench" name="MODE" state="Ok" perm="rw" rule="OneOfMany">
  <defSwitch name="SLOW">On</defSwitch>
  <defSwitch name="FAST">Off</defSwitch>
</defSwitchVector>"""
NOTE = """
<defTextVector device="Bench" name="NOTE" state="Busy" perm="wo">
  <defText name="LINE">
    hello
  </defText>
</defTextVector>"""
LAMPS = """
<defLightVector device="Bench" name="LAMPS" state="Alert">
  <defLight name="RAIN">Alert</defLight>
  <defLight name="WIND">Idle</defLight>
</defLightVector>"""
SERIAL = """
<defTextVector device="Bench" name="SERIAL" state="Idle" perm="ro">
  <defText name="NUMBER">42</defText>
</defTextVector>"""
FRAME = """
<defBLOBVector device="Bench" name="CCD1" state="Idle" perm="ro">
  <defBLOB name="CCD1"/>
</defBLOBVector>"""
BENCH = LEVEL + MODE + NOTE + LAMPS + SERIAL + FRAME


def run(test: Callable[[ScriptedServer, IndiLink], Awaitable[None]], opening: str = BENCH) -> None:
    """Run a test with a server and a link to it that has heard all of `opening`."""

    async def body() -> None:
        async with joined(opening) as (server, link):
            await test(server, link)

    asyncio.run(body())


@asynccontextmanager
async def joined(opening: str = BENCH) -> AsyncIterator[tuple[ScriptedServer, IndiLink]]:
    """A scripted server and an open link to it."""
    async with scripted(opening) as server, IndiLink("127.0.0.1", server.port) as link:
        if "CCD1" in opening:
            await link.wait("Bench", "CCD1", anything, timeout_s=10)
        yield server, link


def anything(_: Vector) -> bool:
    return True


@contextlib.contextmanager
def heard(link: IndiLink) -> Iterator["asyncio.Queue[Event]"]:
    """The link's events as a queue."""
    queue: asyncio.Queue[Event] = asyncio.Queue()
    with link.listen(queue.put_nowait):
        yield queue


async def the_next(kind: type[Event], queue: "asyncio.Queue[Event]") -> Event:
    """The next event of a kind."""
    async with asyncio.timeout(10):
        while not isinstance(event := await queue.get(), kind):
            pass
        return event


def set_level(text: str = "") -> str:
    return f'<setNumberVector device="Bench" name="LEVEL" state="Ok">{text}</setNumberVector>\n'


def frame(data: bytes, *, size: int | None = None, suffix: str = ".fits", lines: int = 0) -> str:
    """A message with one frame; `lines` characters a line of base64, or all on one."""
    text = base64.b64encode(data).decode()
    if lines:
        text = "\n".join(text[at : at + lines] for at in range(0, len(text), lines))
    return (
        '<setBLOBVector device="Bench" name="CCD1" state="Ok">'
        f'<oneBLOB name="CCD1" size="{len(data) if size is None else size}" format="{suffix}">'
        f"{text}</oneBLOB></setBLOBVector>\n"
    )


def bytes_of(length: int, seed: int = 1) -> bytes:
    return np.random.default_rng(seed).bytes(length)


# Hearing -----------------------------------------------------------------------------------


def test_each_kind_of_vector_is_heard_as_defined() -> None:
    async def body(_: ScriptedServer, link: IndiLink) -> None:
        vectors = {vector.name: vector for vector in link.vectors("Bench")}
        assert list(vectors) == ["LEVEL", "MODE", "NOTE", "LAMPS", "SERIAL", "CCD1"]
        level = vectors["LEVEL"]
        assert (level.kind, level.state, level.writable) == (Kind.NUMBER, State.IDLE, True)
        assert level.elements == {"HEIGHT": 1.5, "WIDTH": -0.5}
        assert level.limits == {"HEIGHT": (0.0, 10.0), "WIDTH": (0.0, 0.0)}
        assert vectors["MODE"].elements == {"SLOW": True, "FAST": False}
        assert (vectors["NOTE"]["LINE"], vectors["NOTE"].writable) == ("hello", True)
        assert vectors["LAMPS"].elements == {"RAIN": State.ALERT, "WIND": State.IDLE}
        assert not vectors["LAMPS"].writable
        assert not vectors["SERIAL"].writable
        assert vectors["CCD1"].elements == {"CCD1": ""}

    run(body)


def test_an_update_of_one_element_leaves_the_others_and_brings_new_limits() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        before = link.serial
        server.say(set_level('<oneNumber name="HEIGHT" min="0" max="99">7.25</oneNumber>'))
        level = await link.wait("Bench", "LEVEL", anything, after=before, timeout_s=10)
        assert level.elements == {"HEIGHT": 7.25, "WIDTH": -0.5}
        assert level.limits["HEIGHT"] == (0.0, 99.0)
        assert level.state is State.OK

    run(body)


def test_numbers_that_are_not_finite_pass() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        before = link.serial
        server.say(set_level('<oneNumber name="HEIGHT">nan</oneNumber>'))
        level = await link.wait("Bench", "LEVEL", anything, after=before, timeout_s=10)
        assert np.isnan(level.number("HEIGHT"))

    run(body)


def test_text_that_is_not_utf8_and_very_long_text_pass() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        with heard(link) as events:
            server.say(b'<message device="Bench" message="22 \xb0C"/>\n')
            assert await the_next(Said, events) == Said("Bench", "22 °C")
            server.say('<message message="to all"/>\n')
            assert await the_next(Said, events) == Said("", "to all")
            long = f'<oneText name="LINE">{"x" * 300_000}</oneText>'
            before = link.serial
            server.say(
                f'<setTextVector device="Bench" name="NOTE" state="Ok">{long}</setTextVector>'
            )
            note = await link.wait("Bench", "NOTE", anything, after=before, timeout_s=10)
            assert note["LINE"] == "x" * 300_000
            link.set("Bench", "NOTE", {"LINE": "y" * 300_000})
            await server.until(lambda: bool(server.of("newTextVector")))
            assert (server.of("newTextVector")[0][0].text or "").strip() == "y" * 300_000

    run(body)


def test_malformed_messages_do_no_harm_to_those_that_follow() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        before = link.serial
        server.say("<setNumberVector device='Bench'></wrong>\n")
        server.say(b"\x00\xff & ]]> garbage <")
        server.say("<!-- a remark -->\n")
        server.say(set_level('<oneNumber name="HEIGHT">2'))  # cut in the text: the next tag heals
        server.say(set_level().replace("LEVEL", "NOT_DEFINED"))
        server.say("<setNumberVector device='Nobody' name='X' state='Ok'/>\n")
        server.say(set_level('<oneNumber name="HEIGHT">3</oneNumber>'))
        level = await link.wait("Bench", "LEVEL", anything, after=before, timeout_s=10)
        assert level["HEIGHT"] == 3.0
        assert server.connections == 1

    run(body)


def test_a_deleted_device_is_forgotten_with_all_its_vectors() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        late = asyncio.create_task(link.wait("Bench", "MODE", never, timeout_s=20))
        await asyncio.sleep(0)
        server.say('<delProperty device="Bench"/>\n')
        with pytest.raises(DeviceGone, match="MODE"):
            await late
        assert link.devices() == []
        with pytest.raises(DeviceGone):
            link.set("Bench", "MODE", {"FAST": True, "SLOW": False})
        server.say(MODE)
        await link.wait("Bench", "MODE", anything, timeout_s=10)
        assert link.devices() == ["Bench"]

    run(body)


def test_a_vector_deleted_while_someone_waits_for_it_is_gone() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        late = asyncio.create_task(link.wait("Bench", "LEVEL", never, timeout_s=20))
        await asyncio.sleep(0)
        server.say('<delProperty device="Bench" name="LEVEL"/>\n')
        with pytest.raises(DeviceGone, match="removed"):
            await late
        assert link.get("Bench", "MODE") is not None

    run(body)


def never(_: Vector) -> bool:
    return False


# Asking ------------------------------------------------------------------------------------


def test_requests_arrive_complete_and_numbers_keep_their_last_bit() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        value = 0.1 + 0.2
        link.set("Bench", "LEVEL", {"HEIGHT": value, "WIDTH": -1e-17})
        link.set("Bench", "MODE", {"FAST": True, "SLOW": False})
        link.set("Bench", "NOTE", {"LINE": "a < b & 'c' \"d\" → é"})
        await server.until(lambda: bool(server.of("newTextVector")))
        numbers = {e.get("name"): float(e.text or "") for e in server.of("newNumberVector")[0]}
        assert numbers == {"HEIGHT": value, "WIDTH": -1e-17}
        switches = [
            (e.get("name"), (e.text or "").strip()) for e in server.of("newSwitchVector")[0]
        ]
        assert switches == [("SLOW", "Off"), ("FAST", "On")]
        (line,) = server.of("newTextVector")[0]
        assert (line.text or "").strip() == "a < b & 'c' \"d\" → é"

    run(body)


def test_hundreds_of_parallel_requests_arrive_whole() -> None:
    """Unlocked parallel sends would interleave their XML; the parser of the server would fail."""

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        async def ask(who: int) -> None:
            for turn in range(40):
                link.set("Bench", "LEVEL", {"HEIGHT": who / 4, "WIDTH": float(turn)})
                if turn % 3 == 0:
                    await asyncio.sleep(0)

        await asyncio.gather(*(ask(who) for who in range(20)))
        await server.until(lambda: len(server.of("newNumberVector")) == 800)
        pairs = {tuple(float(e.text or "") for e in v) for v in server.of("newNumberVector")}
        assert pairs == {(who / 4, float(turn)) for who in range(20) for turn in range(40)}

    run(body)


def test_a_value_is_not_believed_because_it_was_sent() -> None:
    """Libindi writes what it sends into its cache; the next update would show it as heard."""

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        sent = link.set("Bench", "LEVEL", {"HEIGHT": 9.0, "WIDTH": 9.0})
        await server.until(lambda: bool(server.of("newNumberVector")))
        level = link.get("Bench", "LEVEL")
        assert level is not None
        assert (level["HEIGHT"], level.state) == (1.5, State.IDLE)
        server.say(set_level().replace("Ok", "Alert"))
        level = await link.wait("Bench", "LEVEL", anything, after=sent, timeout_s=10)
        assert (level["HEIGHT"], level.state) == (1.5, State.ALERT)

    run(body)


def test_what_drivers_drop_in_silence_is_refused_at_once() -> None:
    async def body(_: ScriptedServer, link: IndiLink) -> None:
        for name, values in (
            ("SERIAL", {"NUMBER": "43"}),
            ("LAMPS", {"RAIN": "Ok"}),
            ("LEVEL", {"DEPTH": 1.0}),
            ("LEVEL", {"HEIGHT": float("nan")}),
            ("LEVEL", {"HEIGHT": "tall"}),
            ("MODE", {"FAST": 1.0}),
            ("NOTE", {"LINE": 1.0}),
        ):
            with pytest.raises(DeviceRefused):
                link.set("Bench", name, values)
        with pytest.raises(DeviceGone):
            link.set("Bench", "DEPTH", {"VALUE": 1.0})

    run(body)


def test_a_wait_past_its_deadline_says_what_was_read() -> None:
    async def body(_: ScriptedServer, link: IndiLink) -> None:
        with pytest.raises(DeviceLate, match=r"HEIGHT=1\.5") as late:
            await link.wait("Bench", "LEVEL", never, timeout_s=0.05, asked="HEIGHT=9")
        assert "HEIGHT=9" in str(late.value)

    run(body)


# Frames ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "size", "suffix", "lines"),
    [
        (28800, None, ".fits", 0),
        (28800, None, ".fits", 72),
        (100_001, None, ".xisf", 72),
        (28800, 8_380_000, ".fits", 0),  # reading as much as is claimed would crash
        (28800, 2880, ".fits", 0),
        (28800, -1, ".fits", 0),
        (12_345, 100_000, ".fits.fz", 0),
        (12_345, 100_000, ".bin.z", 0),
    ],
)
def test_a_frame_has_its_true_length(
    length: int, size: int | None, suffix: str, lines: int
) -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        link.keep_blobs("Bench")
        await server.until(lambda: bool(server.of("enableBLOB")))
        data = bytes_of(length)
        with link.blobs("Bench", "CCD1") as frames:
            server.say(frame(data, size=size, suffix=suffix, lines=lines))
            async with asyncio.timeout(10):
                got = await frames.get()
        assert (got.format, bytes(got.data)) == (suffix, data)

    run(body)


def test_a_message_with_a_state_only_brings_no_frame() -> None:
    """Libindi keeps the last frame in its buffer and reports the vector again."""

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        link.keep_blobs("Bench")
        await server.until(lambda: bool(server.of("enableBLOB")))
        with link.blobs("Bench", "CCD1") as frames:
            before = link.serial
            empty = '<setBLOBVector device="Bench" name="CCD1" state="Busy"/>\n'
            nothing = frame(b"", size=0).replace("Ok", "Alert")
            server.say(empty + frame(bytes_of(2880)) + empty + nothing + frame(bytes_of(2880, 2)))
            server.say(empty)
            server.say(set_level('<oneNumber name="HEIGHT">3</oneNumber>'))
            await link.wait("Bench", "LEVEL", anything, after=before, timeout_s=10)
            got = [bytes(frames.get_nowait().data) for _ in range(frames.qsize())]
        assert got == [bytes_of(2880), bytes_of(2880, 2)]

    run(body)


def test_frames_nobody_asked_for_are_not_brought() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        with link.blobs("Bench", "CCD1") as frames:
            before = link.serial
            server.say(frame(bytes_of(2880)))
            await link.wait("Bench", "CCD1", anything, after=before, timeout_s=10)
            assert frames.empty()

    run(body)


def test_a_frame_outlives_the_process_that_brought_it() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        link.keep_blobs("Bench")
        await server.until(lambda: bool(server.of("enableBLOB")))
        with link.blobs("Bench", "CCD1") as frames, heard(link) as events:
            server.say(frame(bytes_of(288000)))
            async with asyncio.timeout(10):
                got: Blob = await frames.get()
            os.kill(link.child_pid or 0, signal.SIGKILL)
            await the_next(Lost, events)
        assert got.data == bytes_of(288000)

    run(body)


# Trouble -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "poison",
    [
        frame(bytes_of(2880)).replace('oneBLOB name="CCD1"', 'oneBLOB name="NOPE"'),
        frame(bytes_of(28800)) + frame(b" ", size=2880) + frame(b"", size=2880),
    ],
    ids=["unknown element", "size without content"],
)
def test_a_message_that_crashes_the_library_costs_a_reconnection_and_no_more(poison: str) -> None:
    """Libindi 2.1.2 has bugs that a driver's mistake triggers."""

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        link.keep_blobs("Bench")
        await server.until(lambda: bool(server.of("enableBLOB")))
        with heard(link) as events:
            late = asyncio.create_task(link.wait("Bench", "LEVEL", never, timeout_s=20))
            server.say(poison)
            lost = await the_next(Lost, events)
            assert isinstance(lost, Lost)
            assert "process ended" in lost.reason
            with pytest.raises(DeviceGone):
                await late
            await the_next(Found, events)
        await link.wait("Bench", "CCD1", anything, timeout_s=10)
        await server.until(lambda: len(server.of("enableBLOB")) == 2)
        await one_exchange(server, link)

    run(body)


async def one_exchange(server: ScriptedServer, link: IndiLink) -> None:
    """Ask and hear the answer."""
    earlier = len(server.of("newNumberVector"))
    sent = link.set("Bench", "LEVEL", {"HEIGHT": 4.0})
    await server.until(lambda: len(server.of("newNumberVector")) == earlier + 1)
    server.say(set_level('<oneNumber name="HEIGHT">4</oneNumber>'))
    level = await link.wait("Bench", "LEVEL", anything, after=sent, timeout_s=10)
    assert level["HEIGHT"] == 4.0


def test_a_killed_process_is_replaced() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        first = link.child_pid
        assert first is not None
        with heard(link) as events:
            os.kill(first, signal.SIGTERM)  # what stops the daemon is not for its child to obey
            os.kill(first, signal.SIGINT)
            await one_exchange(server, link)
            os.kill(first, signal.SIGKILL)
            sent = link.set("Bench", "LEVEL", {"HEIGHT": 2.0})
            with pytest.raises(DeviceGone):
                await link.wait("Bench", "LEVEL", anything, after=sent, timeout_s=10)
            await the_next(Found, events)
        await link.wait("Bench", "LEVEL", anything, timeout_s=10)
        assert link.child_pid != first
        await one_exchange(server, link)

    run(body)


def test_a_lost_server_is_found_again() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        with heard(link) as events:
            server.drop()
            assert await the_next(Lost, events) == Lost("the server closed the connection")
            assert not link.connected
            with pytest.raises(DeviceGone, match="down"):
                link.set("Bench", "LEVEL", {"HEIGHT": 2.0})
            with pytest.raises(DeviceGone, match="down"):
                await link.wait("Bench", "LEVEL", anything, timeout_s=1)
            await the_next(Found, events)
        await link.wait("Bench", "LEVEL", anything, timeout_s=10)
        await one_exchange(server, link)
        assert server.connections == 2

    run(body)


@pytest.mark.parametrize("opening", [BENCH, ""], ids=["after speaking", "from the start"])
def test_a_hung_server_is_given_up_and_tried_again(opening: str) -> None:
    async def body() -> None:
        async with scripted(opening) as server:
            server.answers_pings = bool(opening)
            link = IndiLink("127.0.0.1", server.port, ping_s=0.05, silence_s=1.0)
            with heard(link) as events:
                async with link:
                    await the_next(Found, events)
                    if opening:  # it answers, and so is expected to answer
                        await link.wait("Bench", "CCD1", anything, timeout_s=10)
                        await asyncio.sleep(1.2)
                        assert link.connected
                    server.answers_pings = False
                    lost = await the_next(Lost, events)
                    assert isinstance(lost, Lost)
                    assert "silent" in lost.reason
                    await the_next(Found, events)
                    await server.until(lambda: server.connections == 2)

    asyncio.run(body())


CUT_SHORT = '<setNumberVector device="Bench" name="LEVEL" state="Ok"><oneNumber name="HEIGHT">'


@pytest.mark.parametrize("answers_pings", [True, False], ids=["answers pings", "does not"])
@pytest.mark.parametrize(
    "poison",
    [CUT_SHORT, "<a>", frame(b"S" * 2880)[:2000]],
    ids=["values", "garbage", "a frame"],
)
def test_a_message_that_never_ends_costs_a_reconnection_and_no_more(
    poison: str, answers_pings: bool
) -> None:
    """All that follows it is taken for its inside; pings and a chattering driver go on."""

    async def body() -> None:
        async with scripted(BENCH) as server:
            server.answers_pings = answers_pings
            link = IndiLink("127.0.0.1", server.port, ping_s=0.05, silence_s=0.3)
            with heard(link) as events:
                async with link:
                    await link.wait("Bench", "CCD1", anything, timeout_s=10)
                    server.say(poison)
                    chatter = asyncio.create_task(_chatter(server))
                    lost = await the_next(Lost, events)
                    chatter.cancel()
                    assert isinstance(lost, Lost)
                    assert "no message that ends" in lost.reason
                    await the_next(Found, events)
                    await link.wait("Bench", "CCD1", anything, timeout_s=10)
                    await one_exchange(server, link)

    asyncio.run(body())


async def _chatter(server: ScriptedServer) -> None:
    while True:
        server.say(set_level('<oneNumber name="HEIGHT">3</oneNumber>'))
        await asyncio.sleep(0.05)


def test_a_frame_that_takes_longer_than_a_silence_comes_down() -> None:
    async def body() -> None:
        async with scripted(BENCH) as server:
            link = IndiLink("127.0.0.1", server.port, ping_s=0.05, silence_s=0.3)
            async with link:
                await link.wait("Bench", "CCD1", anything, timeout_s=10)
                link.keep_blobs("Bench")
                await server.until(lambda: bool(server.of("enableBLOB")))
                server.answers_pings = False  # the answers would stand in the midst of the frame
                data = bytes_of(28800)
                text = frame(data)
                with link.blobs("Bench", "CCD1") as frames:
                    for at in range(0, len(text), 1200):
                        server.say(text[at : at + 1200])
                        await asyncio.sleep(0.03)
                    async with asyncio.timeout(10):
                        got = await frames.get()
                assert bytes(got.data) == data
                assert server.connections == 1

    asyncio.run(body())


def test_a_server_that_never_answers_pings_may_be_silent() -> None:
    """Some servers do not know pings; their silence between two messages means nothing."""

    async def body() -> None:
        async with scripted(BENCH) as server:
            server.answers_pings = False
            async with IndiLink("127.0.0.1", server.port, ping_s=0.05, silence_s=0.3) as link:
                await asyncio.sleep(1.0)
                await one_exchange(server, link)
                assert server.connections == 1

    asyncio.run(body())


def test_no_server_is_one_clear_sentence() -> None:
    async def body() -> None:
        async with scripted("") as server:
            port = server.port
        with pytest.raises(DeviceGone, match=rf"127\.0\.0\.1:{port} is gone.*refused"):
            await IndiLink("127.0.0.1", port, answer_s=0.1).open()
        with pytest.raises(DeviceGone, match=r"no\.such\.host\.invalid"):
            await IndiLink("no.such.host.invalid", port, answer_s=0.1).open()

    asyncio.run(body())


def test_open_waits_for_a_server_that_comes_late() -> None:
    async def body() -> None:
        async with scripted("") as early:
            port = early.port
        link = IndiLink("127.0.0.1", port, answer_s=20)
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.3)
        server = ScriptedServer(BENCH)
        late = await asyncio.start_server(server.serve, "127.0.0.1", port)
        await opening
        await link.wait("Bench", "CCD1", anything, timeout_s=10)
        await link.close()
        late.close()

    asyncio.run(body())


def test_closing_ends_the_process_and_tells_who_waits() -> None:
    async def body() -> None:
        async with joined() as (_, link):
            pid = link.child_pid
            late = asyncio.create_task(link.wait("Bench", "LEVEL", never, timeout_s=20))
            await asyncio.sleep(0)
            await link.close()
            with pytest.raises(DeviceGone, match="closed"):
                await late
            with pytest.raises(ProcessLookupError):
                os.kill(pid or 0, 0)

    asyncio.run(body())


def test_the_last_request_before_closing_still_arrives() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        for turn in range(200):
            link.set("Bench", "LEVEL", {"HEIGHT": turn / 100, "WIDTH": 0.0})
        await link.close()
        await server.until(lambda: len(server.of("newNumberVector")) == 200)

    run(body)


def test_fast_time_does_not_hurry_the_network() -> None:
    """On a loop whose seconds pass 600 times as fast, the real waits stay what they are."""

    async def body() -> None:
        async with joined() as (server, link):
            with heard(link) as events:
                server.drop()
                lost = events.get()
                assert isinstance(await lost, Lost)
                while not isinstance(await events.get(), Found):
                    pass
            await link.wait("Bench", "CCD1", anything, timeout_s=6000)

    with asyncio.Runner(loop_factory=lambda: ScaledTimeLoop(600)) as runner:
        runner.run(body())


def test_closing_amid_a_reconnection_leaves_no_process_behind() -> None:
    async def body() -> None:
        for moment_s in (0.0, 0.001, 0.01, 0.05, 0.2):
            async with joined() as (server, link):
                with heard(link) as events:
                    server.drop()
                    await the_next(Lost, events)
                await asyncio.sleep(moment_s)
                pid = link.child_pid
                await link.close()
                assert link.child_pid == pid
                with pytest.raises(ProcessLookupError):
                    os.kill(pid or 0, 0)

    asyncio.run(body())
