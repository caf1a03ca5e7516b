"""Looks at a night's frames on disk: one at a time, each read by strips.

However many frames there are and however large, what is in memory is one strip and the small
pictures of at most BATCH frames.
"""

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from warnings import catch_warnings, simplefilter

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS
from numpy.typing import NDArray

from nightloom.report.colours import Channels, channels, coloured
from nightloom.report.combining import Layer, Mean, batches, between, gradient_of, layer
from nightloom.report.records import Exposure, Fate, FilterFacts
from nightloom.small_picture import Small, grey_bytes, small, step_of, stretched

SIDE_PX_MAX = 640
THUMBNAIL_PX_MAX = 200

BATCH = 40
"""Frames that are clipped and combined at a time: so many small pictures are in memory."""

THUMBNAILS_MAX = 24
"""Rejected frames that are shown; a night with more has one cause for most."""

TRANSPARENCY_MIN = 0.1
"""A frame's light is not scaled up by more than this says."""


@dataclass(frozen=True, eq=False)
class Combination:
    """What a target looks like through a filter, or in colour, as a PNG."""

    name: str
    png: bytes
    frames: int
    """How many are in it."""
    of: int
    """How many were accepted."""
    seconds: float


@dataclass(frozen=True, eq=False)
class Pictures:
    """All pictures of a report; `unread` says which files could not be used, and why."""

    targets: Mapping[str, Sequence[Combination]] = field(default_factory=dict)
    rejected: Mapping[str, bytes] = field(default_factory=dict)
    gradients: Mapping[str, float] = field(default_factory=dict)
    unread: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Seen:
    """A frame made small, and where its pixels are on the sky."""

    picture: Small
    wcs: WCS
    step: int

    @property
    def placed(self) -> bool:
        """Whether the frame says where it points."""
        return bool(self.wcs.has_celestial)


class _Frames:
    """Reads frames small, and remembers which could not be read."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.unread: dict[str, str] = {}
        self.gradients: dict[str, float] = {}

    def seen(self, sub: Exposure, side_px_max: int = SIDE_PX_MAX) -> _Seen | None:
        """A frame made small; None where it cannot be read, which is remembered."""
        try:
            return _read(self._folder / sub.path, side_px_max)
        except (OSError, ValueError, TypeError, IndexError) as error:
            self.unread[sub.uid] = str(error)
            return None


def pictures_of(
    folder: Path, subs: Sequence[Exposure], filters: Mapping[str, FilterFacts]
) -> Pictures:
    """Everything that is to be seen of a night's frames; none when they were not written."""
    frames = _Frames(folder)
    written = [sub for sub in subs if sub.path]
    targets: dict[str, list[Combination]] = {}
    for target in dict.fromkeys(sub.target for sub in written if sub.kept):
        of_target = [sub for sub in written if sub.target == target and sub.kept]
        targets[target] = _combinations(frames, of_target, filters)
    rejected: dict[str, bytes] = {}
    for sub in [sub for sub in written if sub.fate is Fate.REJECTED][:THUMBNAILS_MAX]:
        seen = frames.seen(sub, THUMBNAIL_PX_MAX)
        if seen is not None:
            rejected[sub.uid] = png(grey_bytes(stretched(seen.picture)))
    return Pictures(targets, rejected, frames.gradients, frames.unread)


def with_gradients(subs: Sequence[Exposure], pictures: Pictures) -> tuple[Exposure, ...]:
    """The subs with what their frames show of the sky's gradient."""
    return tuple(replace(sub, gradient=pictures.gradients.get(sub.uid)) for sub in subs)


def png(pixels: NDArray[np.uint8]) -> bytes:
    """A PNG of (rows, columns) in grey or (rows, columns, 3) in colour; the first row is on top."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG", optimize=True)
    return out.getvalue()


def _combinations(
    frames: _Frames, subs: Sequence[Exposure], filters: Mapping[str, FilterFacts]
) -> list[Combination]:
    """One picture a filter, all on the grid of the first frame, and one in colour."""
    names = list(dict.fromkeys(sub.filter for sub in subs))
    order = [name for name in filters if name in names]
    order += [name for name in names if name not in order]
    reference: _Seen | None = None
    pictures: dict[str, Small] = {}
    found: list[Combination] = []
    for name in order:
        own = [sub for sub in subs if sub.filter == name]
        mean: Mean | None = None
        used: list[Exposure] = []
        for part in batches(len(own), BATCH):
            placed = list(_placed(frames, own[part]))
            if not placed:
                continue
            reference = reference or placed[0][1]
            mean = mean or Mean(_shape(reference))
            mean.add([_laid(seen, reference, sub) for sub, seen in placed])
            used += [sub for sub, _ in placed]
        if mean is not None:
            pictures[name] = mean.picture()
            shown = png(grey_bytes(stretched(pictures[name])))
            seconds = sum(sub.exposure_s for sub in used)
            found.append(Combination(name, shown, len(used), len(own), seconds))
    chosen = channels(list(pictures), filters)
    return [*found, _in_colour(pictures, chosen, found)] if chosen else found


def _placed(frames: _Frames, subs: Sequence[Exposure]) -> Iterator[tuple[Exposure, _Seen]]:
    """The frames that can be read and say where they point; what is seen of others is kept."""
    for sub in subs:
        seen = frames.seen(sub)
        if seen is None:
            continue
        frames.gradients[sub.uid] = gradient_of(seen.picture)
        if seen.placed:
            yield sub, seen
        else:
            frames.unread[sub.uid] = "it does not say where it points"


def _shape(seen: _Seen) -> tuple[int, int]:
    rows, columns = seen.picture.shape
    return rows, columns


def _laid(seen: _Seen, reference: _Seen, sub: Exposure) -> Layer:
    shape = _shape(reference)
    transparency = max(TRANSPARENCY_MIN, sub.transparency if sub.transparency is not None else 1.0)
    affine = between(reference.wcs, seen.wcs, shape, reference.step)
    return layer(seen.picture, affine, shape, sub.exposure_s * transparency)


def _in_colour(
    pictures: Mapping[str, Small], chosen: Channels, found: Sequence[Combination]
) -> Combination:
    used = {*chosen.colours, chosen.brightness}
    parts = [one for one in found if one.name in used]
    names = " ".join(one.name for one in parts)
    return Combination(
        f"{names} in colour",
        png(grey_bytes(coloured(pictures, chosen))),
        sum(one.frames for one in parts),
        sum(one.of for one in parts),
        sum(one.seconds for one in parts),
    )


def _read(file: Path, side_px_max: int) -> _Seen:
    """A frame's file made small. Raises OSError, or what a broken header makes astropy raise."""
    with catch_warnings(), fits.open(file, memmap=False) as opened:
        simplefilter("ignore")  # a date that the WCS library mends is nothing to tell here
        picture = opened[0]
        step = step_of(picture.shape, side_px_max)
        return _Seen(small(picture.section, side_px_max), WCS(picture.header), step)
