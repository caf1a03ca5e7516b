"""The weave of the running night, made again with measured costs when a cycle begins."""

from nightloom.cycle import Cycle, GapCosts, Weave, order_cost_s, weave
from nightloom.ledger import Ledger, running_figures
from nightloom.schedule.costs import costs_of
from nightloom.settings import Settings

WORTH_S = 0.5
"""A new order is taken when it saves this much in a cycle: a steady order is easier to follow."""


class Weaving:
    """Knows the weave of each cycle that was asked for tonight."""

    def __init__(self, settings: Settings, ledger: Ledger) -> None:
        self._settings, self._ledger = settings, ledger
        self._woven: dict[Cycle, tuple[int, GapCosts, Weave]] = {}
        self.costs = self._measured()

    def weave(self, cycle: Cycle, number: int) -> Weave:
        """The weave for the cycle of that number. Raises LedgerError."""
        if cycle not in self._woven:
            self.costs = self._measured()
            self._woven[cycle] = number, self.costs, weave(cycle.counts, self.costs)
        elif self._woven[cycle][0] != number:
            self._woven[cycle] = self._again(cycle, number)
        return self._woven[cycle][-1]

    def _again(self, cycle: Cycle, number: int) -> tuple[int, GapCosts, Weave]:
        """The weave for what is known by now: the last one, unless another is worth it."""
        _, known, last = self._woven[cycle]
        self.costs = self._measured()
        if self.costs == known:
            return number, known, last
        woven = weave(cycle.counts, self.costs)
        last_s = order_cost_s(last.order, last.dither_after, self.costs)
        return number, self.costs, woven if last_s - woven.cost_s >= WORTH_S else last

    def _measured(self) -> GapCosts:
        return costs_of(self._settings, running_figures(self._ledger))
