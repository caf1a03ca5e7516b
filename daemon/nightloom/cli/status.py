"""`nightloom status`: what the daemon is doing, why, and what comes next."""

import argparse
from collections.abc import Iterator
from datetime import datetime

from rich import box
from rich.console import Console
from rich.table import Table

from nightloom.cli.answers import DONE
from nightloom.cli.asking import add_asking, asked, show
from nightloom.requests import Ask, Told
from nightloom.status import Status

add_arguments = add_asking

PROBLEMS_SHOWN = 5
"""All that are kept are in --json."""


def run(arguments: argparse.Namespace) -> int:
    """Print what the running daemon does. Raises BadInput."""
    answer = asked(arguments, Ask())
    if not isinstance(answer, Told):
        return show(arguments, answer)
    if arguments.json:
        print(answer.status.model_dump_json())
        return DONE
    table = Table(box=box.SIMPLE_HEAD, show_header=False)
    table.add_column(style="bold", overflow="fold")
    table.add_column(overflow="fold")
    for row in _rows(answer.status):
        table.add_row(*row)
    Console(highlight=False).print(table)
    return DONE


def _rows(told: Status) -> Iterator[tuple[str, str]]:
    since = "" if told.since_utc is None else f" since {_clock(told.since_utc)}"
    yield told.observatory, f"{told.phase}{since}: {told.reason}" if told.reason else told.phase
    if told.paused_by:
        yield "paused by", told.paused_by
    if told.target:
        yield "target", told.target
    if told.exposing is not None:
        sub = told.exposing
        yield "exposing", f"{sub.filter}, {sub.open_s:.0f} s of {sub.exposure_s:g} s"
    if told.next is not None:
        at = "" if told.next.at_utc is None else f" at {_clock(told.next.at_utc)}"
        yield "next", f"{told.next.what}{at}"
    yield from _sky(told)
    for one in told.tally:
        got = ", ".join(
            f"{row.filter} {_hours(row.accepted_s, row.wanted_s)}" for row in one.filters
        )
        yield one.target, got
    if told.last_frame is not None:
        frame = told.last_frame
        verdict = "accepted" if frame.accepted else f"rejected: {frame.reason}"
        yield "last frame", f"{frame.uid} {frame.filter} {verdict}"
    for problem in told.problems[-PROBLEMS_SHOWN:]:
        yield _clock(problem.utc), problem.text


def _sky(told: Status) -> Iterator[tuple[str, str]]:
    """Stars, focus and safety."""
    frame, guiding, focus, safety = told.last_frame, told.guiding, told.focus, told.safety
    if frame is not None and frame.half_flux_radius_px is not None:
        arcsec = frame.half_flux_radius_arcsec
        size = "" if arcsec is None else f", {arcsec:.2f}″"
        yield "half-flux radius", f"{frame.half_flux_radius_px:.2f} px{size}"
    if guiding is not None and guiding.rms_arcsec is not None:
        yield "guide error", f"{guiding.rms_arcsec:.2f}″ root mean square"
    if told.transparency is not None:
        yield "transparency", f"{told.transparency:.0%}"
    if focus is not None and focus.position_steps is not None:
        looked = "" if focus.looked_utc is None else f", looked at {_clock(focus.looked_utc)}"
        yield "focus", f"{focus.position_steps} steps{looked}"
    if safety is not None:
        weather = "; ".join(safety.weather) or "safe"
        yield "safety", f"weather {weather}; roof {safety.roof}; mount {safety.mount}"


def _clock(utc: datetime) -> str:
    return f"{utc:%H:%M:%S} UTC"


def _hours(seconds: float, wanted_s: float | None) -> str:
    wanted = "" if wanted_s is None else f" of {wanted_s / 3600:.1f}"
    return f"{seconds / 3600:.1f}{wanted} h"
