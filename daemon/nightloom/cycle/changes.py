"""How long a change of filter takes: the wheel's slots and the focuser's steps, both at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

from nightloom.cycle.gaps import Pair


@dataclass(frozen=True)
class WheelTravel:
    """A wheel whose slots lie in a ring, in the order of `slots`."""

    slots: Sequence[str]
    s_per_slot: float
    one_way: bool = False
    """True for a wheel that turns towards higher slots only."""

    def time_s(self, before: str, after: str) -> float:
        """Time to turn from one filter to another."""
        forward = (self.slots.index(after) - self.slots.index(before)) % len(self.slots)
        travel = forward if self.one_way else min(forward, len(self.slots) - forward)
        return travel * self.s_per_slot


@dataclass(frozen=True)
class FocuserTravel:
    """A focuser that follows the filters' offsets.

    A move against the direction of approach (1 rising, −1 falling) goes `overshoot_steps` too far
    and comes back, so that the backlash is taken up.
    """

    offset_steps: Mapping[str, int]
    steps_per_s: float
    overshoot_steps: int = 0
    approach: int = 1

    def time_s(self, before: str, after: str) -> float:
        """Time to move from the focus of one filter to that of another."""
        steps = self.offset_steps[after] - self.offset_steps[before]
        turns = steps * self.approach < 0
        return (abs(steps) + 2 * self.overshoot_steps * turns) / self.steps_per_s


def change_times_s(
    filters: Sequence[str], wheel: WheelTravel, focuser: FocuserTravel | None = None
) -> dict[Pair, float]:
    """Time of the change between each two filters: that of the slower of wheel and focuser."""
    return {
        pair: max(wheel.time_s(*pair), focuser.time_s(*pair) if focuser else 0.0)
        for pair in permutations(filters, 2)
    }
