"""Seeded nights of broken cloud: what was kept under it, what was lost without need, how long it
takes to go on, how much of the usable sky was used, and where the rest of it went. The simulated
sky is the judge.

Run: python tests/benchmarks/broken_cloud.py [--nights 20] [--first 1] [--hours 2] [--workers 1]
"""

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from rich.console import Console

from clouds.account import together
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


@dataclass(frozen=True)
class Figures:
    """What several nights came to together."""

    clouded: int
    rejected: float
    clear: int
    lost: float
    waits_s: list[float]
    unguided_waits_s: list[float]
    usable_s: float
    possible_s: float

    @classmethod
    def of(cls, outcomes: Sequence[Outcome]) -> "Figures":
        clouded = sum(len(one.clouded) for one in outcomes)
        clear = sum(len(one.clear) for one in outcomes)
        return cls(
            clouded,
            1.0 - sum(len(one.missed) for one in outcomes) / max(clouded, 1),
            clear,
            sum(len(one.wronged) for one in outcomes) / max(clear, 1),
            [wait for one in outcomes for wait in one.waits_s] or [0.0],
            [wait for one in outcomes for wait in one.unguided_waits_s] or [0.0],
            sum(one.usable_s for one in outcomes),
            sum(one.possible_s for one in outcomes),
        )

    @property
    def used(self) -> float:
        return self.usable_s / max(self.possible_s, 1.0)


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    all_ = Figures.of(outcomes)
    waits_s, others_s = all_.waits_s, all_.unguided_waits_s
    return [
        f"{len(outcomes)} nights, {sum(len(one.violations) for one in outcomes)} findings",
        f"under cloud {all_.clouded}: {all_.rejected:.2%} rejected or cut",
        f"clear {all_.clear}: {all_.lost:.2%} rejected or cut",
        f"waits {len(waits_s)}: median {np.median(waits_s):.0f} s,"
        f" 95 % {np.quantile(waits_s, 0.95):.0f} s, longest {max(waits_s):.0f} s",
        f"waits not guided throughout {len(others_s)}: median {np.median(others_s):.0f} s,"
        f" longest {max(others_s):.0f} s",
        f"usable seconds {all_.usable_s:.0f} of {all_.possible_s:.0f}: {all_.used:.1%}",
    ]


def account(outcomes: Sequence[Outcome]) -> list[str]:
    """Where the usable seconds went that were not used, the largest loss first."""
    possible_s = max(sum(one.possible_s for one in outcomes), 1.0)
    lost = together([one.lost_s for one in outcomes])
    focus_s = sum(one.unfocused_s - one.possible_s for one in outcomes)
    return [
        *(f"{lost_s:7.0f} s {lost_s / possible_s:6.2%}  {cause}" for cause, lost_s in lost.items()),
        f"not counted as possible: {focus_s:.0f} s by looks at the focus",
    ]


def misses(outcomes: Sequence[Outcome]) -> list[str]:
    """What is promised and was not kept."""
    whole = Figures.of(outcomes)
    kept = {
        "98 % of the subs under cloud rejected or cut": whole.rejected >= 0.98,
        "less than 0.5 % of the clear subs lost": whole.lost < 0.005,
        "the next sub within 60 s in the median, 90 s at the longest": np.median(whole.waits_s)
        <= 60
        and max(whole.waits_s) <= 90,
        "95 % of the usable seconds": whole.used >= 0.95,
    }
    return [f"not kept: {promise}" for promise, is_kept in kept.items() if not is_kept]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="seed of the first night")
    parser.add_argument("--hours", type=float, default=2.0, help="dark hours of a night")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--limits", action="store_true", help="fail on a missed promise")
    said = parser.parse_args()
    seeds = range(said.first, said.first + said.nights)
    console = Console(highlight=False, soft_wrap=True)
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(said.workers) as pool:
        for one in pool.map(played, seeds, [said.hours] * said.nights):
            outcomes.append(one)
            console.print(night_line(one))
            console.print(*wrong_lines(one), sep="", end="")
    console.print(*summary(outcomes), *account(outcomes), sep="\n")
    missed = misses(outcomes) if said.limits else []
    console.print(*missed, sep="\n", end="\n" if missed else "")
    return 1 if missed or any(one.violations for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
