"""How a focuser may be moved: within limits, and to every position from one side."""

from dataclasses import dataclass
from typing import Literal

Approach = Literal["outward", "inward"]

# Overshooting by half as much again forgives a backlash that was measured somewhat too small.
_OVERSHOOT = 1.5


@dataclass(frozen=True)
class Travel:
    """Limits in steps, the lost motion on a turn, and the direction of every last move.

    Outward is towards higher positions. `run_up_steps` is how far before its first position a scan
    begins where there is room, for play that nobody knows of.
    """

    minimum_steps: int
    maximum_steps: int
    backlash_steps: int = 0
    approach: Approach = "outward"
    run_up_steps: int = 0

    @property
    def sign(self) -> int:
        """Direction of the last move: 1 outward, −1 inward."""
        return 1 if self.approach == "outward" else -1

    @property
    def lead_steps(self) -> int:
        """Where the last move begins, counted from its end: far enough to take up the backlash."""
        return -self.sign * round(self.backlash_steps * _OVERSHOOT)

    def scan_begin(self, first_steps: int) -> int:
        """Where a scan goes before its first position, which leaves room for the lead."""
        return self.within(first_steps - self.sign * max(abs(self.lead_steps), self.run_up_steps))

    def within(self, position_steps: int) -> int:
        """The nearest position inside the limits."""
        return min(max(position_steps, self.minimum_steps), self.maximum_steps)

    def path(self, current_steps: int | None, target_steps: int) -> tuple[int, ...]:
        """Positions to move to, one after the other, the target last; empty when there already.

        `current_steps` was itself reached from the right side; None says that this is not known.
        Raises ValueError outside the limits.
        """
        if self.within(target_steps) != target_steps:
            raise ValueError(
                f"position {target_steps} is outside {self.minimum_steps} to {self.maximum_steps}"
            )
        if target_steps == current_steps:
            return ()
        against = current_steps is None or (target_steps - current_steps) * self.sign < 0
        begin = self.within(target_steps + self.lead_steps)
        return (begin, target_steps) if against and begin != target_steps else (target_steps,)
