"""Frames on disk: conforming, whole or absent, never over another one."""

import hashlib
import os
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from frames.example import FACTS
from nightloom.frames.header import (
    NOT_JUDGED,
    HeaderFacts,
    frame_header,
    header_to_judge,
    judged_cards,
)
from nightloom.frames.image import picture
from nightloom.frames.writer import (
    FrameExists,
    FrameNotRead,
    FrameNotWritten,
    amend_frame,
    frame_at,
    partial_of,
    read_frame,
    remove_partial,
    write_frame,
)
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.star_list import LISTED, LISTED_NAMES, StarList

HEARD = ("shape", "found", "sky_adu", "noise_adu", "aperture_px", "aperture_noise_adu")
"""What a list says of its frame beside the stars."""


def pixels() -> NDArray[np.uint16]:
    """Values over the whole range of 16 bits."""
    return np.random.default_rng(5).integers(0, 65536, (48, 64), dtype=np.uint16)


@pytest.mark.parametrize("facts", [FACTS, HeaderFacts(kind=FrameKind.BIAS)], ids=["full", "bare"])
def test_the_fits_verifier_finds_nothing(facts: HeaderFacts, tmp_path: Path) -> None:
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


def test_a_frame_of_several_parts_comes_back(tmp_path: Path) -> None:
    """Of odd sides, so that neither a row nor a part ends with a block."""
    path = tmp_path / "frame.fits"
    large = np.random.default_rng(6).integers(0, 65536, (1201, 2003), dtype=np.uint16)
    write_frame(path, large, frame_header(FACTS))
    assert path.stat().st_size % 2880 == 0  # FITS standard 4.0, section 3.1
    with fits.open(path, checksum=True) as hdus:
        assert np.array_equal(hdus[0].data, large)


@pytest.mark.parametrize("count", [0, 7, 300])
def test_a_list_of_stars_comes_back_and_conforms(count: int, tmp_path: Path) -> None:
    """HEASARC's fitsverify finds nothing, and astropy no wrong checksum."""
    path = tmp_path / "frame.fits"
    numbers = np.random.default_rng(7).normal(size=(2 * count, len(LISTED_NAMES)))
    stars = numbers.view(LISTED)[::2, 0]
    sent = StarList((480, 640), stars, count + 3, 300.25, 7.5, 6.0, 80.0)
    write_frame(path, sent, header_to_judge(FACTS))
    told = subprocess.run(["fitsverify", path], capture_output=True, text=True, check=False)
    assert "found 0 warning(s) and 0 error(s)" in told.stdout
    amend_frame(path, judged_cards(FACTS))
    with fits.open(path, checksum=True) as hdus:
        for hdu in hdus:
            assert {"CHECKSUM", "DATASUM"} <= set(hdu.header)
        assert len(hdus[1].data) == count
    read = read_frame(path)
    assert isinstance(read, StarList)
    assert np.array_equal(read.stars, stars)
    assert [getattr(read, name) for name in HEARD] == [getattr(sent, name) for name in HEARD]


def test_a_name_that_looks_like_an_empty_checksum_stays(tmp_path: Path) -> None:
    path = tmp_path / "frame.fits"
    header = frame_header(FACTS)
    header["OBJECT"] = "0" * 16
    write_frame(path, pixels(), header)
    with fits.open(path, checksum=True) as hdus:
        assert hdus[0].header["OBJECT"] == "0" * 16


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


