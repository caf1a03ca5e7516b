"""What is asked of a target: so many subs of each filter in a cycle."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Share:
    """One filter's part of a cycle: `room` subs of it, at most, are taken at one pointing.

    Raises ValueError unless all numbers are above zero.
    """

    filter: str
    share: int
    exposure_s: float
    room: int = 1

    def __post_init__(self) -> None:
        if self.share < 1 or self.room < 1 or self.exposure_s <= 0:
            raise ValueError(
                f"{self} must have a share and a room of at least 1 and an exposure above 0 s"
            )

    @property
    def cycle_s(self) -> float:
        """Exposure of this filter in one cycle."""
        return self.share * self.exposure_s


@dataclass(frozen=True)
class Cycle:
    """The shares of a target, each filter once. Raises ValueError when empty or repeated."""

    shares: tuple[Share, ...]

    def __post_init__(self) -> None:
        if not self.shares or len(self.counts) < len(self.shares):
            raise ValueError(f"a cycle names at least one filter and each once: {self.shares}")

    @property
    def counts(self) -> dict[str, int]:
        """Subs of each filter in one cycle."""
        return {share.filter: share.share for share in self.shares}

    @property
    def room(self) -> dict[str, int]:
        """Subs of each filter that one pointing takes."""
        return {share.filter: share.room for share in self.shares}

    @property
    def exposure_s(self) -> float:
        """Exposure of one whole cycle."""
        return sum(share.cycle_s for share in self.shares)
