"""The rig as INDI devices: under indipyserver, and as a driver of the C indiserver."""

import base64
import io
import os
import select
import shutil
import signal
import socket
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from nightloom_drivers.serve import main
from nightloom_drivers.simulators.rig import DEVICES

pytestmark = pytest.mark.servers

START = "2026-11-14T21:00:00"
RIG = 'stars = "seeded"\nstar_limit_mag = 10.0\n\n[sensor]\ndownload_s = 0.05\n'


def program(name: str) -> str:
    path = shutil.which(name)
    assert path, f"{name} is not installed (Debian: indi-bin, fitsverify)"
    return path


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(RIG)
    return tmp_path


@pytest.fixture
def on_port(config: Path) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """`nightloom-rig` on a free port, a hundred times as fast as the clock."""
    command = [sys.executable, "-m", "nightloom_drivers.serve", "--port", "0", "--speed", "100"]
    command += ["--config", str(config), "--start", START]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        said = process.stdout.readline()
        yield process, int(said.rpartition(":")[2])
        process.kill()


@pytest.fixture
def under_indiserver(config: Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """The rig as one driver of the C indiserver, which runs it without arguments."""
    wrapper = config / "rig-driver"
    wrapper.write_text(
        f'#!/bin/sh\necho $$ > "{config}/driver.pid"\n'
        f"export NIGHTLOOM_RIG_CONFIG='{config}' NIGHTLOOM_RIG_START={START}\n"
        f"exec '{sys.executable}' -c 'from nightloom_drivers.serve import driver; driver()'\n"
    )
    wrapper.chmod(0o755)
    port = free_port()
    command = [program("indiserver"), "-p", str(port), "-u", f"rig-{port}", str(wrapper)]
    environment = {**os.environ, "HOME": str(config)}
    with subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL) as process:
        wait_for_port(port, process)
        yield process, port
        process.kill()


@pytest.fixture(params=["indipyserver", "indiserver"])
def port(request: pytest.FixtureRequest) -> int:
    """A port where the rig is served, by one server after the other."""
    fixture = "on_port" if request.param == "indipyserver" else "under_indiserver"
    return int(request.getfixturevalue(fixture)[1])


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def wait_for_port(port: int, process: subprocess.Popen[bytes]) -> None:
    """Return once somebody listens."""
    for _ in range(200):
        assert process.poll() is None
        with socket.socket() as trial:
            if trial.connect_ex(("127.0.0.1", port)) == 0:
                return
        select.select([], [], [], 0.05)
    raise AssertionError(f"nobody listens on {port}")


