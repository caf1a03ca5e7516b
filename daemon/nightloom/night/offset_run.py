"""A night that gathers focus curves instead of subs: filter offsets, measured in one go.

Everything else is a night as any other: it opens, centres, guides, shelters and parks.
"""

from collections.abc import Sequence

from nightloom.faults import Act, row_of
from nightloom.focusing import star_filter
from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom.night.next_sub import Ending, Planned
from nightloom.night.phases import Next, Phase
from nightloom.settings import Settings

REASON = "measuring the offsets"


def measured_filters(settings: Settings) -> list[str]:
    """Filters that some target or the focusing uses, in the order of the wheel."""
    used = {name for target in settings.targets.targets for name in target.filters}
    asked = settings.policies.focus.filter
    used |= {star_filter(settings.observatory, name, asked) for name in used}
    return [name for name in settings.observatory.wheel.slots if name in used]


class OffsetRun:
    """Rounds of curves through the filters, forth and back in turn.

    A focus that drifts evenly then moves every filter's mean by the same, so that it cancels.
    Interrupted, it goes on with the curve that was cut short; a refused one is taken again.
    """

    def __init__(self, filters: Sequence[str], rounds: int) -> None:
        forth, back = list(filters), list(reversed(filters))
        self._tried = 0
        self._left = [name for n in range(rounds) for name in (back if n % 2 else forth)]

    async def gather(self, context: Context) -> Ending:
        """Take the curves that are left. Raises DeviceError."""
        while self._left:
            due = context.target_run.due()
            if not isinstance(due, Planned):
                return due
            await change_filter(context, self._left[0])
            curve = await context.focusing.curve(self._left[0], REASON)
            self._tried += 1
            if curve.refusal is None or self._tried == row_of(Act.OFFSETS).tries:
                self._tried = 0
                del self._left[0]
        return Next(Phase.RETIRING, "the offsets are measured")
