"""What is done about a fault, as one table: how often it is tried, what comes between, and then.

Everything that tries again takes its numbers from a row. What passes by itself and what can never
succeed are different rows: the latter is asked once, and named with its mend. A mount and a roof
are never switched off and on by the daemon: a mount forgets where it points, and a roof may move.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import inf


class Act(StrEnum):
    """What was being done."""

    NIGHT = "a phase of the night"
    """What ended a phase's work; counted from one sub to the next."""
    GUIDE_FRAME = "a guide frame"
    PULSE = "a guide pulse"
    FILTER = "a change of filter"
    FOCUS = "a move of the focuser"
    SOLVE = "a frame to solve"
    CROSS = "crossing the meridian"
    CURVE = "a focus curve"
    OFFSETS = "a measured offset"
    SAFETY = "parking and closing"
    STRANDED = "stranded"
    STATION = "sheltering"


class Part(StrEnum):
    """What failed: a section of observatory.toml, or what is no device."""

    CAMERA = "camera"
    GUIDE_CAMERA = "guide_camera"
    GUIDE_PORT = "guide_port"
    WHEEL = "wheel"
    FOCUSER = "focuser"
    DUST_CAP = "dust_cap"
    MOUNT = "mount"
    ROOF = "roof"
    WEATHER = "weather"
    LINK = "link"
    COMPUTER = "computer"
    GUARD = "guard"


class Kind(StrEnum):
    """How it failed."""

    REFUSED = "refused"
    LATE = "late"
    CONTRADICTS = "contradicts"
    GONE = "gone"
    NOT_COMPUTED = "not computed"
    UNCLEAR = "unclear"
    """It was done, and the outcome is of no use."""
    INCAPABLE = "cannot"
    """It can never succeed."""


class Between(StrEnum):
    """What is done before the next try, after the wait."""

    WAIT = "wait"
    CONNECT = "connect anew"
    POWER = "power"
    """Off and on by a power switch that is named for it; connected anew where none is."""


class Then(StrEnum):
    """What follows the last try."""

    NIGHT = "the night's row"
    WITHOUT = "go on without it"
    TARGET = "another target"
    SHELTER = "shelter"
    RETIRE = "retire"
    STRAND = "strand"
    KEEP = "keep what was known"


@dataclass(frozen=True)
class Row:
    """One row.

    `tries`: how often it is asked in all. `wait_s` grows twofold from try to try, to `wait_most_s`.
    `between`: the n-th is done after the n-th failure, the last one after all others. `then`: the
    first that is possible. `again_s`: after so long what was gone on without is asked for again.
    `mend`: what a person can do about it.
    """

    act: Act
    parts: tuple[Part, ...]
    kinds: tuple[Kind, ...]
    tries: float
    wait_s: float
    wait_most_s: float
    between: tuple[Between, ...]
    then: tuple[Then, ...]
    again_s: float = inf
    mend: str = ""


MOST = 60.0
"""The longest rest between two tries of the night, in seconds."""

QUIET_S = 1800.0
"""Trouble older than this counts for nothing; so does any from before the last sub."""

PASSING = (Kind.REFUSED, Kind.LATE, Kind.CONTRADICTS, Kind.GONE)
DEVICES = (
    Part.CAMERA, Part.GUIDE_CAMERA, Part.GUIDE_PORT, Part.WHEEL, Part.FOCUSER, Part.DUST_CAP,
    Part.MOUNT, Part.ROOF, Part.WEATHER,
)  # fmt: skip
GUIDER = (Part.GUIDE_CAMERA, Part.GUIDE_PORT)

WAIT = (Between.WAIT,)
ANEW = (Between.WAIT, Between.CONNECT)
POWER = (Between.WAIT, Between.CONNECT, Between.POWER)

_PLUGS = "Look at its power, its cable and its driver."
_UNGUIDED = _PLUGS + " Set guiding.unguided_s to go on with shorter subs meanwhile."
_SETS = "Set in observatory.toml what the device can do, or choose a driver that can do it."

