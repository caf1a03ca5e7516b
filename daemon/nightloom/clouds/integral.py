"""The light of the guide stars over one sub: one dim reading among many hardly counts."""

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class GuideLight:
    """The light since a sub began, as flux ratios times seconds, up to the latest reading.

    Each reading stands for the time since the one before it.
    """

    began_s: float
    until_s: float
    ratio_s: float = 0.0
    readings: int = 0

    @classmethod
    def since(cls, began_s: float) -> "GuideLight":
        """Nothing yet."""
        return cls(began_s, began_s)

    def add(self, at_s: float, ratio: float) -> "GuideLight":
        """With one reading more. Times must not run backwards."""
        lasted_s = max(0.0, at_s - self.until_s)
        return replace(
            self,
            until_s=at_s,
            ratio_s=self.ratio_s + ratio * lasted_s,
            readings=self.readings + 1,
        )

    @property
    def exposed_s(self) -> float:
        """The time that readings stand for."""
        return self.until_s - self.began_s

    @property
    def mean(self) -> float | None:
        """The mean flux ratio; None without a reading."""
        return self.ratio_s / self.exposed_s if self.exposed_s > 0 else None
