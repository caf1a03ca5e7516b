"""What a person sees while a rehearsed night goes by: its clock, its phase, its subs."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime

from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from nightloom.night.summary import NightSummary
from nightloom.telemetry import Event, Listener

Listeners = Callable[[NightSummary], Sequence[Listener]]


@contextmanager
def progress(starts_s: float, ends_s: float, console: Console) -> Iterator[Listeners]:
    """Give what draws a night's progress from its events: nothing at all in a pipe."""
    if not console.is_terminal:
        yield lambda _: ()
        return
    with Live(console=console, refresh_per_second=8, transient=True) as live:

        def listeners(summary: NightSummary) -> Sequence[Listener]:
            def draw(utc: datetime, _: Event) -> None:
                live.update(_line(summary, utc, starts_s, ends_s))

            return (draw,)

        yield listeners


def _line(summary: NightSummary, utc: datetime, starts_s: float, ends_s: float) -> Table:
    subs = "  ".join(
        f"{name} {seconds / 60:.0f} min" for name, seconds in sorted(summary.accepted_s.items())
    )
    row = Table.grid(padding=(0, 2))
    row.add_row(
        f"{utc:%H:%M} UTC",
        ProgressBar(ends_s - starts_s, utc.timestamp() - starts_s, width=30),
        str(summary.phase),
        summary.target,
        subs,
    )
    return row
