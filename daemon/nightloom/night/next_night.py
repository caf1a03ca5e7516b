"""Which night comes next: the first that gets dark, is not over, and was not ended."""

from collections.abc import Set
from datetime import date, timedelta

from nightloom.errors import BadInput
from nightloom.ledger import Ledger
from nightloom.night.desk import RETIRE
from nightloom.night.night import ENDED
from nightloom.schedule.windows import NoDarkness, darkness
from nightloom.settings import Settings
from nightloom.sky import night_of

NIGHTS_AHEAD = 400
"""Somewhere within a year there is a dark night, or the settings ask for a wrong one."""


def next_night(
    settings: Settings, ledger: Ledger | None, now_s: float, run: Set[date] = frozenset()
) -> date:
    """The first night from now on that gets dark and is not over, by the clock or by the record.

    `run` are those that this daemon has run. Raises BadInput when there is none within a year.
    """
    last = ledger.last_act("night") if ledger is not None else None
    over = {str(night) for night in run}
    if last is not None and last.outcome == ENDED:
        over.add(last.detail["night"])
    if ledger is not None and (retired := ledger.last_act(RETIRE)) is not None:
        over.add(retired.detail["night"])
    tonight = night_of(now_s, settings.observatory.site.place)
    for ahead in range(NIGHTS_AHEAD):
        night = tonight + timedelta(days=ahead)
        try:
            if darkness(settings, night).end_unix_s > now_s and str(night) not in over:
                return night
        except NoDarkness:
            continue
    raise BadInput("policies.toml asks for a darkness that never comes at this site.")
