"""What `nightloom run` and `nightloom check --devices` say to what cannot work."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.daemon import nightloom
from rig.observatory import configure, simulators
from servers import Server, free_port

pytestmark = pytest.mark.rig


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with simulators(tmp_path_factory.mktemp("rig") / "home") as server:
        yield server


def refused(*words: str | Path) -> str:
    """The one sentence of a call that ends with status 2; the rig is made safe before."""
    done = subprocess.run(nightloom(*words), capture_output=True, text=True, timeout=60)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    (told,) = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    return told


def test_a_server_that_is_not_there(tmp_path: Path) -> None:
    port = free_port()
    configure(tmp_path, tmp_path / "out", port, cycles=1)
    assert str(port) in refused("check", "--devices", "--config", tmp_path)


def test_a_device_that_is_not_there(tmp_path: Path, server: Server) -> None:
    configure(tmp_path, tmp_path / "out", server.port, cycles=1)
    file = tmp_path / "observatory.toml"
    file.write_text(file.read_text().replace('"Focuser Simulator"', '"Focuser"'))
    told = refused("run", "--config", tmp_path)
    assert 'focuser.device = "Focuser" is not there; the server has' in told
    assert "Focuser Simulator" in told


def test_an_output_folder_that_cannot_be_one(tmp_path: Path, server: Server) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "file").write_text("")
    configure(tmp_path, tmp_path / "file" / "out", server.port, cycles=1)
    assert str(tmp_path / "file") in refused("check", "--devices", "--config", tmp_path)
