"""Persons who ask something of a night at moments of chance."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightloom.night.context import Context
from nightloom.requests import Change, Pause, Resume, Retire, Skip
from nightloom.sky import Interval

WHO = "a person by chance"


@dataclass(frozen=True)
class Asking:
    """A request and its moment, in Unix seconds."""

    change: Change
    at_s: float

    @property
    def kind(self) -> str:
        """Its kind as a kind of trouble."""
        return f"person-{self.change.request}"


def asked(
    chance: np.random.Generator, span: Interval, targets: Sequence[str]
) -> tuple[Asking, ...]:
    """Nothing at all in most nights; else a pause and its end, a skip, or the end of the night."""

    def moment(part: float = 0.0) -> float:
        return span.start_unix_s + span.duration_s * float(chance.uniform(part, 1.0))

    asking: list[Asking] = []
    if chance.random() < 0.15:
        at_s = moment()
        lasts_s = float(np.exp(chance.uniform(np.log(2.0), np.log(3600.0))))
        asking += [Asking(Pause(), at_s), Asking(Resume(), at_s + lasts_s)]
    if chance.random() < 0.1:
        name = str(chance.choice([*targets, ""]))
        asking.append(Asking(Skip(target=name or None), moment()))
    if chance.random() < 0.1:
        asking.append(Asking(Retire(now=bool(chance.random() < 0.5)), moment(0.5)))
    return tuple(sorted(asking, key=lambda one: one.at_s))


async def ask_all(asking: Sequence[Asking], context: Context) -> None:
    """Ask what is still to be asked, each at its moment; who is refused lets it be."""
    begun_s = context.clock.unix_s()
    for one in asking:
        if one.at_s >= begun_s:
            await asyncio.sleep(one.at_s - context.clock.unix_s())
            context.desk.take(one.change, WHO)
