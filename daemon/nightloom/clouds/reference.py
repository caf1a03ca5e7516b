"""What a target's stars shine with through a filter under a clear sky, as the night has shown it.

Nobody says when the sky is clear. So the clearest of the night's frames are the standard, and a
frame that was kept before a clearer sky was seen is looked at again when it is.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import median

from nightloom.clouds.starlight import LightRatio, StarLight, light_ratio

REMEMBERED = 60
"""Frames whose light is remembered: a few hours of a filter. Haze that stays for longer than that
becomes the clear sky."""

YOUNG = 10
"""With so few frames of a filter the guide stars also say what is clear: they may have seen it."""

HINTS = 5
"""So many latest frames have a say in that, by their median."""

CLEARER = 1.1
"""A frame so much clearer than the one whose stars are compared takes its place: it shows more."""


GUIDE_MIN = 0.3
"""Through thicker cloud the guide stars' light is too uncertain to have a say."""


@dataclass(frozen=True)
class Kept:
    """A frame that was accepted, and its light in parts of the reference frame's."""

    uid: str
    ratio: float


@dataclass(frozen=True)
class Hint:
    """A frame's light, and the transparency that the guide stars had meanwhile."""

    uid: str
    ratio: float
    guide: float

    @property
    def clear(self) -> float:
        """What its light would have been under a clear sky."""
        return self.ratio / self.guide


@dataclass(frozen=True)
class Shown:
    """What a frame's own stars say of the sky: its transparency and the standard error of that."""

    transparency: float
    error: float
    stars: int


@dataclass(frozen=True)
class LightReference:
    """The light of one target's stars through one filter, as it arrives at airmass 0.

    `ratios` are those of the latest frames, in parts of `light`; `hints` what the guide stars made
    of them. Either may know no clear sky yet.
    """

    light: StarLight | None = None
    ratios: tuple[float, ...] = ()
    hints: tuple[Hint, ...] = ()
    kept: tuple[Kept, ...] = ()
    latest: float | None = None
    """The ratio of the frame that was looked at last; None when its stars were not matched."""

    @property
    def clear(self) -> float:
        """The ratio of a clear sky: the mean of the two largest, which no single slip can lift, or
        what the guide stars make of it. Raises ValueError without frames.
        """
        if not self.ratios:
            raise ValueError("no frame has shown its stars yet")
        best = sorted(self.ratios)[-2:]
        seen = sum(best) / len(best)
        if len(self.ratios) > YOUNG or not self.hints:
            return seen
        return max(seen, median(hint.clear for hint in self.hints))

    def look(
        self, light: StarLight, guide: float | None, uid: str = ""
    ) -> "tuple[LightReference, Shown | None]":
        """With one frame more, whose `light` is that outside the air, and what it shows.

        `guide` is the mean transparency that the guide stars had meanwhile. Without it the first
        frame shows nothing; nor does one whose stars are not those of the reference.
        """
        found = LightRatio(1.0, 0.0, len(light)) if self.light is None else None
        found = found or light_ratio(light, self.light or light)
        if found is None:
            return replace(self, latest=None), None
        tells = guide is not None and guide >= GUIDE_MIN
        hints = (*self.hints, Hint(uid, found.ratio, guide)) if guide and tells else self.hints
        after = replace(
            self,
            light=self.light or light,
            ratios=(*self.ratios, found.ratio)[-REMEMBERED:],
            hints=hints[-HINTS:],
            latest=found.ratio,
        )
        if self.light is None and not guide:
            return after, None
        shown = Shown(found.ratio / after.clear, found.error / after.clear, found.stars)
        return _on_clearest(after, light, found.ratio), shown

    def keep(self, uid: str) -> "LightReference":
        """With the latest frame, if its stars were matched, among those that were accepted."""
        if self.latest is None:
            return self
        return replace(self, kept=(*self.kept, Kept(uid, self.latest))[-REMEMBERED:])

    def guided_by(self, guides: Mapping[str, float]) -> "LightReference":
        """With what the guide stars make of earlier frames now that they have seen a clearer sky:
        transparencies by the names of frames.
        """
        hints = tuple(
            replace(hint, guide=max(guides.get(hint.uid, hint.guide), GUIDE_MIN))
            for hint in self.hints
        )
        return replace(self, hints=hints)

    def too_dim(self, least: float) -> "tuple[LightReference, list[tuple[str, float]]]":
        """Without the accepted frames that turn out to have had less than `least` of a clear sky's
        light; names and transparencies of those.
        """
        if not self.ratios:
            return self, []
        clear = self.clear
        dim = [one for one in self.kept if one.ratio / clear < least]
        left = tuple(one for one in self.kept if one not in dim)
        return replace(self, kept=left), [(one.uid, one.ratio / clear) for one in dim]


def _on_clearest(known: LightReference, light: StarLight, ratio: float) -> LightReference:
    """With the frame seen last as the one that others are compared with, if it is much clearer."""
    if ratio < CLEARER or ratio < max(known.ratios):
        return known
    return LightReference(
        light,
        tuple(one / ratio for one in known.ratios),
        tuple(replace(hint, ratio=hint.ratio / ratio) for hint in known.hints),
        tuple(Kept(one.uid, one.ratio / ratio) for one in known.kept),
        latest=1.0,
    )
