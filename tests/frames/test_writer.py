"""Frames on disk: conforming, whole or absent, never over another one."""

import hashlib
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from frames.example import FACTS
from nightloom.frames.header import FrameFacts, frame_header
from nightloom.frames.writer import FrameExists, FrameNotWritten, write_frame


def pixels() -> NDArray[np.uint16]:
    """Values over the whole range of 16 bits."""
    return np.random.default_rng(5).integers(0, 65536, (48, 64), dtype=np.uint16)


@pytest.mark.parametrize("facts", [FACTS, FrameFacts(kind="bias")], ids=["full", "bare"])
def test_the_fits_verifier_finds_nothing(facts: FrameFacts, tmp_path: Path) -> None:
    """HEASARC's fitsverify: no error and no warning."""
    path = tmp_path / "frame.fits"
    write_frame(path, pixels(), frame_header(facts))
    told = subprocess.run(["fitsverify", path], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout
    assert "found 0 warning(s) and 0 error(s)" in told.stdout


def test_pixels_and_header_come_back(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b" / "frame.fits"
    write_frame(path, pixels(), frame_header(FACTS))
    with fits.open(path, checksum=True) as hdus:  # a wrong checksum would be a warning, so an error
        assert hdus[0].data.dtype == np.uint16
        assert np.array_equal(hdus[0].data, pixels())
        assert hdus[0].header["BZERO"] == 32768
        assert hdus[0].header["FILTER"] == "Ha 6 nm"
        assert {"CHECKSUM", "DATASUM"} <= set(hdus[0].header)
    assert list(path.parent.iterdir()) == [path]


def test_a_changed_byte_breaks_the_checksum(tmp_path: Path) -> None:
    path = tmp_path / "frame.fits"
    write_frame(path, pixels(), frame_header(FACTS))
    with path.open("r+b") as file:
        file.seek(-3000, os.SEEK_END)
        file.write(b"\x12\x34")
    with (
        pytest.warns(UserWarning, match="Datasum verification failed"),
        pytest.warns(UserWarning, match="Checksum verification failed"),
        fits.open(path, checksum=True) as hdus,
    ):
        assert hdus[0].data is not None


def test_the_hash_is_that_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "frame.fits"
    digest = write_frame(path, pixels(), frame_header(FACTS))
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest()


def test_one_frame_is_one_file_byte_for_byte(tmp_path: Path) -> None:
    digests = {write_frame(tmp_path / name, pixels(), frame_header(FACTS)) for name in ("a", "b")}
    assert len(digests) == 1


def test_an_existing_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "frame.fits"
    path.write_bytes(b"precious")
    with pytest.raises(FrameExists):
        write_frame(path, pixels(), frame_header(FACTS))
    assert path.read_bytes() == b"precious"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_appears_meanwhile_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "frame.fits"
    link = os.link

    def link_too_late(source: Path, target: Path) -> None:
        target.write_bytes(b"precious")
        link(source, target)

    monkeypatch.setattr(os, "link", link_too_late)
    with pytest.raises(FrameExists):
        write_frame(path, pixels(), frame_header(FACTS))
    assert path.read_bytes() == b"precious"
    assert list(tmp_path.iterdir()) == [path]


def test_a_failed_sync_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The error names the path and the system's reason."""

    def refuse(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(FrameNotWritten, match="No space left") as caught:
        write_frame(tmp_path / "frame.fits", pixels(), frame_header(FACTS))
    assert caught.value.path == tmp_path / "frame.fits"
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(FrameNotWritten):
        write_frame(tmp_path / "file" / "frame.fits", pixels(), frame_header(FACTS))


def test_what_a_power_cut_left_is_written_over(tmp_path: Path) -> None:
    (tmp_path / ".frame.fits.partial").write_bytes(b"half a frame")
    write_frame(tmp_path / "frame.fits", pixels(), frame_header(FACTS))
    assert [path.name for path in tmp_path.iterdir()] == ["frame.fits"]