TABLE = (
    # What cannot succeed ------------------------------------------------------------------------
    Row(Act.NIGHT, (Part.WHEEL, Part.FOCUSER, *GUIDER), (Kind.INCAPABLE,),
        1, 0.0, 0.0, (), (Then.WITHOUT, Then.RETIRE), mend=_SETS),
    Row(Act.NIGHT, DEVICES, (Kind.INCAPABLE,),
        1, 0.0, 0.0, (), (Then.RETIRE,), mend=_SETS),
    # What may pass ------------------------------------------------------------------------------
    Row(Act.NIGHT, (Part.LINK,), PASSING,
        inf, 5.0, MOST, WAIT, (), mend="Look at the INDI server and the network."),
    Row(Act.NIGHT, (Part.CAMERA,), PASSING,
        6, 5.0, MOST, POWER, (Then.RETIRE,), mend=_PLUGS),
    Row(Act.NIGHT, (Part.GUIDE_CAMERA,), PASSING,
        4, 5.0, MOST, POWER, (Then.WITHOUT, Then.RETIRE), again_s=3600.0, mend=_UNGUIDED),
    Row(Act.NIGHT, (Part.GUIDE_PORT,), PASSING,
        4, 5.0, MOST, ANEW, (Then.WITHOUT, Then.RETIRE), again_s=3600.0, mend=_UNGUIDED),
    Row(Act.NIGHT, (Part.WHEEL,), PASSING,
        3, 5.0, MOST, POWER, (Then.WITHOUT, Then.RETIRE), again_s=1800.0, mend=_PLUGS),
    Row(Act.NIGHT, (Part.FOCUSER,), PASSING,
        3, 5.0, MOST, POWER, (Then.WITHOUT, Then.RETIRE), again_s=1800.0, mend=_PLUGS),
    Row(Act.NIGHT, (Part.DUST_CAP,), PASSING,
        4, 5.0, MOST, POWER, (Then.RETIRE,), mend=_PLUGS),
    Row(Act.NIGHT, (Part.MOUNT, Part.ROOF), PASSING,
        4, 5.0, MOST, ANEW, (Then.RETIRE,), mend=_PLUGS),
    Row(Act.NIGHT, (Part.WEATHER,), PASSING,
        2, 5.0, MOST, ANEW, (Then.SHELTER,), mend=_PLUGS),
    Row(Act.NIGHT, (Part.COMPUTER,), (Kind.NOT_COMPUTED,),
        4, 5.0, MOST, WAIT, (Then.TARGET, Then.RETIRE),
        mend="Look at the computer's memory and its log."),
    Row(Act.NIGHT, (Part.COMPUTER,), (Kind.REFUSED,),
        10, 5.0, MOST, WAIT, (Then.RETIRE,), mend="Close whatever else holds the ledger."),
    Row(Act.NIGHT, (Part.GUARD,), (Kind.REFUSED,),
        6, 5.0, MOST, WAIT, (Then.RETIRE,), mend="Look at what the guard refused, and why."),
    # Within a phase -----------------------------------------------------------------------------
    Row(Act.GUIDE_FRAME, (Part.GUIDE_CAMERA,), (Kind.LATE, Kind.REFUSED, Kind.CONTRADICTS),
        2, 0.0, 0.0, WAIT, (Then.NIGHT,)),
    Row(Act.PULSE, (Part.GUIDE_PORT,), (Kind.LATE, Kind.REFUSED),
        2, 0.0, 0.0, WAIT, (Then.NIGHT,)),
    Row(Act.FILTER, (Part.WHEEL,), (Kind.LATE, Kind.REFUSED, Kind.CONTRADICTS),
        2, 2.0, 2.0, WAIT, (Then.NIGHT,)),
    Row(Act.FOCUS, (Part.FOCUSER,), (Kind.LATE, Kind.REFUSED, Kind.CONTRADICTS),
        2, 2.0, 2.0, WAIT, (Then.NIGHT,)),
    Row(Act.SOLVE, (Part.CAMERA,), (Kind.LATE, Kind.REFUSED, Kind.CONTRADICTS),
        2, 2.0, 2.0, WAIT, (Then.NIGHT,)),
    Row(Act.CROSS, (Part.MOUNT,), (Kind.UNCLEAR,),
        2, 120.0, 120.0, WAIT, (Then.TARGET,), mend="Look at the mount's meridian limits."),
    Row(Act.CURVE, (Part.FOCUSER,), (Kind.UNCLEAR,),
        inf, 300.0, 3600.0, WAIT, (Then.KEEP,)),
    Row(Act.OFFSETS, (Part.FOCUSER,), (Kind.UNCLEAR,),
        3, 0.0, 0.0, WAIT, (Then.KEEP,)),
    # Making safe --------------------------------------------------------------------------------
    Row(Act.SAFETY, (Part.MOUNT, Part.ROOF), PASSING,
        2, 0.0, 0.0, (Between.CONNECT,), (Then.STRAND,), mend="A person must park and close."),
    Row(Act.STRANDED, (Part.MOUNT, Part.ROOF, Part.LINK), PASSING,
        inf, 60.0, 60.0, WAIT, (), mend="A person must park and close."),
    Row(Act.STATION, (Part.WEATHER,), PASSING,
        inf, 60.0, 60.0, WAIT, ()),
)  # fmt: skip
"""The first row that fits is the one. A wait of `CROSS` is the setting mount.flip_retry_s."""


def row_for(act: Act, part: Part, kind: Kind) -> Row | None:
    """The row of a fault; None when there is none."""
    rows = (row for row in TABLE if row.act is act and part in row.parts and kind in row.kinds)
    return next(rows, None)


def row_of(act: Act) -> Row:
    """The row of an act that has one only. Raises ValueError where it has several."""
    (row,) = (row for row in TABLE if row.act is act)
    return row


# As text --------------------------------------------------------------------------------------


def drawn() -> str:
    """The table for people, in Markdown."""
    head = ("doing", "what", "fails so", "tries", "rest", "in between", "then")
    lines = [_line(head), _line(["---"] * len(head)), *(_line(_cells(row)) for row in TABLE)]
    return "\n".join([*lines, ""])


def _line(cells: "tuple[str, ...] | list[str]") -> str:
    return f"| {' | '.join(cells)} |"


def _cells(row: Row) -> list[str]:
    then = ", else ".join(row.then)
    if row.again_s < inf:
        then += f"; asked for again after {row.again_s / 60:g} min"
    return [
        row.act.value,
        ", ".join(part.replace("_", " ") for part in row.parts),
        ", ".join(row.kinds),
        "no end" if row.tries == inf else f"{row.tries:g}",
        _rest(row),
        ", ".join(row.between) or "nothing",
        then or "never given up",
    ]


def _rest(row: Row) -> str:
    if row.wait_most_s == row.wait_s:
        return f"{row.wait_s:g} s" if row.wait_s else "none"
    return f"{row.wait_s:g} s, doubled up to {row.wait_most_s:g} s"
