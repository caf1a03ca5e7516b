"""The search for the best plan: dynamic programming over the steps of the night.

A state is the target that the telescope is on and what is left in each *purse*: the open seconds
that a group lacks, or that a target may take tonight. Of two ways into one state the better is
kept. Without purses there are as many states as targets, and the search is exact. With them there
may be more states than are kept (`KEPT`): then those of the greatest promise are, the unlike
first, and the promise of the best one that was dropped bounds what was missed.

The promise of a state is its worth so far and an upper bound of what may follow: the best way
through the rest of the night if seconds could be bought beyond each purse at a price (Lagrange's
relaxation), and what its purses would fetch at that price. Any prices give a bound; good ones, for
which the purses just come out, give a close one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nightloom.schedule.candidate import Candidate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KEPT = 100
"""States kept after a step. Three times as many hardly made a plan better on random nights."""

PRICINGS = 12
"""Rounds in which prices are sought; each costs as much as a night without purses."""

ALIKE_S = 1800.0
"""States on one target whose purses are within this are alike: the best of them go first."""

IDLE = -1

_SPREAD = 0x9E3779B97F4A7C15
"""An odd number of 64 bits (2⁶⁴ over the golden ratio, rounded): its powers tell purses apart."""


class Found(NamedTuple):
    """The best choices, a candidate's number or IDLE for each step, their worth and its bound."""

    choices: list[int]
    open_s: list[float]
    objective: float
    bound: float


@dataclass(frozen=True, eq=False)
class Night:
    """Candidates as arrays: (steps, candidates), (candidates,) or (candidates, purses).

    A step in which the telescope stays on its target gives `stay_s` open seconds, one in which it
    moves there `move_s`, each worth `rate`. `targets` numbers the candidates' targets. All
    are finite.
    """

    usable: NDArray[np.bool_]
    stay_s: Floats
    move_s: Floats
    rate: Floats
    targets: Ints
    start: int
    purses_s: Floats
    draws: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        candidates: Sequence[Candidate],
        edges_unix_s: Floats,
        move_cost_s: float,
        start_target: str | None,
    ) -> "Night":
        """The arrays of a night, from the edges of its steps, (steps + 1,) in Unix time."""
        usable_s = np.array([one.usable_s(edges_unix_s) for one in candidates]).T
        open_fraction = np.array([one.open_fraction for one in candidates])
        names = list(dict.fromkeys(one.target for one in candidates))
        targets = np.array([names.index(one.target) for one in candidates])
        stay_s = usable_s * open_fraction
        purses_s, draws = _purses(candidates, targets, stay_s)
        return cls(
            usable=usable_s > 0,
            stay_s=stay_s,
            move_s=np.clip(usable_s - move_cost_s, 0.0, None) * open_fraction,
            rate=np.array([one.weight * one.quality for one in candidates]).T,
            targets=targets,
            start=names.index(start_target) if start_target in names else IDLE,
            purses_s=purses_s,
            draws=draws,
        )


def search(night: Night) -> Found:
    """The best plan of a night, or one close to it."""
    prices = _prices(night)
    promise, _ = _promises(night, prices)
    value, on = np.zeros(1), np.array([night.start])
    left_s = night.purses_s[None, :]
    trail: list[tuple[Ints, Ints, Floats]] = []
    dropped = -inf
    for step in range(len(night.rate)):
        came, choice, open_s, value, on, left_s = _expand(night, step, value, on, left_s)
        kept = _merged(value, on, left_s)
        promised = (value + left_s @ prices + promise[step + 1][on])[kept]
        order = np.argsort(-promised, kind="stable")
        if len(order) > KEPT:
            order = _varied(order, on[kept], left_s[kept])
            dropped = max(dropped, float(promised[order[KEPT:]].max()))
        kept = kept[order[:KEPT]]
        trail.append((came[kept], choice[kept], open_s[kept]))
        value, on, left_s = value[kept], on[kept], left_s[kept]
    best = int(np.argmax(value))
    objective = float(value[best])
    return Found(*_traced(trail, best), objective, max(objective, dropped))


def _expand(
    night: Night, step: int, value: Floats, on: Ints, left_s: Floats
) -> tuple[Ints, Ints, Floats, Floats, Ints, Floats]:
    """All states after a step: every state with every candidate, or with none if none may run.

    States before come as (states,), their purses as (states, purses); where each state after came
    from, its choice, open seconds, worth, target and purses go out in the same way.
    """
    stays = on[:, None] == night.targets
    open_s = np.where(stays, night.stay_s[step], night.move_s[step])
    room_s = np.where(night.draws, left_s[:, None, :], inf).min(axis=2, initial=inf)
    open_s = np.minimum(open_s, room_s)
    may = night.usable[step] & (room_s > 0)
    came, choice = np.nonzero(may)
    open_s = open_s[came, choice]
    gained = value[came] + open_s * night.rate[step][choice]
    spent_s = left_s[came] - open_s[:, None] * night.draws[choice]
    idle = np.nonzero(~may.any(axis=1))[0]
    return (
        np.concatenate([came, idle]),
        np.concatenate([choice, np.full(len(idle), IDLE)]),
        np.concatenate([open_s, np.zeros(len(idle))]),
        np.concatenate([gained, value[idle]]),
        np.concatenate([night.targets[choice], np.full(len(idle), IDLE)]),
        np.concatenate([spent_s, left_s[idle]]),
    )


