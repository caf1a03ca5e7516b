"""Runs: subs of one filter, one after another, at one pointing.

A pointing takes so many subs of each filter, its *room*; one, where none is given. A filter that
has more of them in a cycle comes in several runs, each but the last as long as there is room, and
between two of them there is a dither. Where a pointing has room for whole cycles, several share it.
"""

from collections.abc import Mapping

ONE_EACH: Mapping[str, int] = {}
"""The room of a pointing that takes one sub of each filter."""


def runs(counts: Mapping[str, int], room: Mapping[str, int]) -> dict[str, list[int]]:
    """The lengths of each filter's runs in a cycle of `counts` subs."""
    return {name: _lengths(count, room.get(name, 1)) for name, count in counts.items()}


def cycles_at_once(counts: Mapping[str, int], room: Mapping[str, int]) -> int:
    """Whole cycles that share a pointing; 1 where not even two do."""
    return max(1, min(room.get(name, 1) // count for name, count in counts.items()))


def _lengths(count: int, room: int) -> list[int]:
    whole, rest = divmod(count, room)
    return [room] * whole + [rest] * (rest > 0)
