"""`nightloom weave`: the order and the dithers of a cycle, what it costs, and plain ways."""

import argparse
import json
import re
from dataclasses import asdict, dataclass

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.cli.answers import DONE
from nightloom.cli.configuration import add_config, settings_of
from nightloom.cycle import (
    CHANGE_S,
    DITHER_S,
    DOWNLOAD_S,
    Cycle,
    GapCosts,
    PlainOrder,
    Share,
    Weave,
    plain_orders,
    weave,
)
from nightloom.errors import BadInput
from nightloom.ledger import Key, Running

_FILTER = re.compile(r"(?P<name>[^:\s]+):(?P<count>\d{1,3})x(?P<seconds>\d+(\.\d+)?)", re.ASCII)

SUBS_MAX = 400
"""Longer cycles take longer than a person waits."""


@dataclass(frozen=True)
class _Asked:
    """What is to be woven, with which costs, and the figures that were measured of them."""

    cycle: Cycle
    costs: GapCosts
    measured: dict[Key, Running]
    hours: float | None = None
    """How long such cycles go on: as told, or tonight's dark; None where neither is known."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "filters",
        nargs="*",
        metavar="NAME:COUNTxSECONDS",
        help="subs of a filter in one cycle and their length, such as L:3x120",
    )
    parser.add_argument("--target", metavar="NAME", help="a target of the configuration instead")
    parser.add_argument(
        "--group", metavar="NAME", help="which of its groups of filters (default: the first)"
    )
    parser.add_argument(
        "--room", type=int, metavar="SUBS", help="subs of each filter at one pointing (default: 1)"
    )
    add_config(parser)
    for name, of in (
        ("download", "a download"),
        ("change", "a filter change"),
        ("dither", "a dither with its settling"),
    ):
        parser.add_argument(
            f"--{name}", type=float, metavar="S", help=f"seconds that {of} takes, for all filters"
        )
    parser.add_argument(
        "--hours",
        type=float,
        metavar="H",
        help="say what gaps take of so many hours (default, with --target: tonight's dark ones)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Weave a cycle and print it."""
    asked = _asked(arguments)
    woven = weave(asked.cycle.counts, asked.costs, asked.cycle.room)
    plain = plain_orders(asked.cycle.counts, asked.costs)
    if arguments.json:
        print(json.dumps(_as_json(asked, woven, plain)))
    else:
        _print(asked, woven, plain)
    return DONE


def _asked(arguments: argparse.Namespace) -> _Asked:
    """What the command line asks for. Raises BadInput."""
    if arguments.hours is not None and not 0 < arguments.hours <= 24:
        raise BadInput(f"--hours {arguments.hours:g} must be above 0 and up to 24.")
    if bool(arguments.filters) == bool(arguments.target):
        raise BadInput("Name filters such as L:3x120 R:1x120, or a --target of the configuration.")
    if arguments.target:
        if arguments.room is not None:
            raise BadInput("--room goes with filters that are named only; a target has its own.")
        return _of_target(arguments)
    if arguments.group or arguments.config:
        raise BadInput("--group and --config go with --target only.")
    costs = GapCosts(DOWNLOAD_S, CHANGE_S, DITHER_S)
    room = 1 if arguments.room is None else arguments.room
    if room < 1:
        raise BadInput(f"--room {room} must be at least 1.")
    cycle = _cycle([_share(word, room) for word in arguments.filters])
    return _Asked(cycle, _told(costs, arguments), {}, arguments.hours)


def _of_target(arguments: argparse.Namespace) -> _Asked:
    # Imported here because a cycle that is written out needs none of it, and comes at once.
    from nightloom.cli.weave_target import cycle_and_costs, dark_tonight_h, group_of

    settings = settings_of(arguments)
    target, group = group_of(settings, arguments.target, arguments.group)
    cycle, costs, measured = cycle_and_costs(settings, target, group)
    hours = dark_tonight_h(settings, group) if arguments.hours is None else arguments.hours
    return _Asked(_short(cycle), _told(costs, arguments), measured, hours)


def _share(word: str, room: int) -> Share:
    """One filter's share from its word, with the room of a pointing. Raises BadInput."""
    found = _FILTER.fullmatch(word)
    count, seconds = (int(found["count"]), float(found["seconds"])) if found else (0, 0.0)
    if found is None or count < 1 or seconds <= 0:
        raise BadInput(
            f'"{word}" is no filter with its subs; write NAME:COUNTxSECONDS such as L:3x120.'
        )
    return Share(found["name"], count, seconds, room)


def _cycle(shares: list[Share]) -> Cycle:
    names = [share.filter for share in shares]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise BadInput(f'"{twice}" is named twice; name each filter once.')
    return _short(Cycle(tuple(shares)))


def _short(cycle: Cycle) -> Cycle:
    """The cycle, if it can be woven while a person waits. Raises BadInput."""
    subs = sum(cycle.counts.values())
    if subs > SUBS_MAX:
        raise BadInput(f"A cycle of {subs} subs is too long; up to {SUBS_MAX} can be woven.")
    return cycle


def _told(costs: GapCosts, arguments: argparse.Namespace) -> GapCosts:
    """The costs, with what the command line says of them. Raises BadInput."""
    for name in ("download", "change", "dither"):
        told_s = getattr(arguments, name)
        if told_s is not None and not 0 <= told_s <= 3600:
            raise BadInput(f"--{name} {told_s:g} must be from 0 to 3600 seconds.")
    return GapCosts(
        costs.download_s if arguments.download is None else arguments.download,
        costs.change_s if arguments.change is None else arguments.change,
        costs.dither_s if arguments.dither is None else arguments.dither,
    )


