"""Calibration frames: what was true when they left the camera, and what ledger and disk have."""

import hashlib
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime
from io import BytesIO
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightloom.rehearsal.observer.frame_bytes import pixels
from nightloom.rehearsal.observer.rules import (
    DARKS_DARK,
    FLATS_ON_LEVEL,
    LIBRARY_KEPT,
    LIGHTS_FIRST,
    Findings,
)
from nightloom.rehearsal.observer.truth import Moment
from nightloom.settings import Settings
from nightloom_drivers.physics.world import World

FOLDER = "calibration"
"""Beside the folder of frames."""

LOOKS = 4
"""So often within its tolerance the sky is looked at, whether it has been clear."""

CLEAR_SHARE = 0.9
"""Where clouds leave so much of the light ahead and overhead, the sky is clear."""


@dataclass(frozen=True)
class Shot:
    """A dark, bias or flat that left the main camera."""

    start_s: float
    exposure_s: float
    kind: str
    filter: str
    light_adu: float
    """What light gave a pixel, by the true covers and panel."""
    level_adu: float
    pixels_crc: int


@dataclass(frozen=True)
class Shelved:
    """A calibration frame as the ledger has it."""

    uid: str
    night: str
    kind: str
    filter: str
    exposure_s: float
    start_s: float
    path: str
    sha256: str


def shot_of(
    world: World, settings: Settings, kind: str, begun_s: float, exposure_s: float, data: bytes
) -> Shot:
    """What was true of a frame that has left the camera; `kind` is dark, bias or flat."""
    slot = world.wheel.slot(begun_s)
    raw = pixels(data)
    counts = np.frombuffer(raw, ">i2").astype(np.int32) + 32768
    name = settings.observatory.wheel.slots[slot - 1] if slot else ""
    light = 0.0
    shut = kind == "bias" or (kind == "dark" and world.settings.sensor.has_shutter)
    if not shut:
        glow_e = world.light_path.view(begun_s, exposure_s).glow_e_per_s * exposure_s
        light = glow_e / world.settings.sensor.gain_e_per_adu
    return Shot(begun_s, exposure_s, kind, name, light, float(np.median(counts)), zlib.crc32(raw))


def look_at_calibrating(now: Moment, world: World, dark_deg: float, findings: Findings) -> None:
    """A calibration frame begins: no light is kept waiting for it."""
    times = np.linspace(now.t_s - LIGHTS_FIRST.tolerance, now.t_s, LOOKS).tolist()
    altitude, azimuth = world.site.altaz_deg(now.t_s, world.mount.apparent_vector(now.t_s))
    ahead = float(altitude), float(azimuth)
    clear = all(
        min(world.clouds.transmission(t, *ahead), world.clouds.transmission(t, 90.0, 0.0))
        > CLEAR_SHARE
        for t in times
    )
    in_the_way = not now.closed and now.sun_altitude_deg < dark_deg and clear
    seen = "a calibration frame begins under an open roof and a clear dark sky"
    findings.hold(LIGHTS_FIRST, in_the_way, now.t_s, seen)


def look_at_library(
    settings: Settings,
    night: date,
    shots: Sequence[Shot],
    bias_adu: float,
    ledger: Path,
    folder: Path | None,
    findings: Findings,
) -> None:
    """The ledger's calibration frames of a night against the shots, and the disk."""
    shelved = read_shelved(ledger)
    for one in shelved:
        if one.night != str(night):
            continue
        shot = next(
            (
                shot
                for shot in shots
                if abs(shot.start_s - one.start_s) < LIBRARY_KEPT.tolerance
                and shot.kind == one.kind
            ),
            None,
        )
        if shot is None:
            seen = f"{one.uid} is in the ledger and no such frame left the camera"
            findings.add(LIBRARY_KEPT, one.start_s, seen)
            continue
        _compare(one, shot, findings)
        _judge(settings, one, shot, bias_adu, findings)
        if folder is not None:
            _look_at_file(one, shot, folder, findings)
    if folder is not None and folder.is_dir():
        _look_for_strays(shelved, folder, findings)


