"""One short night of trouble, with frames, that every test of the report looks at.

A bank of cloud, a wheel that sticks, a gust, and the meridian passed meanwhile.
"""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from night.nights import SELDOM_S, demo
from nightloom.rehearsal import TROUBLES, Played, Rehearsal, play_virtually

CROSSING_NIGHT = date(2027, 1, 12)
"""A target of the demo's crosses the meridian in the first hour of its dark."""

HOURS, SEED = 1.2, 51
TROUBLED = ("cloud", "wheel-stuck", "wind")


@dataclass(frozen=True)
class Lived:
    """A night that went by, in its folder."""

    rehearsal: Rehearsal
    played: Played


def lived(
    out: Path,
    troubles: tuple[str, ...] = TROUBLED,
    *,
    hours: float = HOURS,
    seed: int = SEED,
    frames: bool = True,
    night: date = CROSSING_NIGHT,
    filters: str = "LRGB",
) -> Lived:
    """Let it go by, into a folder that is made."""
    settings, rig = demo(guide_s=SELDOM_S, targets=dict.fromkeys(filters, 60.0))
    (out / "frames").mkdir(parents=True)
    chosen = tuple(one for one in TROUBLES if one.name in troubles)
    rehearsal = Rehearsal(settings, rig, night, out, seed, hours, frames, troubles=chosen)
    return Lived(rehearsal, play_virtually(rehearsal))
