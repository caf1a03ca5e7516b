"""What a change of filter moves, and what is moved though the filter stays."""

import asyncio
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from night.nights import demo
from nightloom.night.gap import change_filter
from nightloom_drivers.virtual_loop import run_virtual

WHEEL_S, FOCUSER_S = 3.0, 2.0


@dataclass
class Bench:
    """A wheel and a focusing that take their time, and what they were asked for."""

    slot: int
    in_place: bool
    did: list[str] = field(default_factory=list)
    took_s: float = 0.0

    def change(self, wanted: str) -> "Bench":
        """Change to a filter."""

        async def select(slot: int) -> None:
            self.did.append(f"slot {slot}")
            await asyncio.sleep(WHEEL_S)

        async def follow(name: str) -> None:
            self.did.append(f"focus {name}")
            await asyncio.sleep(FOCUSER_S)

        async def work() -> None:
            loop = asyncio.get_running_loop()
            context: Any = SimpleNamespace(
                settings=demo()[0],
                without=lambda _: False,
                target_run=SimpleNamespace(turned_to=lambda _: None),
                clock=SimpleNamespace(unix_s=loop.time),
                log=SimpleNamespace(emit=lambda _: None),
                rig=SimpleNamespace(
                    wheel=SimpleNamespace(slot=self.slot, select=select),
                    focuser=SimpleNamespace(position_steps=0),
                ),
                focusing=SimpleNamespace(
                    in_place=lambda _: self.in_place, follow=follow, seen_steps=0
                ),
            )
            await change_filter(context, wanted)
            self.took_s = loop.time()

        run_virtual(work())
        return self


def test_nothing_moves_where_filter_and_focus_are_right() -> None:
    assert Bench(slot=1, in_place=True).change("L").did == []


def test_the_focuser_follows_the_temperature_though_the_filter_stays() -> None:
    """It is out of place once the predicted shift passes a quarter of the critical focus zone."""
    assert Bench(slot=1, in_place=False).change("L").did == ["focus L"]


def test_wheel_and_focuser_move_at_the_same_time() -> None:
    done = Bench(slot=1, in_place=False).change("R")
    assert sorted(done.did) == ["focus R", "slot 2"]
    assert done.took_s == max(WHEEL_S, FOCUSER_S)


def test_the_focuser_goes_to_the_offset_though_it_is_small() -> None:
    """A filter that is within a quarter of the zone still gets its own position on a change."""
    assert "focus R" in Bench(slot=1, in_place=True).change("R").did
