"""The filter wheel."""

from nightloom_drivers.physics.courses import Course
from nightloom_drivers.rig_settings import FilterSettings, WheelSettings


class Wheel:
    """A filter wheel that turns the shorter way round; slots are counted from 1."""

    def __init__(self, settings: WheelSettings, t_s: float) -> None:
        self.settings = settings
        self._turn = Course(t_s, float(settings.start_slot))

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f.name for f in self.settings.filters)

    def goto(self, t_s: float, slot: int) -> float:
        """Begin to turn to a slot; return the duration in seconds. Raises ValueError if none."""
        count = len(self.settings.filters)
        if not 1 <= slot <= count:
            raise ValueError(f"slot {slot} is outside 1 to {count}")
        self._turn.cut(t_s)
        now = self._turn.at(t_s)
        turn = (slot - now + count / 2) % count - count / 2
        speed_per_s = 1.0 / max(self.settings.travel_s_per_slot, 1e-3)
        return self._turn.move(t_s, now + turn, speed_per_s)

    def slot(self, t_s: float) -> int | None:
        """Return the slot in the light path, or None between two slots."""
        turn = self._turn.at(t_s)
        nearest = round(turn)
        if abs(turn - nearest) > 1e-6:
            return None
        return (nearest - 1) % len(self.settings.filters) + 1

    def filter(self, t_s: float) -> FilterSettings | None:
        """Return the filter in the light path, or None between two slots."""
        slot = self.slot(t_s)
        return None if slot is None else self.settings.filters[slot - 1]

    def is_moving(self, t_s: float) -> bool:
        return t_s < self._turn.last_turn_s
