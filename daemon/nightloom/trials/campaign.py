"""Many trials, in processes side by side. What they come to does not hang on how many these are."""

import hashlib
import json
import multiprocessing
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

from nightloom.trials.outcome import Outcome
from nightloom.trials.playing import play_trial
from nightloom_drivers.sent import Sent

NIGHTS_A_PROCESS = 50
"""What was killed in a night is never let go of as long as its process lasts."""


@dataclass(frozen=True)
class Campaign:
    """The nights of so many seeds from the first one on."""

    nights: int
    first: int
    jobs: int
    sent: Sent

    @property
    def seeds(self) -> range:
        """All of its seeds."""
        return range(self.first, self.first + self.nights)


def played_nights(campaign: Campaign) -> Iterator[Outcome]:
    """The outcome of each seed, in their order."""
    one_night = partial(play_trial, sent=campaign.sent)
    spawn = multiprocessing.get_context("spawn")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices, and every core has a night
    with ProcessPoolExecutor(
        campaign.jobs, mp_context=spawn, max_tasks_per_child=NIGHTS_A_PROCESS
    ) as pool:
        yield from pool.map(one_night, campaign.seeds)


def digest(outcomes: Iterable[Outcome]) -> str:
    """One hash over what all nights came to, in hex."""
    told = [one.told for one in sorted(outcomes, key=lambda one: one.seed)]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()
