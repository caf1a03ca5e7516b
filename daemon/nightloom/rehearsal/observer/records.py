"""What is on disk and in the ledger after a night, held against the subs that left the camera."""

import hashlib
import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from io import BytesIO
from pathlib import Path

from astropy.io import fits
from astropy.wcs import WCS

from nightloom.rehearsal.observer.dithers import (
    apart_arcsec,
    look_at_dithers,
    named,
    scale_arcsec_per_px,
)
from nightloom.rehearsal.observer.entries import Entry, read_entries
from nightloom.rehearsal.observer.evenness import look_at_depth, look_at_shares, suits
from nightloom.rehearsal.observer.exposures import TakenSub
from nightloom.rehearsal.observer.frame_bytes import pixels
from nightloom.rehearsal.observer.library import FOLDER, Shot, look_at_library
from nightloom.rehearsal.observer.limits import look_at_hours, look_at_limits
from nightloom.rehearsal.observer.panels import look_at_panels
from nightloom.rehearsal.observer.rules import (
    ASKED_SKY,
    CLEAR,
    FRAMES_KEPT,
    IN_FOCUS,
    NOT_TRAILED,
    NOTHING_HALF_DONE,
    POINTED,
    WCS_TRUE,
    Finding,
    Findings,
)
from nightloom.settings import Group, Settings

AGAIN_AND_AGAIN = 3
"""Times in a row after which a filter need not be waited for."""

SUN_DEG_PER_S = 360.0 / 86400.0
"""As fast as the Sun can rise."""


@dataclass(frozen=True)
class Audit:
    """What was found in the records, and the largest distance of a filter from its share."""

    findings: list[Finding]
    unevenness: float


def audit(
    settings: Settings,
    night: date,
    subs: Sequence[TakenSub],
    ledger: Path,
    frames: Path | None,
    shots: Sequence[Shot] = (),
    bias_adu: float = 0.0,
) -> Audit:
    """Look through the records of a night that is over; `frames` is their folder, if any.

    `shots` are its calibration frames, over the camera's `bias_adu`.
    """
    findings = Findings()
    shelf = None if frames is None else frames.parent / FOLDER
    look_at_library(settings, night, shots, bias_adu, ledger, shelf, findings)
    entries, half_done = read_entries(ledger)
    ended_s = max([0.0, *(sub.start_s + sub.exposure_s for sub in subs)])
    for what in half_done:
        findings.add(NOTHING_HALF_DONE, ended_s, f"{what} was begun and has no outcome")
    tonight = [entry for entry in entries if entry.night == str(night)]
    pairs = list(_paired(subs, tonight, findings))
    for sub, entry in pairs:
        _compare(settings, sub, entry, findings)
        if entry.accepted:
            _judge(settings, sub, entry, findings)
        if frames is not None and (entry.accepted or not sub.lost):
            _look_at_file(settings, sub, entry, frames, findings)
    if frames is not None:
        _look_for_strays(entries, frames, ended_s, findings)
    look_at_dithers(settings, subs, findings)
    for sub in subs:
        if sub.certain:
            look_at_hours(settings, night, sub, findings)
    look_at_panels(settings, entries, str(night), findings)
    look_at_limits(settings, entries, str(night), findings)
    stuck = {entry.uid for sub, entry in pairs if sub.stuck} | set(_beside_bad(tonight))
    taken = {entry.uid: sub for sub, entry in pairs}
    unevenness = look_at_shares(settings, entries, str(night), findings, stuck, taken)
    in_depth = look_at_depth(settings, entries, taken, str(night), findings)
    unevenness = max(unevenness, in_depth)
    return Audit(findings.found, unevenness)


def _beside_bad(entries: Iterable[Entry]) -> Iterator[str]:
    """The frames that were taken while another filter of their target was refused again and again:
    one bad filter does not cost the others the night.
    """
    refused: dict[tuple[str, str], int] = defaultdict(int)
    for entry in entries:
        key = entry.target, entry.filter
        then_accepted = entry.accepted or bool(entry.taken_back_after)
        refused[key] = 0 if then_accepted else refused[key] + 1
        others = [n for (target, name), n in refused.items() if target == key[0] and name != key[1]]
        if max(others, default=0) >= AGAIN_AND_AGAIN:
            yield entry.uid


