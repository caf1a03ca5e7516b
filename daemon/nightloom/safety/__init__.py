"""What stands between the night and whatever can do harm: the mount and the roof.

Nothing else reaches either. `Guard` refuses what breaks a limit, whoever asks; `make_safe` parks
and closes with a mount and a roof alone, from any state.

    limits.py     the limits, as plain functions
    pier.py       the sides of the pier, and how far each may turn
    acts.py       intent, act and outcome of whatever moved them, kept over restarts
    guard.py      the only door to mount and roof
    make_safe.py  the way to parked and closed
"""

from nightloom.safety.acts import Acts
from nightloom.safety.guard import Guard, GuardRefusal, OutOfReach, SafetyDevices, WrongSide
from nightloom.safety.make_safe import NotSafe, make_safe

__all__ = [
    "Acts",
    "Guard",
    "GuardRefusal",
    "NotSafe",
    "OutOfReach",
    "SafetyDevices",
    "WrongSide",
    "make_safe",
]
