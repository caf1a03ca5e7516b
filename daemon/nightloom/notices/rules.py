"""What is told, in which words, and how long it is tried: no clock, no network."""

from dataclasses import dataclass

from nightloom.telemetry import Event
from nightloom.telemetry import events as events_module
from nightloom.telemetry.words import sentence

KEPT_S = 86400.0
"""After a day word of an event is of no use any more."""

SAID_AGAIN_S = 3600.0
"""The same word is sent once an hour: a rig that cannot be closed says so every minute."""

WAITING_MAX = 100
"""More than this waits for no address: the oldest gives way."""

PAUSES_S = (30.0, 60.0, 120.0, 300.0, 600.0, 1800.0)
"""From one try to the next, the last one again and again: networks are away for hours, too."""


@dataclass(frozen=True)
class Notice:
    """Word of one event."""

    about: str
    """The event's name in the log."""
    title: str
    text: str


def notice_of(observatory: str, event: Event) -> Notice:
    """Word of an event, for somebody who may just have woken up."""
    meaning = " ".join((type(event).__doc__ or "").split())
    name = event.name()
    text = f"{sentence(event)}.\n{meaning}"
    return Notice(name, f"{observatory}: {name.replace('_', ' ')}", text)


def pause_s(failures: int) -> float:
    """How long to wait after so many failures in a row, from 1."""
    return PAUSES_S[min(failures, len(PAUSES_S)) - 1]


def known_events() -> set[str]:
    """The names of the log's events, but for those of notices: word of word has no end."""
    kinds = [
        kind
        for name, kind in vars(events_module).items()
        if isinstance(kind, type) and issubclass(kind, Event) and not name.startswith("_")
    ]
    names = {kind.name() for kind in kinds if kind is not Event}
    return {name for name in names if not name.startswith("notice_")}