def _merged(value: Floats, on: Ints, left_s: Floats) -> Ints:
    """Which state is the best of each set that are equal, purses, (states, purses), to a second."""
    mixed = _numbered(on, left_s)
    order = np.lexsort([-value, mixed])
    return np.asarray(order[np.append(True, np.diff(mixed[order]) != 0)])


def _varied(order: Ints, on: Ints, left_s: Floats) -> Ints:
    """An order, (n,), as long as the one given, in which the first of all that are alike come
    first.

    `on` is (states,), `left_s` (states, purses).
    """
    _, firsts = np.unique(_numbered(on, left_s / ALIKE_S)[order], return_index=True)
    first = np.zeros(len(order), dtype=bool)
    first[firsts] = True
    return np.concatenate([order[first], order[~first]])


def _numbered(on: Ints, left: Floats) -> NDArray[np.uint64]:
    """One number for each state, equal where the target and all purses, rounded, are.

    `on` is (states,), as the numbers are; `left` is (states, purses), finite and not negative.
    """
    powers = np.array([pow(_SPREAD, n + 1, 2**64) for n in range(left.shape[1])], np.uint64)
    return np.asarray(on.astype(np.uint64) + np.rint(left).astype(np.uint64) @ powers)


def _traced(trail: list[tuple[Ints, Ints, Floats]], state: int) -> tuple[list[int], list[float]]:
    """Choices and open seconds, one for each step, on the way into a state; a step of the trail has
    three arrays, (states,).
    """
    choices, open_s = [], []
    for came, choice, seconds in reversed(trail):
        choices.append(int(choice[state]))
        open_s.append(float(seconds[state]))
        state = came[state]
    return choices[::-1], open_s[::-1]


def _promises(night: Night, prices: Floats) -> tuple[Floats, Ints]:
    """What may follow each step on each target (the last column: on none), seconds bought freely.

    Also the choice that leads there: (steps + 1, targets + 1) and (steps, targets + 1). Prices are
    (purses,).
    """
    rate = np.clip(night.rate - night.draws @ prices, 0.0, None)
    stay = np.where(night.usable, rate * night.stay_s, -inf)
    move = np.where(night.usable, rate * night.move_s, -inf)
    size = int(night.targets.max()) + 2
    promise = np.zeros((len(rate) + 1, size))
    choice = np.full((len(rate), size), IDLE)
    for step in range(len(rate) - 1, -1, -1):
        after = promise[step + 1][night.targets]
        promise[step] = promise[step + 1][IDLE]
        moved = int(np.argmax(move[step] + after))
        if move[step][moved] + after[moved] > promise[step][IDLE]:
            promise[step], choice[step] = move[step][moved] + after[moved], moved
        stayed = stay[step] + after
        for one in np.nonzero(stayed > promise[step][night.targets])[0]:
            target = night.targets[one]
            if stayed[one] > promise[step][target]:
                promise[step][target], choice[step][target] = stayed[one], one
    return promise, choice


def _prices(night: Night) -> Floats:
    """Prices, (purses,), at which all about comes out: raised while overdrawn, else lowered."""
    prices = np.zeros(len(night.purses_s))
    if not len(prices):
        return prices
    change = np.full(len(prices), night.rate.max(initial=0.0) / 4)
    best, least = prices, inf
    before = np.ones(len(prices))
    for _ in range(PRICINGS):
        promise, choice = _promises(night, prices)
        bound = promise[0][night.start] + prices @ night.purses_s
        if bound < least:
            best, least = prices, bound
        direction = np.sign(_drawn_s(night, choice) - night.purses_s)
        change = np.where(direction == before, change, change / 2)
        before = direction
        prices = np.clip(prices + direction * change, 0.0, None)
    return best


def _drawn_s(night: Night, choice: Ints) -> Floats:
    """What a way through the night, (steps, targets + 1), takes out of each purse, (purses,)."""
    drawn_s, on = np.zeros(len(night.purses_s)), night.start
    for step, choices in enumerate(choice):
        one = choices[on]
        if one == IDLE:
            on = IDLE
            continue
        stays = night.targets[one] == on
        drawn_s += (night.stay_s if stays else night.move_s)[step][one] * night.draws[one]
        on = night.targets[one]
    return drawn_s


def _purses(
    candidates: Sequence[Candidate], targets: Ints, stay_s: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Purses that the night could empty, (purses,), and who draws on each, (candidates, purses)."""
    groups = np.arange(len(candidates))
    asked = [(one.wanted_s, groups == number) for number, one in enumerate(candidates)]
    asked += [
        (candidates[int(np.argmax(targets == target))].target_s, targets == target)
        for target in range(int(targets.max()) + 1)
    ]
    binding = [
        (seconds, draws)
        for seconds, draws in asked
        if seconds < stay_s[:, draws].max(axis=1, initial=0.0).sum()
    ]
    purses_s = np.array([max(0.0, seconds) for seconds, _ in binding])
    return purses_s, np.array([draws for _, draws in binding], dtype=bool).reshape(
        len(binding), len(candidates)
    ).T
