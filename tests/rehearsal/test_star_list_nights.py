"""Nights at star lists: the same daemon, and nearly the same night as with pictures."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from night.nights import SELDOM_S, Story, demo, live
from nightloom.frames import frame_at
from nightloom.frames.writer import read_frame
from nightloom.rehearsal.observer.frame_bytes import pixels
from nightloom.telemetry import log_sha256
from nightloom.telemetry.events import FocusCurve, FrameAccepted
from nightloom_drivers.sent import Sent
from nightloom_drivers.star_list import StarList

HOURS = 0.25


def night(out: Path, sent: Sent, **told: Any) -> Story:
    """The first part of a night in two filters."""
    changed = demo(targets={"L": 60.0, "R": 60.0}, guide_s=SELDOM_S)
    return live(out, changed, hours=HOURS, sent=sent, **told)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return night(tmp_path_factory.mktemp("drawn"), Sent.PIXELS)


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return night(tmp_path_factory.mktemp("listed"), Sent.STARS, frames=True)


def test_a_night_at_star_lists_comes_to_what_one_with_pixels_does(
    drawn: Story, listed: Story
) -> None:
    one, other = (story.played.summary.figures() for story in (listed, drawn))
    assert listed.played.violations == drawn.played.violations == []
    assert one["subs"] == pytest.approx(other["subs"], abs=2)
    assert one["dithers"] == pytest.approx(other["dithers"], abs=2)
    assert one["focus_runs"] == other["focus_runs"]
    assert one["open_fraction"] == pytest.approx(other["open_fraction"], abs=0.05)
    assert listed.played.unevenness == pytest.approx(drawn.played.unevenness, abs=0.5)
    assert one["guide_rms_arcsec"] == pytest.approx(other["guide_rms_arcsec"], rel=0.3)


def test_its_focus_curves_and_star_sizes_are_those_of_pictures(drawn: Story, listed: Story) -> None:
    curves = [story.of(FocusCurve)[0] for story in (listed, drawn)]
    away_steps = abs(curves[0].vertex_steps - curves[1].vertex_steps)
    assert away_steps < 4 * np.hypot(curves[0].error_steps, curves[1].error_steps) + 2
    assert curves[0].error_steps == pytest.approx(curves[1].error_steps, rel=1.0)
    for told, alike in (("half_flux_radius_px", 0.05), ("stars", 0.15), ("background_adu", 0.02)):
        one, other = (
            np.median([getattr(f, told) for f in story.of(FrameAccepted) if f.filter == "L"])
            for story in (listed, drawn)
        )
        assert one == pytest.approx(other, rel=alike), told


@pytest.mark.long
def test_one_seed_gives_one_log_at_star_lists(listed: Story, tmp_path: Path) -> None:
    again = night(tmp_path, Sent.STARS, frames=True)
    assert log_sha256(again.rehearsal.log_file) == log_sha256(listed.rehearsal.log_file)


def test_its_frames_are_files_of_stars_that_others_can_read(listed: Story) -> None:
    """Read by astropy, whose verification follows FITS standard 4.0."""
    folder = listed.rehearsal.frames_folder
    assert folder is not None
    paths = sorted(folder.rglob("*.fits"))
    assert len(paths) == len(listed.frames) > 10
    for path in paths[:3]:
        assert path.stat().st_size < 200_000
        with fits.open(path, checksum=True) as opened:
            opened.verify("exception")
            header, table = opened[0].header, Table.read(opened[1])
        assert (header["COLUMNS"], header["ROWS"]) == (640, 480)
        assert header["VERDICT"] == "accepted"
        assert {"X", "Y", "FLUX_ADU", "HALF_FLUX_RADIUS_PX"} <= set(table.colnames)
        assert frame_at(path) == header["FRAMEID"]
        frame = read_frame(path)
        assert isinstance(frame, StarList)
        np.testing.assert_array_equal(frame.stars["x"], np.asarray(table["X"]))
        assert len(pixels(path.read_bytes())) == frame.stars.nbytes
        assert frame.found == header["FOUND"] >= len(frame.stars)
        assert header["STARCNT"] == frame.found


def test_what_a_file_of_stars_lost_is_noticed(listed: Story) -> None:
    folder = listed.rehearsal.frames_folder
    assert folder is not None
    data = next(folder.rglob("*.fits")).read_bytes()
    with pytest.raises(ValueError, match="ends after"):
        pixels(data[: len(data) // 2])
