"""What darks, biases and flats the lights ask for, and which of them are missing or too old.

A light asks for frames taken within so many days of it: both count as long as they are no older
than that. Lights that can share frames make one need: a dark or bias fits when it differs from each
of its lights by no more than the tolerance of temperature, a flat by that of rotation. A telescope
that crossed the meridian turns the camera by half a turn on the sky and not on the tube, so that
rotations are compared to half a turn.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from nightloom_drivers.frame_kind import FrameKind

HALF_TURN_DEG = 180.0
DAY_S = 86400.0

SET_POINT_C = 0.5
"""As fine as coolers regulate, so that lights that were meant to be alike make one set point."""

KINDS = (FrameKind.BIAS, FrameKind.DARK, FrameKind.FLAT)
"""In the order in which they are taken: darks are held against biases."""


@dataclass(frozen=True)
class Look:
    """How a frame was taken; None where it is not known."""

    exposure_s: float
    filter: str
    gain: float | None
    offset: float | None
    binning: int
    sensor_c: float | None
    rotation_deg: float | None
    taken_s: float


@dataclass(frozen=True)
class Kept:
    """A calibration frame of the library."""

    kind: FrameKind
    look: Look


@dataclass(frozen=True)
class Rule:
    """What is wanted of a kind: how many, and for how many days they are good."""

    wanted: int
    days: float


@dataclass(frozen=True)
class Rules:
    """What is wanted of each kind, and what differences a frame bears."""

    of: dict[FrameKind, Rule]
    temperature_c: float
    rotation_deg: float


@dataclass(frozen=True)
class Need:
    """Frames that some lights ask for.

    `exposure_s` is of darks alone, `filter` and `rotation_deg` of flats; `sensor_c` and
    `rotation_deg` are in the middle of the lights', None where no light says.
    """

    kind: FrameKind
    exposure_s: float | None
    filter: str
    gain: float | None
    offset: float | None
    binning: int
    sensor_c: float | None
    rotation_deg: float | None
    wanted: int
    fresh: int = 0
    too_old: int = 0

    @property
    def missing(self) -> int:
        """How many are lacking."""
        return max(0, self.wanted - self.fresh)


def needs(
    lights: Iterable[Look], kept: Sequence[Kept], rules: Rules, now_s: float
) -> tuple[Need, ...]:
    """Every need of the lights with what the library has for it, biases first and flats last."""
    looks = list(lights)
    found = [
        _counted(need, kept, rules, now_s)
        for kind in KINDS
        if rules.of[kind].wanted
        for need in _asked(kind, [one for one in looks if _young(kind, one, rules, now_s)], rules)
    ]
    return tuple(found)


def fits(need: Need, kept: Kept, rules: Rules) -> bool:
    """Whether a frame is one that a need asks for, whatever its age."""
    look = kept.look
    same = (kept.kind, look.gain, look.offset, look.binning)
    if same != (need.kind, need.gain, need.offset, need.binning):
        return False
    if need.kind is FrameKind.FLAT:
        near = _near(need.rotation_deg, look.rotation_deg, rules.rotation_deg, turned_deg)
        return look.filter == need.filter and near
    if need.exposure_s is not None and abs(look.exposure_s - need.exposure_s) > 1e-3:
        return False
    return _near(need.sensor_c, look.sensor_c, rules.temperature_c, _apart)


def set_points_c(found: Iterable[Need], usual_c: float) -> list[float]:
    """Sensor temperatures at which darks and biases are missing, the usual one first."""
    asked = {
        usual_c if need.sensor_c is None else round(need.sensor_c / SET_POINT_C) * SET_POINT_C
        for need in found
        if need.missing and need.kind is not FrameKind.FLAT
    }
    return sorted(asked, key=lambda one: (one != usual_c, one))


def turned_deg(one_deg: float, other_deg: float) -> float:
    """Angle between two rotations of a camera on its tube, 0 to 90."""
    apart = abs(one_deg - other_deg) % HALF_TURN_DEG
    return min(apart, HALF_TURN_DEG - apart)


def _apart(one: float, other: float) -> float:
    return abs(one - other)


def _near(
    asked: float | None, has: float | None, tolerance: float, apart: Callable[[float, float], float]
) -> bool:
    """Whether a frame is so near the middle of a need's lights that it is near each of them; what
    is not known stands in nobody's way.
    """
    return asked is None or has is None or apart(asked, has) <= tolerance / 2


def _young(kind: FrameKind, look: Look, rules: Rules, now_s: float) -> bool:
    return now_s - look.taken_s <= rules.of[kind].days * DAY_S


def _asked(kind: FrameKind, lights: list[Look], rules: Rules) -> list[Need]:
    """The needs of a kind, in the order of their settings."""

    def key(look: Look) -> tuple[object, ...]:
        exposure_s = look.exposure_s if kind is FrameKind.DARK else -1.0
        name = look.filter if kind is FrameKind.FLAT else ""
        gain, offset = look.gain, look.offset
        return name, exposure_s, gain is None, gain or 0, offset is None, offset or 0, look.binning

    made = []
    for _, group in groupby(sorted(lights, key=key), key):
        alike = list(group)
        for sensor_c, rotation_deg in _middles(kind, alike, rules):
            made.append(_need(kind, alike[0], sensor_c, rotation_deg, rules))
    return made


def _need(
    kind: FrameKind, one: Look, sensor_c: float | None, rotation_deg: float | None, rules: Rules
) -> Need:
    return Need(
        kind,
        one.exposure_s if kind is FrameKind.DARK else None,
        one.filter if kind is FrameKind.FLAT else "",
        one.gain,
        one.offset,
        one.binning,
        sensor_c,
        rotation_deg,
        rules.of[kind].wanted,
    )


def _middles(
    kind: FrameKind, lights: list[Look], rules: Rules
) -> list[tuple[float | None, float | None]]:
    """Temperature and rotation in the middle of each group of lights that can share frames."""
    if kind is FrameKind.FLAT:
        known = [one.rotation_deg % HALF_TURN_DEG for one in lights if one.rotation_deg is not None]
        turns = _groups(_unrolled(known), rules.rotation_deg)
        return [(None, middle % HALF_TURN_DEG) for middle in turns] or [(None, None)]
    temperatures = sorted(one.sensor_c for one in lights if one.sensor_c is not None)
    return [(middle, None) for middle in _groups(temperatures, rules.temperature_c)] or [
        (None, None)
    ]


def _groups(ordered: list[float], span: float) -> list[float]:
    """Middles of the fewest stretches no longer than `span` that hold every number."""
    middles: list[float] = []
    first: float | None = None
    last = 0.0
    for number in ordered:
        if first is None or number - first > span:
            if first is not None:
                middles.append((first + last) / 2)
            first = number
        last = number
    return middles if first is None else [*middles, (first + last) / 2]


def _unrolled(angles_deg: list[float]) -> list[float]:
    """Angles in order from behind the widest gap between them on a circle of half a turn."""
    ordered = sorted(angles_deg)
    if len(ordered) < 2:
        return ordered
    following = [*ordered[1:], ordered[0] + HALF_TURN_DEG]
    gaps = [after - before for before, after in zip(ordered, following, strict=True)]
    begin = (gaps.index(max(gaps)) + 1) % len(ordered)
    return [*ordered[begin:], *(angle + HALF_TURN_DEG for angle in ordered[:begin])]


def _counted(need: Need, kept: Sequence[Kept], rules: Rules, now_s: float) -> Need:
    fitting = [one for one in kept if fits(need, one, rules)]
    fresh = sum(_young(need.kind, one.look, rules, now_s) for one in fitting)
    return replace(need, fresh=fresh, too_old=len(fitting) - fresh)
