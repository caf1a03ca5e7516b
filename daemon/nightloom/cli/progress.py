"""What a person sees while a rehearsed night goes by: its clock, its phase, its subs."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from nightloom.night.account import Account
from nightloom.telemetry import Event, Log


@contextmanager
def progress(log: Log, account: Account, ends_s: float, console: Console) -> Iterator[None]:
    """Draw the night's progress on a terminal; nothing at all in a pipe."""
    if not console.is_terminal:
        yield
        return
    began_s: list[float] = []
    with Live(console=console, refresh_per_second=8, transient=True) as live:

        def draw(utc: datetime, _: Event) -> None:
            began_s[1:] = []
            began_s.append(utc.timestamp())
            live.update(_line(account, utc, began_s[0], ends_s))

        with log.listen(draw):
            yield


def _line(account: Account, utc: datetime, began_s: float, ends_s: float) -> Table:
    subs = "  ".join(
        f"{name} {seconds / 60:.0f} min" for name, seconds in sorted(account.accepted_s.items())
    )
    row = Table.grid(padding=(0, 2))
    row.add_row(
        f"{utc:%H:%M} UTC",
        ProgressBar(ends_s - began_s, utc.timestamp() - began_s, width=30),
        str(account.phase),
        account.target,
        subs,
    )
    return row
