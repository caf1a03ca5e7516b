"""Rain, as the C++ weather simulator tells of it, into what a night may be doing.

Each time the mount simulator is parked before the dome simulator's shutter begins to close, and
both are so, as the server says, within the time that is promised.
"""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from nightloom.sky import Site, altitude_azimuth
from rig.daemon import Daemon, running
from rig.observatory import (
    LATITUDE_DEG,
    LEAST_DITHER_PX,
    Place,
    ask,
    calibrated,
    configure,
    park_near,
    put,
    simulators,
)
from rig.showers import CLOCK, Shower, held_against, shower, weather
from servers import Server

pytestmark = pytest.mark.rig

STEP_S_MAX = 150.0
CLEAR_MAG, CLOUDED_MAG = 17.0, 1.0


def cloud(server: Server, faintest_mag: float) -> None:
    """Have both cameras see no star fainter than this."""
    told = {"SIM_LIMITINGMAG": faintest_mag}
    cameras = "CCD Simulator", "Guide Simulator"
    put(server, *((camera, "SIMULATOR_SETTINGS", told) for camera in cameras))


def not_up_yet(config: Path, place: Place) -> None:
    """Have the target wanted from where it will be in half an hour, and the roof open before."""
    site = Site(LATITUDE_DEG, place.longitude_deg, 100.0)
    at_s = CLOCK.unix_s() + 1800.0
    floor_deg = float(altitude_azimuth(site, place.ra_deg, place.dec_deg, at_s)[0])
    targets, policies = config / "targets.toml", config / "policies.toml"
    text = targets.read_text()
    line = f"dec_deg = {place.dec_deg}\n"
    assert text.count(line) == 1
    targets.write_text(text.replace(line, f"{line}altitude_floor_deg = {floor_deg:.4f}\n"))
    text = policies.read_text()
    policies.write_text(text.replace("[acquire]\n", "[acquire]\nopen_before_s = 7200\n"))


def brisk(config: Path) -> None:
    """Let nothing take longer than rain needs it to."""
    file = config / "policies.toml"
    text = file.read_text()
    for line, instead in (
        (f"minimum_step_px = {LEAST_DITHER_PX}", "minimum_step_px = 0"),
        ("exposure_s = 20.0\n[guiding]", "exposure_s = 5.0\n[guiding]"),
    ):
        assert line in text
        text = text.replace(line, instead)
    file.write_text(text)


def another(daemon: Daemon, kind: str) -> Callable[[Daemon], bool]:
    """Whether one more event of this kind has come."""
    count = len(daemon.of(kind))
    return lambda d: len(d.of(kind)) > count


def in_phase(phase: str) -> Callable[[Daemon], bool]:
    return lambda d: any(line["after"] == phase for line in d.of("phase_changed")[-1:])


@pytest.fixture(scope="module")
def showers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Shower]:
    """What came of each rain, by what it rained into. A driver that is killed stays dead."""
    folder, seen = tmp_path_factory.mktemp("rig"), dict[str, Shower]()
    with simulators(folder / "home", options=["-r", "0"]) as server:
        config, output = folder / "waiting", folder / "first"
        place = configure(config, output, server.port, cycles=100)
        not_up_yet(config, place)
        park_near(server, place)
        with running(config) as daemon:
            daemon.until(lambda d: bool(d.of("roof_opened")), STEP_S_MAX)
            seen["waiting"] = shower(server, daemon)
        weather(server, 0.0)

        config, output = folder / "config", folder / "out"
        place = configure(config, output, server.port, cycles=100, start_steps=37500)
        calibrated(output, place)
        brisk(config)
        with running(config) as daemon:
            daemon.until(another(daemon, "sub_begun"), STEP_S_MAX)
            seen["exposing"] = shower(server, daemon)
            weather(server, 0.0)
            daemon.until(another(daemon, "sub_begun"), STEP_S_MAX)
            cloud(server, CLOUDED_MAG)
            daemon.until(in_phase("holding"), STEP_S_MAX)
            seen["holding"] = shower(server, daemon)
            cloud(server, CLEAR_MAG)
            weather(server, 0.0)
            daemon.until(another(daemon, "slewed"), STEP_S_MAX)
            server.kill_driver("indi_simulator_ccd")
            daemon.until(another(daemon, "device_trouble"), STEP_S_MAX)
            seen["without a camera"] = shower(server, daemon)
            with pytest.raises(subprocess.CalledProcessError):
                ask(server, "CCD Simulator.CONNECTION.CONNECT")
    return seen


@pytest.mark.parametrize(
    ("into", "phases", "parked"),
    [
        ("waiting", {"readying"}, True),
        ("exposing", {"gathering"}, False),
        ("holding", {"holding"}, False),
        ("without a camera", {"acquiring", "readying"}, False),
    ],
)
def test_rain_finds_the_mount_parked_and_then_the_roof_closed(
    showers: dict[str, Shower], into: str, phases: set[str], parked: bool
) -> None:
    seen = showers[into]
    assert seen.phase in phases
    assert seen.parked_before is parked
    assert held_against(seen) == []