def _as_json(asked: _Asked, woven: Weave, plain: tuple[PlainOrder, ...]) -> dict[str, object]:
    return {
        "order": woven.order,
        "dither_after": woven.dither_after,
        "dithers": woven.dithers,
        "cycles_at_once": woven.cycles_at_once,
        "changes": woven.changes,
        "cost_s": round(woven.cost_s, 6),
        "lower_bound_s": round(woven.lower_bound_s, 6),
        "exact": woven.exact,
        "exposure_s": asked.cycle.exposure_s,
        "lost_s_per_hour": round(_per_hour(asked, woven.cost_s), 3),
        "hours": asked.hours,
        "lost_s": _lost_s(asked, woven.cost_s),
        "plain": [
            {
                "description": one.description,
                "order": one.order,
                "dithers": len(one.order),
                "changes": one.changes,
                "cost_s": round(one.cost_s, 6),
                "lost_s_per_hour": round(_per_hour(asked, one.cost_s), 3),
                "lost_s": _lost_s(asked, one.cost_s),
            }
            for one in plain
        ],
        "costs": _costs_as_json(asked),
    }


def _costs_as_json(asked: _Asked) -> dict[str, object]:
    return {
        "download_s": asked.costs.download_s,
        "change_s": {
            f"{before} {after}": asked.costs.changing_s(before, after)
            for before, after in _pairs(asked)
        },
        "dither_s": asked.costs.dither_s,
        "measured": [
            {"what": key[0].value, "before": key[1], "after": key[2], **asdict(one)}
            for key, one in _shown(asked).items()
        ],
    }


def _print(asked: _Asked, woven: Weave, plain: tuple[PlainOrder, ...]) -> None:
    console = Console(highlight=False)
    several = f", after each {woven.cycles_at_once} cycles" if woven.cycles_at_once > 1 else ""
    console.print(" ".join(_marked(woven)), f"  (· is a dither{several})", sep="")
    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("seconds lost", overflow="fold")
    for heading in ("dithers", "changes", "s/cycle", "s/hour"):
        table.add_column(heading, justify="right", overflow="fold")
    rows: list[tuple[str, float, int, float]] = [
        ("woven", woven.dithers, woven.changes, woven.cost_s),
        *((one.description, len(one.order), one.changes, one.cost_s) for one in plain),
    ]
    for name, dithers, changes, cost_s in rows:
        lost_s = _per_hour(asked, cost_s)
        table.add_row(name, f"{dithers:.3g}", str(changes), f"{cost_s:.1f}", f"{lost_s:.0f}")
    console.print(table)
    console.print(_judgement(woven), soft_wrap=True)
    if asked.hours is not None:
        console.print(_of_the_night(asked, woven, plain), soft_wrap=True)
    _print_measured(asked, console)


def _print_measured(asked: _Asked, console: Console) -> None:
    """Which costs were measured, where the ledger knows of any."""
    for (part, before, after), one in _shown(asked).items():
        pair = f" {before} to {after}" if before else ""
        used = "" if one.enough else ", too few to count"
        console.print(
            f"measured {part.value}{pair}: {one.median_s:.1f} s ± {one.spread_s:.1f} s"
            f" ({one.count} times{used})",
            soft_wrap=True,
        )


def _judgement(woven: Weave) -> str:
    """How good it is known to be."""
    bound = f"The lower bound is {woven.lower_bound_s:.1f} s a cycle"
    if woven.exact:
        return f"{bound}; no order costs less than the woven one, or as little and is more even."
    above = woven.cost_s / woven.lower_bound_s - 1 if woven.lower_bound_s else 0.0
    return f"{bound}; the woven order is {above:.1%} above it, and may not be the most even."


def _marked(woven: Weave) -> list[str]:
    marks = ("", " ·")
    return [
        f"{name}{marks[dithers]}"
        for name, dithers in zip(woven.order, woven.dither_after, strict=True)
    ]


def _shown(asked: _Asked) -> dict[Key, Running]:
    """The measured figures that concern this cycle."""
    known = {("", ""), *_pairs(asked)}
    return {key: one for key, one in sorted(asked.measured.items()) if key[1:] in known}


def _pairs(asked: _Asked) -> list[tuple[str, str]]:
    names = list(asked.cycle.counts)
    return [(one, other) for one in names for other in names if one != other]


def _per_hour(asked: _Asked, cost_s: float) -> float:
    """Seconds lost in an hour of such cycles."""
    return 3600.0 * cost_s / (asked.cycle.exposure_s + cost_s)


def _lost_s(asked: _Asked, cost_s: float) -> float | None:
    """Seconds that gaps take of the hours; None where these are not known."""
    return None if asked.hours is None else round(asked.hours * _per_hour(asked, cost_s), 3)


def _of_the_night(asked: _Asked, woven: Weave, plain: tuple[PlainOrder, ...]) -> str:
    """What gaps take of the hours, woven and not."""
    costs_s = [woven.cost_s, *(one.cost_s for one in plain)]
    minutes = [(_lost_s(asked, cost_s) or 0.0) / 60.0 for cost_s in costs_s]
    others = " or ".join(dict.fromkeys(f"{one:.1f}" for one in minutes[1:]))
    return f"Gaps take {minutes[0]:.1f} min of {asked.hours:.1f} h; in plain orders {others} min."
