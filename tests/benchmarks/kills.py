"""`kill -9` at random moments of a night over INDI: what was lost, what is there twice, how long
until the next sub.

Prints a line a kill and then the figures; the exit status is 1 when anything was wrong, or a life
was not back within 15 s and acquiring. The rig is ours with its observer, or the INDI library's
C++ simulators under its server.
Run: python tests/benchmarks/kills.py [--kills 200] [--cpp] [--seed 1] [--out FOLDER]
"""

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from collections import Counter

from rig.killed import BACK_S_MAX, Campaign, campaign, cpp_rig, our_rig


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--cpp", action="store_true", help="on the C++ simulators")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="an empty folder that is kept; else a temporary")
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rig = cpp_rig if said.cpp else our_rig
        with rig(said.out or Path(folder)) as stand:
            came = campaign(stand, said.kills, said.seed, lambda line: print(line, flush=True))
    print(figures(came))
    return int(bool(came.wrong) or max(came.back_s) > BACK_S_MAX)


def figures(came: Campaign) -> str:
    """What it came to, in a few lines."""
    deaths = ", ".join(f"{n} {phase or 'starting'}" for phase, n in Counter(came.deaths).items())
    back, acquiring = sorted(came.back_s), sorted(came.acquiring_s)
    return "\n".join(
        [
            *came.wrong,
            f"{len(came.deaths)} kills ({deaths}); {came.frames} frames, {len(came.wrong)} wrong",
            f"back after {statistics.median(back):.1f} s in the median, {back[-1]:.1f} s at most,"
            f" and acquiring for {statistics.median(acquiring):.1f} s, {acquiring[-1]:.1f} s"
            " at most",
        ]
    )


if __name__ == "__main__":
    sys.exit(main())
