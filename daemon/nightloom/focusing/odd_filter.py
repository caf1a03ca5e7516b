"""Whether one filter alone is out of focus: then its offset is wrong, and nothing has moved.

A filter is odd when its stars are large though a later frame through another filter is sharp. Where
subs are taken through other filters than the focus is looked at with, no frame need be sharp: then
two large ones after a look say the same. One that was in focus since has a right offset: if it is
large now, the focus has moved. A filter that a look found in focus is large by itself, and is
excused by as much.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf, isfinite, nan

_LARGE = 0.15
"""Growth over what the air explains from which on a frame is large: five times what single frames
in focus scatter by (common practice, no source)."""

_SHARP = 0.08
"""Growth below which it is sharp: half of the above, since filters differ by some hundredths."""

_LARGE_FRAMES = 2
"""Large frames after a look through another filter, when none is sharp: one may be a gust's."""


@dataclass(frozen=True)
class _Seen:
    began_s: float
    growth: float


@dataclass(frozen=True)
class OddFilters:
    """The latest frame of each filter since the focus was last set, by growth over focus."""

    latest: Mapping[str, _Seen] = field(default_factory=dict)
    excused: Mapping[str, float] = field(default_factory=dict)
    looked_with: str = ""
    set_s: float = -inf
    right: frozenset[str] = frozenset()
    """Filters of which a frame was not large since."""

    def saw(self, filter_name: str, growth: float, began_s: float) -> "OddFilters":
        """Take a frame that began then, in Unix seconds; a growth that is not known says nothing.

        One from before the focus was set says nothing of it now.
        """
        before = self.latest.get(filter_name)
        if not isfinite(growth) or began_s < max(self.set_s, before.began_s if before else -inf):
            return self
        excess = (1.0 + growth) / (1.0 + self.excused.get(filter_name, 0.0)) - 1.0
        latest = {**self.latest, filter_name: _Seen(began_s, excess)}
        right = self.right if excess > _LARGE else self.right | {filter_name}
        return replace(self, latest=latest, right=right)

    @property
    def odd(self) -> tuple[str, ...]:
        """The filters whose offsets are in doubt."""
        large = {
            name: one
            for name, one in self.latest.items()
            if one.growth > _LARGE and name not in self.right
        }
        sharp_s = max(
            (one.began_s for one in self.latest.values() if one.growth < _SHARP), default=-inf
        )
        alone = tuple(name for name, one in large.items() if one.began_s < sharp_s)
        if alone or isfinite(sharp_s) or not self.looked_with or self.looked_with in self.latest:
            return alone
        return tuple(large) if len(large) >= _LARGE_FRAMES else ()

    def focused(self, filter_name: str, at_s: float, *, moved: bool) -> "OddFilters":
        """A look through one filter, in Unix seconds, set the focus of all, or found it right.

        That it was right is as good as a sharp frame.
        """
        if moved:
            return OddFilters(excused=self.excused, looked_with=filter_name, set_s=at_s)
        latest = {**self.latest, filter_name: _Seen(at_s, 0.0)}
        return replace(self, latest=latest, looked_with=filter_name)

    def corrected(self, filter_name: str, at_s: float, *, found: bool) -> "OddFilters":
        """A look through an odd filter corrected its offset, in Unix seconds, or found that it was
        right.
        """
        seen = self.latest.get(filter_name)
        latest = {**self.latest, filter_name: _Seen(at_s, nan)}
        if found or seen is None:
            return replace(self, latest=latest)
        by = (1.0 + seen.growth) * (1.0 + self.excused.get(filter_name, 0.0)) - 1.0
        return replace(self, latest=latest, excused={**self.excused, filter_name: by})