def test_one_frame_is_one_file_byte_for_byte(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_frame(tmp_path / name, pixels(), frame_header(FACTS))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


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


@pytest.mark.parametrize("times", [1, 40])
def test_a_full_disk_is_a_sentence(times: int, tmp_path: Path) -> None:
    """The kernel's own: what is written to /dev/full meets a disk without space (full(4)).

    A small frame meets it when it is flushed, a large one in the middle of its pixels.
    """
    partial_of(tmp_path / "frame.fits").symlink_to("/dev/full")
    with pytest.raises(FrameNotWritten, match="No space left on device") as caught:
        write_frame(tmp_path / "frame.fits", np.tile(pixels(), times), frame_header(FACTS))
    assert "frame.fits" in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@dataclass(frozen=True)
class Synced:
    """One fsync: of which file, and what stood in its folder by then."""

    path: str
    beside: set[str]


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[Synced]:
    """Every fsync, in order, that the system was asked for."""
    seen: list[Synced] = []
    sync = os.fsync

    def note(descriptor: int) -> None:
        sync(descriptor)
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        folder = path if path.is_dir() else path.parent
        seen.append(Synced(str(path), {entry.name for entry in folder.iterdir()}))

    monkeypatch.setattr(os, "fsync", note)
    return seen


def test_bytes_then_name_outlast_a_power_cut(tmp_path: Path, synced: list[Synced]) -> None:
    """The file is synced before it has its name, and its folder after: fsync(2) says that the
    first alone does not keep the name.
    """
    write_frame(tmp_path / "frame.fits", pixels(), frame_header(FACTS))
    *_, first, last = synced  # the folders above it, which a start syncs once
    assert (first.path, "frame.fits" in first.beside) == (
        str(tmp_path / ".frame.fits.partial"),
        False,
    )
    assert (last.path, "frame.fits" in last.beside) == (str(tmp_path), True)


def test_a_verdict_outlasts_a_power_cut(tmp_path: Path, synced: list[Synced]) -> None:
    path = tmp_path / "frame.fits"
    write_frame(path, pixels(), header_to_judge(FACTS))
    synced.clear()
    amend_frame(path, judged_cards(replace(FACTS, verdict="accepted")))
    assert [sync.path for sync in synced] == [str(path)]


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(FrameNotWritten):
        write_frame(tmp_path / "file" / "frame.fits", pixels(), frame_header(FACTS))


def test_what_a_power_cut_left_is_written_over(tmp_path: Path) -> None:
    (tmp_path / ".frame.fits.partial").write_bytes(b"half a frame")
    write_frame(tmp_path / "frame.fits", pixels(), frame_header(FACTS))
    assert [path.name for path in tmp_path.iterdir()] == ["frame.fits"]


def verified(path: Path) -> fits.Header:
    """Its header, once HEASARC's fitsverify and astropy's checksums find nothing to say."""
    told = subprocess.run(["fitsverify", path], capture_output=True, text=True, check=False)
    assert "found 0 warning(s) and 0 error(s)" in told.stdout, told.stdout
    with fits.open(path, checksum=True) as hdus:
        assert np.array_equal(hdus[0].data, pixels())
        return hdus[0].header.copy()


@pytest.mark.parametrize("radius_px", [2.25, float("nan"), None])
@pytest.mark.parametrize(
    "verdict",
    ["accepted", "rejected: cloud", "rejected: " + "x" * 40, "rejected: its 'guiding' " * 9],
)
def test_the_verdict_comes_into_a_frame_on_disk(
    radius_px: float | None, verdict: str, tmp_path: Path
) -> None:
    """Again and again, and the file conforms each time; the pixels stay where they are."""
    path = tmp_path / "frame.fits"
    facts = replace(FACTS, uid="n-0001", half_flux_radius_px=radius_px, verdict=verdict)
    write_frame(path, pixels(), header_to_judge(facts))
    assert verified(path)["VERDICT"] == NOT_JUDGED
    size = path.stat().st_size
    for stars in (7, 4321):
        facts = replace(facts, star_count=stars)
        digest = amend_frame(path, judged_cards(facts))
        header = verified(path)
        assert digest == hashlib.sha256(path.read_bytes()).hexdigest()
        assert path.stat().st_size == size
        assert header["STARCNT"] == stars
        assert header.get("HALFFLUX") == (2.25 if radius_px == 2.25 else None)
        shown = header["VERDICT"].removesuffix(" ...")
        assert verdict.startswith(shown)
        assert shown == verdict or len(header["VERDICT"]) > 45
        assert [card.keyword for card in header.cards if "VERDICT" in card.keyword] == ["VERDICT"]
    assert frame_at(path) == "n-0001"
    assert np.array_equal(picture(read_frame(path)), pixels())


@pytest.mark.parametrize("cut", range(4))
def test_a_verdict_cut_short_between_two_cards_is_given_again(
    cut: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every card is one of the old or of the new, never half of each."""
    path = tmp_path / "frame.fits"
    facts = replace(FACTS, verdict="accepted", star_count=12)
    write_frame(path, pixels(), header_to_judge(facts))
    cards, put = judged_cards(facts), os.pwrite
    left = iter(range(cut))

    def cut_short(descriptor: int, card: bytes, offset: int) -> int:
        if next(left, None) is None:
            raise OSError(5, "Input/output error")
        return put(descriptor, card, offset)

    monkeypatch.setattr(os, "pwrite", cut_short)
    with pytest.raises(FrameNotWritten, match="Input/output error"):
        amend_frame(path, cards)
    monkeypatch.undo()
    assert fits.getheader(path)["VERDICT"] in {NOT_JUDGED, "accepted"}
    assert np.array_equal(picture(read_frame(path)), pixels())
    amend_frame(path, cards)
    assert verified(path)["VERDICT"] == "accepted"


def test_a_file_without_a_place_for_a_verdict_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "frame.fits"
    write_frame(path, pixels(), frame_header(HeaderFacts(kind=FrameKind.DARK)))
    before = path.read_bytes()
    with pytest.raises(FrameNotWritten, match="no place for a verdict"):
        amend_frame(path, judged_cards(FACTS))
    assert path.read_bytes() == before


def test_what_is_on_disk_is_told_apart(tmp_path: Path) -> None:
    """A frame, no frame, and something else; a part of one is removed once."""
    path = tmp_path / "frame.fits"
    assert frame_at(path) is None
    path.write_bytes(b"no frame" * 1000)
    with pytest.raises(FrameNotRead, match=r"frame\.fits could not be read"):
        frame_at(path)
    with pytest.raises(FrameNotRead):
        read_frame(path)
    partial_of(path).write_bytes(b"half a frame")
    assert remove_partial(path)
    assert not remove_partial(path)
    assert list(tmp_path.iterdir()) == [path]