class Client:
    """The plainest INDI client: text out, elements in; patient for less than a keepalive's 30 s."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=20)
        self._parser: Any = ET.XMLPullParser(("start", "end"))
        self._parser.feed(b"<stream>")
        self._depth = 0
        self._heard: list[ET.Element] = []
        self.send("<getProperties version='1.7'/>")

    def send(self, text: str) -> None:
        self._socket.sendall(text.encode())

    def switch(self, device: str, name: str, element: str) -> None:
        self.send(
            f"<newSwitchVector device='{device}' name='{name}'>"
            f"<oneSwitch name='{element}'>On</oneSwitch></newSwitchVector>"
        )

    def number(self, device: str, name: str, **values: str) -> None:
        parts = "".join(f"<oneNumber name='{k}'>{v}</oneNumber>" for k, v in values.items())
        self.send(f"<newNumberVector device='{device}' name='{name}'>{parts}</newNumberVector>")

    def until(self, fits_in: Callable[[ET.Element], bool]) -> list[ET.Element]:
        """What is heard up to and with the first element that fits in; raises TimeoutError."""
        passed = []
        while True:
            while self._heard:
                passed.append(self._heard.pop(0))
                if fits_in(passed[-1]):
                    return passed
            data = self._socket.recv(1 << 20)
            assert data, "the server closed the connection"
            self._parser.feed(data)
            self._take()

    def wait(self) -> None:
        """Wait for something to hear, and leave it unread."""
        self._socket.recv(1, socket.MSG_PEEK)

    def connect(self, device: str, last: str) -> None:
        """Switch a device on and wait until a property is defined."""
        self.until(lambda e: named(e, device, "CONNECTION"))
        self.switch(device, "CONNECTION", "CONNECT")
        self.until(lambda e: e.tag.startswith("def") and named(e, device, last))

    def close(self) -> None:
        self._socket.close()

    def _take(self) -> None:
        for what, element in self._parser.read_events():
            self._depth += 1 if what == "start" else -1
            if what == "end" and self._depth == 1:
                self._heard.append(element)


@pytest.fixture
def client(port: int) -> Iterator[Client]:
    client = Client(port)
    yield client
    client.close()


def named(element: ET.Element, device: str, name: str) -> bool:
    return (element.get("device"), element.get("name")) == (device, name)


def tells(name: str, value: float, element: ET.Element) -> bool:
    """Whether an update of a property bears the number."""
    told = element.tag == "setNumberVector" and element.get("name") == name
    return told and float(element[0].text or "nan") == value


def image(heard: list[ET.Element]) -> bytes:
    """The one frame among what was heard, whole."""
    (blob,) = [part for e in heard if e.tag == "setBLOBVector" for part in e]
    data = base64.b64decode(blob.text or "")
    assert blob.get("format") == ".fits"
    assert blob.get("size") == str(len(data))
    return data


def expose(client: Client, exposure_s: str) -> bytes:
    client.number("Rig Camera", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=exposure_s)
    return image(
        client.until(
            lambda e: named(e, "Rig Camera", "CCD_EXPOSURE") and e.get("state") in ("Ok", "Alert")
        )
    )


def get_property(port: int, name: str) -> str:
    """What indi_getprop says; empty when the property does not come in 15 s."""
    command = [program("indi_getprop"), "-p", str(port), "-t", "15", name]
    said = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    return said.stdout.strip()


def becomes(port: int, name: str, value: str) -> bool:
    """Whether a property reads so soon: what one tool has sent, another may ask for too early."""
    wanted = f"{name}={value}"
    said = iter(lambda: get_property(port, name), "")
    return any(text == wanted for text in islice(said, 200))


def set_property(port: int, assignment: str) -> None:
    command = [program("indi_setprop"), "-p", str(port), "-t", "15", assignment]
    subprocess.run(command, capture_output=True, timeout=20, check=True)


def test_indis_own_tools_see_every_device_and_can_switch_it_on(port: int) -> None:
    for device in DEVICES:
        assert becomes(port, f"{device}.CONNECTION.DISCONNECT", "On")
    set_property(port, "Rig Wheel.CONNECTION.CONNECT=On")
    assert becomes(port, "Rig Wheel.FILTER_NAME.FILTER_SLOT_NAME_5", "Ha")


def test_indis_own_tools_unpark_the_mount_and_move_the_focuser(port: int) -> None:
    set_property(port, "Rig Mount.CONNECTION.CONNECT=On")
    assert becomes(port, "Rig Mount.TELESCOPE_PARK.PARK", "On")
    set_property(port, "Rig Mount.TELESCOPE_PARK.UNPARK=On")
    assert becomes(port, "Rig Mount.TELESCOPE_PARK.UNPARK", "On")
    set_property(port, "Rig Focuser.CONNECTION.CONNECT=On")
    position = "Rig Focuser.ABS_FOCUS_POSITION.FOCUS_ABSOLUTE_POSITION"
    assert becomes(port, position, "10000.0")
    set_property(port, f"{position}=10010")
    assert becomes(port, position, "10010.0")


def test_a_frame_passes_fitsverify_and_opens_in_astropy(client: Client, tmp_path: Path) -> None:
    client.connect("Rig Camera", "CCD_COOLER_POWER")
    client.send("<enableBLOB device='Rig Camera'>Also</enableBLOB>")
    data = expose(client, "0.1")
    path = tmp_path / "frame.fits"
    path.write_bytes(data)
    verdict = subprocess.run(
        [program("fitsverify"), str(path)], capture_output=True, text=True, check=False
    )
    assert verdict.returncode == 0, verdict.stdout
    assert "0 warning(s) and 0 error(s)" in " ".join(verdict.stdout.split()).lower()
    with fits.open(io.BytesIO(data)) as files:
        assert files[0].data.dtype == np.uint16
        assert files[0].header["DATE-OBS"].startswith("2026-11-14T21:0")


def test_twenty_frames_in_a_row_arrive_whole(client: Client) -> None:
    client.connect("Rig Camera", "CCD_COOLER_POWER")
    client.send("<enableBLOB device='Rig Camera'>Also</enableBLOB>")
    frames = [expose(client, "0.01") for _ in range(20)]
    for data in frames:
        with fits.open(io.BytesIO(data)) as files:
            assert files[0].data.shape == (768, 1024)
    assert len({hash(data) for data in frames}) == 20


def test_states_come_in_order_and_what_is_unreadable_gets_no_answer(client: Client) -> None:
    client.connect("Rig Wheel", "FILTER_NAME")
    client.number("Rig Wheel", "FILTER_SLOT", FILTER_SLOT_VALUE="two")
    client.number("Rig Wheel", "FILTER_SLOT", FILTER_SLOT_VALUE="2")
    heard = client.until(lambda e: named(e, "Rig Wheel", "FILTER_SLOT") and e.get("state") == "Ok")
    told = [(e.get("state"), e[0].text) for e in heard if named(e, "Rig Wheel", "FILTER_SLOT")]
    assert [(state, float(text or "nan")) for state, text in told] == [("Busy", 1.0), ("Ok", 2.0)]


def test_disconnecting_deletes_what_connecting_defined(client: Client) -> None:
    client.connect("Rig Roof", "MOUNT_POLICY")
    client.switch("Rig Roof", "CONNECTION", "DISCONNECT")
    heard = client.until(lambda e: named(e, "Rig Roof", "CONNECTION") and e.tag.startswith("set"))
    gone = {e.get("name") for e in heard if e.tag == "delProperty"}
    assert gone == {"DOME_SHUTTER", "DOME_PARK", "DOME_ABORT_MOTION", "MOUNT_POLICY"}


def test_a_long_exposure_is_short_where_time_runs_fast(
    on_port: tuple[subprocess.Popen[str], int],
) -> None:
    client = Client(on_port[1])
    client.connect("Rig Camera", "CCD_COOLER_POWER")
    client.send("<enableBLOB device='Rig Camera'>Also</enableBLOB>")
    with fits.open(io.BytesIO(expose(client, "120"))) as files:
        assert files[0].header["EXPTIME"] == 120.0
    client.close()


def test_new_limits_are_told_with_the_values(client: Client) -> None:
    client.connect("Rig Focuser", "FOCUS_TEMPERATURE")
    client.number("Rig Focuser", "FOCUS_MAX", FOCUS_MAX_VALUE="15000")
    heard = client.until(
        lambda e: e.tag.startswith("set") and named(e, "Rig Focuser", "ABS_FOCUS_POSITION")
    )
    assert float(heard[-1][0].get("max", "nan")) == 15000.0


def test_a_request_counts_though_its_sender_leaves_with_answers_unread(
    on_port: tuple[subprocess.Popen[str], int],
) -> None:
    """As indi_setprop leaves; the server is held up, so that it may write before it reads on."""
    process, port = on_port
    client = Client(port)
    client.until(lambda e: named(e, "Rig Wheel", "POLLING_PERIOD"))
    for period_ms in range(1000, 1060):
        hasty = Client(port)
        hasty.wait()
        process.send_signal(signal.SIGSTOP)
        hasty.number("Rig Wheel", "POLLING_PERIOD", PERIOD_MS=str(period_ms))
        hasty.close()
        process.send_signal(signal.SIGCONT)
        client.until(partial(tells, "POLLING_PERIOD", float(period_ms)))
    client.close()


def test_clients_that_have_left_keep_no_place(on_port: tuple[subprocess.Popen[str], int]) -> None:
    for _ in range(25):  # indipyserver takes ten at a time.
        client = Client(on_port[1])
        client.until(lambda e: named(e, "Rig Wheel", "CONNECTION"))
        client.close()


def test_the_port_server_ends_well_when_terminated(
    on_port: tuple[subprocess.Popen[str], int],
) -> None:
    process, port = on_port
    client = Client(port)
    client.until(lambda e: named(e, "Rig Wheel", "CONNECTION"))
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0
    client.close()
    assert process.stderr is not None
    assert process.stderr.read() == ""


def test_the_driver_ends_when_indiserver_is_killed(
    under_indiserver: tuple[subprocess.Popen[bytes], int], config: Path
) -> None:
    server, port = under_indiserver
    client = Client(port)
    client.until(lambda e: named(e, "Rig Dust Cap", "CONNECTION"))
    client.close()
    driver = os.pidfd_open(int((config / "driver.pid").read_text()))
    server.kill()
    ended, _, _ = select.select([driver], [], [], 10)
    os.close(driver)
    assert ended


@pytest.mark.parametrize(
    "arguments",
    [
        ["--speed", "0"],
        ["--start", "yesterday"],
        ["--origin", "5"],
        ["--device", "Nothing"],
        ["--config", "/nowhere"],
        ["--seed", "-1"],
    ],
)
def test_bad_options_end_with_one_sentence_and_status_2(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "Traceback" not in capsys.readouterr().err
