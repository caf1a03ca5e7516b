"""A rig of one's own, rehearsed: as large as it is, and what was assumed is said."""

import json
import shutil
from pathlib import Path

import pytest
from astropy.io import fits

from nightloom.cli import main
from nightloom.errors import BadInput
from nightloom.likeness import likeness
from nightloom.rig import assumptions, simulated_settings
from nightloom.seen_sensors import FILE_NAME, SeenSensor, keep_sensors, seen_sensors
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom_drivers.rig_settings import RigSettings

SIZES = {"camera": (648, 486), "guide_camera": (330, 250)}


def configured(folder: Path, *changes: tuple[str, str], sizes: bool = True) -> Path:
    """The demo observatory as a person's own: without a rig.toml, with texts changed."""
    shutil.copytree(demo_folder(), folder)
    (folder / "rig.toml").unlink()
    file = folder / "observatory.toml"
    text = file.read_text()
    for section, (width_px, height_px) in SIZES.items() if sizes else ():
        size = f"width_px = {width_px}\nheight_px = {height_px}"
        text = text.replace(f"[{section}]\n", f"[{section}]\n{size}\n")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    file.write_text(text)
    return folder


def likened(folder: Path) -> tuple[Settings, RigSettings]:
    settings = read_settings(folder)
    return settings, simulated_settings(settings)[1]


def test_the_simulated_rig_has_what_the_configuration_states(tmp_path: Path) -> None:
    folder = configured(
        tmp_path / "own",
        ("focal_length_mm = 240.0", "focal_length_mm = 200.0"),
        ("pixel_um = 4.8", "pixel_um = 2.9\nmirrored = true"),
        ("central_obstruction = 0.0", "central_obstruction = 0.3"),
        ("backlash_steps = 80", "backlash_steps = 30\nslope_steps_per_c = -3.5"),
        ("needs_flip = true", "needs_flip = true\nflip_after_h = 0.1"),
    )
    settings, rig = likened(folder)
    assert (rig.sensor.width_px, rig.sensor.height_px) == SIZES["camera"]
    assert (rig.guide.sensor.width_px, rig.guide.sensor.height_px) == SIZES["guide_camera"]
    assert (rig.guide.sensor.pixel_um, rig.guide.optics.focal_length_mm) == (2.9, 200.0)
    assert 2**rig.guide.sensor.bits > settings.observatory.guide_camera.saturation_adu
    assert rig.optics.central_obstruction == 0.3
    assert (rig.optics.mirrored, rig.guide.optics.mirrored) == (False, True)
    assert tuple(one.name for one in rig.wheel.filters) == settings.observatory.wheel.slots
    assert (rig.focuser.backlash_steps, rig.focus.slope_steps_per_c) == (30, -3.5)
    assert rig.mount.flip_after_h == 0.1
    assert rig.optics.aperture_mm != rig.guide.optics.aperture_mm
    RigSettings.model_validate(rig.model_dump())


def test_a_guide_camera_behind_the_main_telescope_has_its_aperture(tmp_path: Path) -> None:
    before_and_after = ("focal_length_mm = 240.0", "focal_length_mm = 530.0")
    _, rig = likened(configured(tmp_path / "own", before_and_after))
    assert rig.guide.optics.aperture_mm == rig.optics.aperture_mm


def test_a_mount_that_needs_no_flip_makes_none(tmp_path: Path) -> None:
    _, rig = likened(configured(tmp_path / "own", ("needs_flip = true", "needs_flip = false")))
    assert rig.mount.flip_after_h == 12.0


def test_each_group_says_what_it_assumes(tmp_path: Path) -> None:
    """A size that is stated is not assumed; one that is not is named with what it was taken for."""
    groups = ["optics", "camera", "guide camera", "wheel", "focuser", "mount"]
    stated = assumptions(read_settings(configured(tmp_path / "stated")))
    assert [one.group for one in stated] == groups
    assert "width_px" not in str(stated)
    silent = read_settings(configured(tmp_path / "silent", sizes=False))
    told = {one.group: " ".join(one.assumed) for one in likeness(silent.observatory).assumed}
    assert "1024 × 768 px" in told["camera"]
    assert "320 × 240 px" in told["guide camera"]
    assert "slope_steps_per_c is not set" in told["focuser"]
    assert assumptions(read_settings(demo_folder())) == ()


def test_a_sensor_that_was_seen_has_its_size_where_the_configuration_leaves_it_out(
    tmp_path: Path,
) -> None:
    """That of the guide camera is not of the chip that is configured now, and does not count."""
    out = ('output_folder = "~/nightloom-demo"', f'output_folder = "{tmp_path}/out"')
    folder = configured(tmp_path / "own", out, ("pixel_um = 3.76\n", ""), sizes=False)
    settings = read_settings(folder)
    assert seen_sensors(settings.observatory) == {}
    main_chip = SeenSensor(
        device="Rig Camera", head="main", width_px=6248, height_px=4176, pixel_um=2.9
    )
    other = main_chip.model_copy(update={"device": "Rig Guide Camera", "head": "guide"})
    keep_sensors(tmp_path / "out", {"camera": main_chip, "guide_camera": other})
    seen = seen_sensors(settings.observatory)
    rig = simulated_settings(settings, seen)[1]
    assert (rig.sensor.width_px, rig.sensor.height_px, rig.sensor.pixel_um) == (6248, 4176, 2.9)
    assert rig.guide.sensor.width_px == 320
    told = {one.group: " ".join(one.assumed) for one in assumptions(settings, seen)}
    assert "6248 × 4176 px (as check --devices saw it last)" in told["camera"]
    assert "check --devices saw none" in told["guide camera"]

    stated = read_settings(configured(tmp_path / "stated", out))
    rig = simulated_settings(stated, seen_sensors(stated.observatory))[1]
    assert (rig.sensor.width_px, rig.sensor.height_px, rig.sensor.pixel_um) == (648, 486, 3.76)


@pytest.mark.parametrize("text", ["", "[]", '{"camera": {"width_px": 5}}', "\x00"])
def test_what_cannot_be_read_of_sensors_is_as_if_unseen(tmp_path: Path, text: str) -> None:
    out = ('output_folder = "~/nightloom-demo"', f'output_folder = "{tmp_path}"')
    settings = read_settings(configured(tmp_path / "own", out))
    (tmp_path / FILE_NAME).write_text(text)
    assert seen_sensors(settings.observatory) == {}


def test_half_a_size_is_refused(tmp_path: Path) -> None:
    folder = configured(tmp_path / "own", ("height_px = 486\n", ""))
    with pytest.raises(BadInput, match="both width_px and height_px"):
        read_settings(folder)


def test_a_rehearsal_has_the_size_and_says_what_it_assumed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """On the terminal before the closing table, and in the log."""
    folder = configured(tmp_path / "own")
    night = ("--config", str(folder), "--night", "2026-11-10", "--hours", "0.25", "--out")
    assert main(["rehearse", *night, str(tmp_path / "a")]) == 0
    terminal = " ".join(capsys.readouterr().out.split())
    assert terminal.index("The simulated camera is taken to have") < terminal.index("Night of")
    log = (tmp_path / "a" / "2026-11-10.jsonl").read_text().splitlines()
    assert sum(json.loads(line)["event"] == "likeness_assumed" for line in log) == 6
    frame = next((tmp_path / "a").rglob("*.fits"))
    assert (fits.getval(frame, "NAXIS1"), fits.getval(frame, "NAXIS2")) == SIZES["camera"]
