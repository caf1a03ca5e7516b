"""What a trial came to."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Outcome:
    """Of one seed; `violations` are the observer's, and what ended the daemon itself."""

    seed: int
    night: str
    kinds: list[str]
    dark_h: float
    subs: int
    open_fraction: float
    unevenness: float
    violations: list[str]
    log_sha256: str
    wall_s: float

    @property
    def told(self) -> tuple[object, ...]:
        """All that does not hang on the machine."""
        return self.seed, self.log_sha256, tuple(self.violations)


@dataclass(frozen=True)
class KindFigures:
    """Of a kind of trouble: the nights that had it, and those of them in which a promise broke."""

    nights: int
    broken: int


def by_trouble(outcomes: Iterable[Outcome]) -> dict[str, KindFigures]:
    """Each kind that came; nights without any trouble are of the kind "none"."""
    nights, broken = Counter[str](), Counter[str]()
    for one in outcomes:
        for kind in one.kinds or ["none"]:
            nights[kind] += 1
            broken[kind] += bool(one.violations)
    return {kind: KindFigures(nights[kind], broken[kind]) for kind in sorted(nights)}
