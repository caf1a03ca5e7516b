"""Seeded nights of broken cloud: what was kept under it, what was lost without need, how long it
takes to go on, and how much of the usable sky was used. The simulated sky is the judge.

Run: python tests/benchmarks/broken_cloud.py [--nights 20] [--first 1] [--hours 2] [--workers 1]
"""

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from rich.console import Console

from clouds.broken import Outcome, Shot, play


def played(seed: int, hours: float) -> Outcome:
    """One night, whose files are thrown away."""
    with tempfile.TemporaryDirectory() as folder:
        return play(Path(folder), seed, hours)


def night_line(one: Outcome) -> str:
    share = one.usable_s / one.possible_s if one.possible_s else 1.0
    waits = " ".join(f"{wait:.0f}" for wait in one.waits_s)
    return (
        f"{one.seed:5d}  subs {len(one.shots):3d}  under cloud {len(one.clouded):3d},"
        f" kept {len(one.missed):2d}  clear {len(one.clear):3d}, lost {len(one.wronged):2d}"
        f"  used {share:5.1%} of {one.possible_s:5.0f} s  waits {waits}"
    )


def shot_line(what: str, shot: Shot) -> str:
    return (
        f"{what}: {shot.fate} after {shot.open_s:.0f} s, mean {shot.mean_mag:.2f} mag,"
        f" most {shot.most_mag:.2f} mag ({shot.reason})"
    )


def wrong_lines(one: Outcome) -> list[str]:
    """What was judged wrongly, and what the observer found."""
    shots = [shot_line("kept", shot) for shot in one.missed]
    shots += [shot_line("lost", shot) for shot in one.wronged]
    return [f"       {line}\n" for line in (*shots, *one.violations)]


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    clouded = sum(len(one.clouded) for one in outcomes)
    missed = sum(len(one.missed) for one in outcomes)
    clear = sum(len(one.clear) for one in outcomes)
    wronged = sum(len(one.wronged) for one in outcomes)
    waits = [wait for one in outcomes for wait in one.waits_s]
    others = [wait for one in outcomes for wait in one.unguided_waits_s]
    usable, possible = (
        sum(getattr(one, name) for one in outcomes) for name in ("usable_s", "possible_s")
    )
    return [
        f"{len(outcomes)} nights, {sum(len(one.violations) for one in outcomes)} findings",
        f"under cloud {clouded}: {1 - missed / max(clouded, 1):.2%} rejected or cut",
        f"clear {clear}: {wronged / max(clear, 1):.2%} rejected or cut",
        f"waits {len(waits)}: median {np.median(waits or [0]):.0f} s,"
        f" 95 % {np.quantile(waits or [0], 0.95):.0f} s, longest {max(waits or [0]):.0f} s",
        f"waits not guided throughout {len(others)}: median {np.median(others or [0]):.0f} s",
        f"usable seconds {usable:.0f} of {possible:.0f}: {usable / max(possible, 1.0):.1%}",
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="seed of the first night")
    parser.add_argument("--hours", type=float, default=2.0, help="dark hours of a night")
    parser.add_argument("--workers", type=int, default=1)
    said = parser.parse_args()
    seeds = range(said.first, said.first + said.nights)
    console = Console(highlight=False, soft_wrap=True)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(said.workers) as pool:
        for one in pool.map(played, seeds, [said.hours] * said.nights):
            outcomes.append(one)
            console.print(night_line(one))
            console.print(*wrong_lines(one), sep="", end="")
    console.print(*summary(outcomes), sep="\n")
    return 1 if any(one.violations for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
