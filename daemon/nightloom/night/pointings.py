"""Where the targets of a night stood on the sensor: a new pointing is put where none has been."""

import numpy as np
from numpy.typing import NDArray

from nightloom.ledger import Ledger, Place

Pixels = tuple[float, float]


class Pointings:
    """The pointings of the running target; known from the ledger, also after a restart."""

    def __init__(self, ledger: Ledger, night: str) -> None:
        self._ledger, self._night = ledger, night
        self._target = ""
        self._tonight: dict[str, list[Pixels]] = {}
        self._elsewhere: dict[str, NDArray[np.float64]] = {}
        self._taken: list[str] = []

    @property
    def number(self) -> int:
        """Number of the present pointing on the running target tonight."""
        return len(self._tonight[self._target])

    @property
    def taken_here(self) -> tuple[str, ...]:
        """The filter of each sub that was taken at the present pointing."""
        return tuple(self._taken)

    def start(self, target: str, place_px: Pixels) -> None:
        """A target was centred: it begins, or goes on, at a pointing of its own."""
        self._target = target
        if target not in self._tonight:
            self._remember(target)
        self.moved(place_px)

    def moved(self, place_px: Pixels) -> None:
        """The running target stands elsewhere on the sensor. Ledger first; raises LedgerError."""
        self._ledger.add_place(Place(self._night, self._target, self.number + 1, *place_px))
        self._tonight[self._target].append(place_px)
        self._taken.clear()

    def taken(self, filter_name: str) -> None:
        """A sub was taken at the present pointing."""
        self._taken.append(filter_name)

    def tonight_px(self) -> NDArray[np.float64]:
        """Tonight's pointings on the running target, (n, 2), the present one last."""
        return np.array(self._tonight[self._target])

    def elsewhere_px(self) -> NDArray[np.float64]:
        """Its pointings of other nights, (n, 2)."""
        return self._elsewhere[self._target]

    def _remember(self, target: str) -> None:
        """Read a target's pointings from the ledger."""
        known = self._ledger.places(target)
        self._tonight[target] = [(p.x_px, p.y_px) for p in known if p.night == self._night]
        others = [(p.x_px, p.y_px) for p in known if p.night != self._night]
        self._elsewhere[target] = np.array(others, dtype=np.float64).reshape(-1, 2)