def _paired(
    subs: Sequence[TakenSub], entries: Sequence[Entry], findings: Findings
) -> Iterator[tuple[TakenSub, Entry]]:
    """Each sub with its one entry, by the start of the exposure."""
    left = list(entries)
    for number, sub in enumerate(subs):
        same = [one for one in left if _near_s(one.start_s, sub.start_s)]
        # where a clock was set back, a later sub may be dated as this one is
        alike = sum(_near_s(later.start_s, sub.start_s) for later in subs[number + 1 :])
        same = same[: max(1, len(same) - alike)]
        left = [one for one in left if one not in same]
        if len(same) > 1:
            names = ", ".join(one.uid for one in same)
            seen = f"{named(sub)} is in the ledger {len(same)} times ({names})"
            findings.add(FRAMES_KEPT, sub.start_s, seen)
        if same:
            yield sub, same[0]
        elif sub.certain and not sub.lost:
            seen = f"{named(sub)} left the camera and is not in the ledger"
            findings.add(FRAMES_KEPT, sub.start_s, seen)
    for entry in left:
        seen = f"{entry.uid} is in the ledger and no such sub left the camera"
        findings.add(FRAMES_KEPT, entry.start_s, seen)


def _compare(settings: Settings, sub: TakenSub, entry: Entry, findings: Findings) -> None:
    """The ledger's words against the truth."""
    if abs(entry.exposure_s - sub.exposure_s) > FRAMES_KEPT.tolerance:
        seen = f"{entry.uid} is entered with {entry.exposure_s:g} s, it was {sub.exposure_s:g} s"
        findings.add(FRAMES_KEPT, sub.start_s, seen)
    if entry.filter != sub.filter:
        seen = f"{entry.uid} is entered as {entry.filter}, the wheel held {sub.filter}"
        findings.add(FRAMES_KEPT, sub.start_s, seen)
    if entry.target != sub.target:
        seen = f"{entry.uid} is entered as {entry.target}, the telescope was at {sub.target}"
        findings.add(FRAMES_KEPT, sub.start_s, seen)
        return
    target = settings.targets.named(sub.target)
    away_arcsec = apart_arcsec((target.ra_deg, target.dec_deg), (sub.ra_deg, sub.dec_deg))
    policies, scale = settings.policies, scale_arcsec_per_px(settings)
    radius_px = target.dither.over(policies.dither).radius_px
    allowed = policies.acquire.tolerance_arcsec + radius_px * scale + POINTED.tolerance
    if away_arcsec > allowed:
        seen = f"{entry.uid} is {away_arcsec:.0f}″ from {sub.target}, {allowed:.0f}″ are allowed"
        findings.add(POINTED, sub.start_s, seen)
    if not sub.stuck and not any(_was_dark_for(settings, one, sub) for one in target.groups):
        seen = (
            f"{entry.uid} in {sub.filter} was begun under a {' or '.join(sorted(sub.skies))} sky,"
            f" the Sun at {sub.sun_altitude_deg:.1f}°"
        )
        findings.add(ASKED_SKY, sub.start_s, seen)


def _was_dark_for(settings: Settings, group: Group, sub: TakenSub) -> bool:
    """Whether a group with its filter is asked for under the sky of a sub."""
    darkest_deg = settings.policies.dark.sun_altitude_deg
    limit_deg = darkest_deg if group.sun_altitude_deg is None else group.sun_altitude_deg
    margin_deg = SUN_DEG_PER_S * ASKED_SKY.tolerance
    return suits(group, sub.filter, sub) and sub.sun_altitude_deg <= limit_deg + margin_deg


def _judge(settings: Settings, sub: TakenSub, entry: Entry, findings: Findings) -> None:
    """Whether an accepted frame is any good."""
    if sub.transmission < CLEAR.tolerance:
        seen = f"{entry.uid} was accepted, and cloud left {sub.transmission:.0%} of its light"
        findings.add(CLEAR, sub.start_s, seen)
    if sub.wander_arcsec > NOT_TRAILED.tolerance:
        seen = f"{entry.uid} was accepted, and the telescope wandered {sub.wander_arcsec:.1f}″ rms"
        findings.add(NOT_TRAILED, sub.start_s, seen)
    growth = settings.policies.frames.maximum_growth_percent / 100 + IN_FOCUS.tolerance
    if sub.defocus_growth > growth:
        seen = f"{entry.uid} was accepted, and defocus widens its stars by {sub.defocus_growth:.0%}"
        findings.add(IN_FOCUS, sub.start_s, seen)


