"""A short night with each of many rigs unlike the demo's: how much of the possible time the shutter
was open, by how much defocus widened the accepted subs, curves and looks, unevenness, and broken
promises. The simulated sky is the judge.

Run: python tests/benchmarks/rigs.py [--only WORD] [--seed 7] [--limits]
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from rich.console import Console
from rich.table import Table

from night.odd_rigs import RIGS, Outcome, night_with

GROWTH_MEDIAN, GROWTH_WORST = 0.02, 0.1
"""By what part defocus may widen the accepted subs."""

COLUMNS = ("rig", "subs", "refused", "sharp ones", "open/bound", "median", "worst", "curves",
           "looks", "uneven", "broken", "real s")  # fmt: skip


def row(one: Outcome) -> list[str]:
    growths = one.growths if len(one.growths) else np.array([np.nan])
    return [
        one.rig.name,
        str(len(one.kept) + len(one.refused)),
        str(len(one.refused)),
        str(len(one.sharp_refused)),
        f"{one.open_over_bound:.3f}",
        f"{np.median(growths):.1%}",
        f"{growths.max():.1%}",
        str(one.curves),
        str(one.checks),
        f"{one.story.played.unevenness:.2f}",
        str(len(one.story.played.violations)),
        f"{one.real_s:.0f}",
    ]


def misses(one: Outcome) -> list[str]:
    """What is promised for every rig and was not kept."""
    broken = list(one.story.played.violations)
    if not len(one.growths):
        return [*broken, "no sub was accepted"]
    median, worst = float(np.median(one.growths)), float(one.growths.max())
    if median > GROWTH_MEDIAN:
        broken.append(f"defocus widened half of the accepted subs by more than {median:.1%}")
    if worst > GROWTH_WORST:
        broken.append(f"defocus widened an accepted sub by {worst:.1%}")
    if one.story.played.unevenness > 1.0:
        broken.append(f"a filter was {one.story.played.unevenness:.2f} cycles from its share")
    return broken


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="rigs whose name holds this")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--limits", action="store_true", help="fail on a missed promise")
    said = parser.parse_args()
    console, table = Console(highlight=False, width=150), Table(*COLUMNS)
    missed: list[str] = []
    for rig in (one for one in RIGS if said.only in one.name):
        with tempfile.TemporaryDirectory() as folder:
            one = night_with(rig, Path(folder), said.seed)
        missed += [f"{rig.name}: {miss}" for miss in misses(one)]
        table.add_row(*row(one))
        console.print(*row(one), sep="  ")
    console.print(table, *missed, sep="\n")
    return 1 if said.limits and missed else 0


if __name__ == "__main__":
    sys.exit(main())
