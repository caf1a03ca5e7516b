"""Which devices have power."""

from collections import Counter


class Outlets:
    """One outlet a device, by its name; all have power at first."""

    def __init__(self) -> None:
        self._without: set[str] = set()
        self._cuts: Counter[str] = Counter()

    def is_on(self, device: str) -> bool:
        """Whether it has power."""
        return device not in self._without

    def cuts(self, device: str) -> int:
        """How often its power was cut."""
        return self._cuts[device]

    def switch(self, device: str, *, on: bool) -> None:
        """Give or cut its power."""
        if on:
            self._without.discard(device)
        elif self.is_on(device):
            self._without.add(device)
            self._cuts[device] += 1