def read_shelved(ledger: Path) -> list[Shelved]:
    """The ledger's calibration frames, in the order of entry."""
    with closing(sqlite3.connect(f"{ledger.as_uri()}?mode=ro", uri=True)) as connection:
        rows = connection.execute(
            "SELECT uid, night, kind, filter, exposure_s, start_utc, path, sha256"
            " FROM calibration_frames ORDER BY rowid"
        ).fetchall()
    return [
        Shelved(uid, night, kind, name, exposure_s, _unix_s(start), path, sha256)
        for uid, night, kind, name, exposure_s, start, path, sha256 in rows
    ]


def _unix_s(utc: str) -> float:
    return datetime.fromisoformat(utc).timestamp()


def _compare(one: Shelved, shot: Shot, findings: Findings) -> None:
    if abs(one.exposure_s - shot.exposure_s) > LIBRARY_KEPT.tolerance:
        seen = f"{one.uid} is entered with {one.exposure_s:g} s, it was {shot.exposure_s:g} s"
        findings.add(LIBRARY_KEPT, shot.start_s, seen)
    if one.kind == "flat" and one.filter != shot.filter:
        seen = f"{one.uid} is entered as {one.filter}, the wheel held {shot.filter}"
        findings.add(LIBRARY_KEPT, shot.start_s, seen)


def _judge(
    settings: Settings, one: Shelved, shot: Shot, bias_adu: float, findings: Findings
) -> None:
    """Whether a dark was dark and a flat is on its level."""
    if one.kind != "flat":
        if shot.light_adu > DARKS_DARK.tolerance:
            seen = f"{one.uid} was kept, and light gave it {shot.light_adu:.0f} ADU"
            findings.add(DARKS_DARK, shot.start_s, seen)
        return
    saturation_adu = settings.observatory.camera.saturation_adu
    asked = settings.policies.calibration.flat_level_fraction * (saturation_adu - bias_adu)
    off = (shot.level_adu - bias_adu) / asked - 1.0
    if abs(off) > FLATS_ON_LEVEL.tolerance:
        seen = f"{one.uid} was kept, and its level is off by {off:+.1%}"
        findings.add(FLATS_ON_LEVEL, shot.start_s, seen)


def _look_at_file(one: Shelved, shot: Shot, folder: Path, findings: Findings) -> None:
    path = folder / one.path
    if not one.path or not path.is_file():
        findings.add(LIBRARY_KEPT, shot.start_s, f"{one.uid} is not on disk ({one.path})")
        return
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != one.sha256:
        seen = f"{one.path} is not the file of the ledger's hash"
        findings.add(LIBRARY_KEPT, shot.start_s, seen)
    if zlib.crc32(pixels(data)) != shot.pixels_crc:
        seen = f"{one.path} holds other pixels than were taken"
        findings.add(LIBRARY_KEPT, shot.start_s, seen)
    with fits.open(BytesIO(data)) as opened:
        header = opened[0].header
    told = str(header["IMAGETYP"]).lower(), str(header.get("FILTER", ""))
    if told != (one.kind, one.filter):
        seen = f"{one.path}: its header says {told[0]} {told[1]}"
        findings.add(LIBRARY_KEPT, shot.start_s, seen)


def _look_for_strays(shelved: Iterable[Shelved], folder: Path, findings: Findings) -> None:
    known = {folder / one.path for one in shelved if one.path}
    latest_s = max((one.start_s for one in shelved), default=0.0)
    for path in sorted(one for one in folder.rglob("*") if one.is_file() and one not in known):
        seen = f"{path.relative_to(folder)} is on disk and not in the ledger"
        findings.add(LIBRARY_KEPT, latest_s, seen)
