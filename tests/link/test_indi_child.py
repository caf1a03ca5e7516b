"""The parts of the INDI process, each by itself."""

import math
import os
import socket
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom_drivers.link import Event, Kind, Said
from nightloom_drivers.link.channel import (
    RECORD_BYTES_MAX,
    Channel,
    Request,
    TooLong,
    mapped,
    memory_of,
)
from nightloom_drivers.link.indi_child import Listener, detached, harden, own_socket
from nightloom_drivers.link.indi_snapshot import readable, true_length


def test_nothing_leaves_a_callback() -> None:
    """An exception in a callback would leave libindi deaf and looking alive."""
    told: list[Event] = []
    listener = Listener(lambda event, _: told.append(event))
    listener.newProperty(object())
    listener.updateProperty(None)
    listener.removeDevice(None)
    listener.newMessage(None, 7)
    assert len(told) == 4
    assert all(isinstance(event, Said) and "Traceback" in event.text for event in told)


def test_not_even_a_request_to_exit_leaves_a_callback() -> None:
    told: list[Event] = []

    def tell(event: Event, _: int | None) -> None:
        if isinstance(event, Said) and event.text == "please":
            raise SystemExit(3)
        told.append(event)

    Listener(tell).newUniversalMessage("please")
    assert len(told) == 1


def test_a_request_holds_all_given_elements_and_off_comes_before_on() -> None:
    """For one-of-many, switches that go off are named first (INDI 1.7, newSwitchVector)."""
    asked = detached(Request("D", "MODE", Kind.SWITCH, {"A": True, "B": False, "C": False}))
    assert [(e.getName(), e.getStateAsString()) for e in asked] == [
        ("B", "Off"),
        ("C", "Off"),
        ("A", "On"),
    ]


def test_the_connection_is_found_and_hardened() -> None:
    with socket.socket() as server, socket.socket() as client:
        server.bind(("127.0.0.1", 0))
        server.listen()
        client.connect(server.getsockname())
        with own_socket(server.getsockname()[1]) as handle:
            assert handle.getsockname() == client.getsockname()
            harden(handle)
        assert client.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
        linger = client.getsockopt(socket.SOL_SOCKET, socket.SO_LINGER, 8)
        assert struct.unpack("ii", linger) == (1, 0)


def test_no_connection_is_an_error() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        with pytest.raises(ConnectionError):
            own_socket(unused.getsockname()[1])


@given(length=st.integers(1, 1 << 28), width=st.integers(16, 40))
def test_line_breaks_in_base64_do_not_lengthen_a_frame(length: int, width: int) -> None:
    """Lines of base64 hold 4 × `width` characters (76 in RFC 2045) and end with one or two more."""
    characters = 4 * math.ceil(length / 3)
    for ending in (1, 2):
        decoded = (characters + ending * math.ceil(characters / (4 * width))) * 3 // 4
        assert true_length(decoded, length, ".bin") == length


@pytest.mark.parametrize(
    ("received", "claimed", "suffix", "length"),
    [
        (28800, 28800, ".fits", 28800),
        (28800, 8380000, ".fits", 28800),  # the size of an earlier, longer frame
        (28800, 2880, ".fits", 28800),  # the size of an earlier, shorter frame
        (28800, 28799, ".fits", 28800),  # FITS is whole blocks
        (28800, -5, ".fits", 28800),
        (1048576, 2629440, ".fits.fz", 1048576),  # the size before compression
        (1000, 990, ".bin.z", 1000),
    ],
)
def test_a_wrong_claim_of_size_is_not_believed(
    received: int, claimed: int, suffix: str, length: int
) -> None:
    assert true_length(received, claimed, suffix) == length


def test_bytes_that_are_no_utf8_are_read_as_latin_1() -> None:
    assert readable(b"22 \xb0C".decode("utf-8", "surrogateescape")) == "22 °C"
    assert readable("22 °C") == "22 °C"


def test_long_records_and_frames_pass_the_channel_and_leave_no_descriptor_behind() -> None:
    ours, theirs = Channel.pair()
    with ours, theirs:
        sender, receiver = Channel[object](ours), Channel[object](theirs)
        before = _descriptors()
        for _ in range(5):
            frame = memory_of(b"\x00\x01" * 500_000)
            sender.send(Said("D", "x" * 1_000_000), frame)
            os.close(frame)
            record, descriptor = receiver.receive()
            assert record == Said("D", "x" * 1_000_000)
            assert descriptor is not None
            content = mapped(descriptor)
            assert content.readonly
            assert content == b"\x00\x01" * 500_000
            del content
        assert _descriptors() == before
        theirs.close()
        with pytest.raises(OSError, match="pipe"):
            sender.send(Said("D", "nobody hears this"))


def test_a_record_larger_than_any_honest_one_does_not_pass() -> None:
    ours, theirs = Channel.pair()
    with ours, theirs, pytest.raises(TooLong, match="16 MB"):
        Channel[object](ours).send(Said("D", "x" * RECORD_BYTES_MAX))


def test_the_end_of_the_other_side_is_the_end_of_the_channel() -> None:
    ours, theirs = Channel.pair()
    with ours:
        Channel(theirs).send(Said("D", "last"))
        theirs.close()
        assert Channel(ours).receive()[0] == Said("D", "last")
        with pytest.raises(EOFError):
            Channel(ours).receive()


def test_the_last_words_of_a_side_that_did_not_read_all_are_still_heard() -> None:
    """The kernel reports that with a reset, before what was sent earlier."""
    ours, theirs = Channel.pair()
    with ours:
        Channel(ours).send(Said("D", "never read"))
        Channel(theirs).send(Said("D", "last"))
        theirs.close()
        assert Channel(ours).receive()[0] == Said("D", "last")
        with pytest.raises(EOFError):
            Channel(ours).receive()


def test_importing_the_link_does_not_load_the_library_into_the_daemon() -> None:
    """What crashes libindi crashes the process that holds it."""
    question = "import nightloom_drivers.link, sys; sys.exit('PyIndi' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", question], check=False).returncode == 0


def _descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