def _look_at_file(
    settings: Settings, sub: TakenSub, entry: Entry, frames: Path, findings: Findings
) -> None:
    """The file against the ledger, the frame that left the camera, and the truth."""
    path = frames / entry.path
    if not entry.path or not path.is_file():
        findings.add(FRAMES_KEPT, sub.start_s, f"{entry.uid} is not on disk ({entry.path})")
        return
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != entry.sha256:
        seen = f"{entry.path} is not the file of the ledger's hash"
        findings.add(FRAMES_KEPT, sub.start_s, seen)
    try:
        same = zlib.crc32(pixels(data)) == sub.pixels_crc
        with fits.open(BytesIO(data)) as opened:
            header = opened[0].header
    except (OSError, ValueError) as unreadable:
        findings.add(FRAMES_KEPT, sub.start_s, f"{entry.path} cannot be read: {unreadable}")
        return
    if not same:
        findings.add(FRAMES_KEPT, sub.start_s, f"{entry.path} holds other pixels than were taken")
    panel = settings.targets.named(sub.target).number
    if header.get("PANEL", 0) != panel or header.get("MOSAIC", "") != _mosaic(settings, sub):
        seen = f"{entry.path} does not say that it is panel {panel}"
        findings.add(FRAMES_KEPT, sub.start_s, seen)
    _look_at_header(header, sub, entry, findings)


def _mosaic(settings: Settings, sub: TakenSub) -> str:
    """The mosaic of a sub's target; empty where it is no panel."""
    target = settings.targets.named(sub.target)
    return target.whole if target.number else ""


def _look_at_header(header: fits.Header, sub: TakenSub, entry: Entry, findings: Findings) -> None:
    begun = datetime.fromisoformat(f"{header['DATE-OBS']}+00:00").timestamp()
    wrong = [
        f"{keyword} is {said}"
        for keyword, said, right in (
            ("FILTER", header["FILTER"], header["FILTER"] == sub.filter),
            ("OBJECT", header["OBJECT"], header["OBJECT"] == sub.target),
            ("EXPTIME", header["EXPTIME"], _near_s(header["EXPTIME"], sub.exposure_s)),
            ("DATE-OBS", header["DATE-OBS"], _near_s(begun, sub.start_s)),
        )
        if not right
    ]
    if wrong:
        findings.add(FRAMES_KEPT, sub.start_s, f"{entry.path}: {', '.join(wrong)}")
    if "CRVAL1" not in header:
        return
    if not header["NAXIS"]:  # a frame of stars alone: as its picture would have it
        sizes = {"NAXIS": 2, "NAXIS1": header["COLUMNS"], "NAXIS2": header["ROWS"]}
        header = header.copy()
        header.update(sizes)
    middle = WCS(header).pixel_to_world_values(
        (header["NAXIS1"] - 1) / 2, (header["NAXIS2"] - 1) / 2
    )
    away_arcsec = apart_arcsec((float(middle[0]), float(middle[1])), (sub.ra_deg, sub.dec_deg))
    if away_arcsec > WCS_TRUE.tolerance + sub.wander_arcsec:
        seen = f"{entry.path}: its coordinates are {away_arcsec:.0f}″ from where it was taken"
        findings.add(WCS_TRUE, sub.start_s, seen)


def _near_s(one_s: float, other_s: float) -> bool:
    return abs(one_s - other_s) < FRAMES_KEPT.tolerance


def _look_for_strays(
    entries: Iterable[Entry], frames: Path, ended_s: float, findings: Findings
) -> None:
    known = {frames / entry.path for entry in entries if entry.path}
    for path in sorted(one for one in frames.rglob("*") if one.is_file() and one not in known):
        seen = f"{path.relative_to(frames)} is on disk and not in the ledger"
        findings.add(FRAMES_KEPT, ended_s, seen)
