"""Where every minute of the dark went: a partition of it, each instant in one category.

Several things go on at once. An instant belongs to the first category of the list that it fits, so
what runs while the shutter is open, or under a longer part of the same gap, costs nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from nightloom.report.records import Act, Fate, Night
from nightloom.sky import Interval


class Use(StrEnum):
    """What an instant of the dark was for; the first one that fits."""

    OPEN = "shutter open, frame kept"
    REJECTED = "shutter open, frame rejected"
    GIVEN_UP = "shutter open, sub given up"
    SILENT = "no daemon ran"
    SHELTER = "closed for the weather"
    HOLDING = "waiting under cloud"
    PAUSED = "paused by a person"
    FOCUS = "looking at the focus"
    DITHER = "dithering and settling"
    CHANGE = "turning wheel and focuser"
    DOWNLOAD = "downloading"
    FAULT = "trouble, until the next sub"
    CROSSING = "crossing the meridian"
    ACQUIRING = "taking up a target"
    WAITING = "making ready, waiting for a target"
    CLOSING = "parking, closing, parked"
    REST = "between subs, nothing named"


OPEN_USES = (Use.OPEN, Use.REJECTED, Use.GIVEN_UP)
SKY_USES = (Use.SHELTER, Use.HOLDING)
"""What the sky took: nothing that the rig could have done better."""

GAP_USES = (Use.DITHER, Use.CHANGE, Use.DOWNLOAD, Use.REST)
"""What lies between two subs of a target that runs."""

_FATES = {Fate.KEPT: Use.OPEN, Fate.REJECTED: Use.REJECTED, Fate.GIVEN_UP: Use.GIVEN_UP}

_ACTS = {
    Act.FOCUS: Use.FOCUS,
    Act.DITHER: Use.DITHER,
    Act.CHANGE: Use.CHANGE,
    Act.DOWNLOAD: Use.DOWNLOAD,
}

_PHASES = {
    "sheltering": Use.SHELTER,
    "holding": Use.HOLDING,
    "pausing": Use.PAUSED,
    "stranded": Use.FAULT,
    "crossing": Use.CROSSING,
    "acquiring": Use.ACQUIRING,
    "readying": Use.WAITING,
    "calibrating": Use.CLOSING,
    "retiring": Use.CLOSING,
    "asleep": Use.CLOSING,
}
"""Phases that are something by themselves; the rest of gathering is REST."""


@dataclass(frozen=True)
class Minutes:
    """The partition: stretches in order, which meet and fill the dark."""

    stretches: tuple[tuple[Use, Interval], ...]

    def seconds(self) -> dict[Use, float]:
        """Seconds of each use that has any, in the order of the list."""
        sums = dict.fromkeys(Use, 0.0)
        for use, span in self.stretches:
            sums[use] += span.duration_s
        return {use: spent_s for use, spent_s in sums.items() if spent_s > 0.0}


def minutes(night: Night) -> Minutes:
    """Each instant of the night's dark, once."""
    ranks = {use: rank for rank, use in enumerate(Use)}
    claims = [
        (ranks[use], part) for use, span in _claims(night) if (part := span.common(night.dark))
    ]
    ends = {night.dark.start_unix_s, night.dark.end_unix_s}
    ends |= {end for _, part in claims for end in (part.start_unix_s, part.end_unix_s)}
    uses = _first(claims, sorted(ends), len(ranks) - 1)
    return Minutes(tuple(_joined(sorted(ends), [list(Use)[rank] for rank in uses])))


def _claims(night: Night) -> Iterator[tuple[Use, Interval]]:
    for sub in night.subs:
        yield _FATES[sub.fate], sub.open
    for span in night.silent:
        yield Use.SILENT, span
    for done in night.done:
        yield _ACTS[done.act], done.span
    for span in night.faults:
        yield Use.FAULT, span
    for stay in night.stays:
        if stay.phase in _PHASES:
            yield _PHASES[stay.phase], stay.span


def _first(claims: Sequence[tuple[int, Interval]], ends: list[float], rest: int) -> list[int]:
    """The least rank that claims each stretch between two neighbouring ends."""
    place = {end: number for number, end in enumerate(ends)}
    uses = [rest] * (len(ends) - 1)
    for rank, part in claims:
        for number in range(place[part.start_unix_s], place[part.end_unix_s]):
            uses[number] = min(uses[number], rank)
    return uses


def _joined(ends: list[float], uses: list[Use]) -> Iterator[tuple[Use, Interval]]:
    begins_s = ends[0]
    for number, use in enumerate(uses):
        if number + 1 == len(uses) or uses[number + 1] is not use:
            yield use, Interval(begins_s, ends[number + 1])
            begins_s = ends[number + 1]
