"""nightloom check --devices against the INDI library's own simulators."""

import shutil
from pathlib import Path

import pytest

from nightloom.cli import main
from nightloom.cli.check import find_problems
from nightloom.seen_sensors import seen_sensors
from nightloom.settings import demo_folder, read_settings
from rig.drafted import drafted, fill_in
from servers import indiserver

DRIVERS = [
    f"indi_simulator_{kind}"
    for kind in ("ccd", "guide", "wheel", "focus", "telescope", "weather", "dome", "lightpanel")
]


def can_be_drafted(folder: Path, port: int) -> None:
    """A configuration for the same simulators lacks only what its comments ask for.

    tests/rig/test_drafted_nights.py has a whole night with it.
    """
    drafted(folder, port)
    assert [problem.key for problem in find_problems(folder, with_devices=False)] == [
        "site.latitude_deg",
        "site.longitude_deg",
        "site.elevation_m",
        "filter.LPR.wavelength_nm",
        "focuser.step_um",
        "target",
    ]
    values = {"latitude_deg": 47.0, "longitude_deg": 9.0, "elevation_m": 500.0}
    target = '[[target]]\nname = "M 31"\nra_deg = 10.68\ndec_deg = 41.27\n'
    fill_in(
        folder,
        {**values, "wavelength_nm": 550.0, "step_um": 1.0},
        f"{target}[target.filter.Red]\nexposure_s = 60\n",
    )
    observatory = read_settings(folder).observatory
    assert observatory.camera.device == "CCD Simulator"
    assert observatory.guide_camera.device == "Guide Simulator"
    assert observatory.wheel.device == "Filter Simulator"
    assert observatory.wheel.slots[0] == "Red"
    assert len(observatory.wheel.slots) == 8
    assert observatory.guide_port.device == observatory.mount.device == "Telescope Simulator"
    assert observatory.roof is not None
    assert [station.device for station in observatory.weather] == ["Weather Simulator"]
    assert find_problems(folder, with_devices=True) == []


@pytest.mark.servers
def test_the_example_configuration_fits_the_simulators_it_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With one device that is missing and one that is something else, as a user would mix up."""
    folder = tmp_path / "config"
    monkeypatch.setenv("HOME", str(tmp_path))
    shutil.copytree(demo_folder().parent / "example", folder)
    (tmp_path / "home").mkdir()
    with indiserver(DRIVERS, tmp_path / "home") as server:
        file = folder / "observatory.toml"
        file.write_text(file.read_text().replace("port = 7624", f"port = {server.port}"))
        assert list(map(str, find_problems(folder, with_devices=True))) == []

        assert main(["check", "--devices", "--config", str(folder)]) == 0
        told = " ".join(capsys.readouterr().out.split())
        assert "camera 1280 × 1024 px, guide camera" in told
        seen = seen_sensors(read_settings(folder).observatory)
        # What indi_getprop reads of indi_simulator_ccd (INDI 1.9.9).
        camera = seen["camera"]
        assert (camera.width_px, camera.height_px, camera.pixel_um) == (1280, 1024, 5.2)

        can_be_drafted(tmp_path / "drafted", server.port)
        text = file.read_text().replace('"Dome Simulator"', '"Focuser Simulator"')
        file.write_text(text.replace('"Weather Simulator"', '"Station"'))
        absent, unfit = map(str, find_problems(folder, with_devices=True, patience_s=2.0))
    assert absent.startswith('observatory.toml: weather.device = "Station" is not there; ')
    assert "Telescope Simulator" in absent
    assert unfit == (
        'observatory.toml: roof.device = "Focuser Simulator" is not a roof or dome;'
        " its driver says it is a focuser."
    )
