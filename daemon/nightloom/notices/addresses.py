"""Where word is sent: apprise URLs, which hold passwords and so are never said, logged or shown."""

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from nightloom.notices.rules import known_events
from nightloom.settings import Problem, Settings
from nightloom.settings.problems import ABSENT

VARIABLE = "NIGHTLOOM_NOTICES"
"""Environment variable with addresses, between spaces."""

FILE, EVENTS = "notices.addresses_file", "notices.events"

OTHERS = 0o077


@dataclass(frozen=True)
class Address:
    """One place to send word to. Its text tells its place in the list and no more."""

    number: int
    url: str = field(repr=False)

    def __str__(self) -> str:
        return f"address {self.number}"


class Unreadable(Exception):
    """The file cannot be used; the text is the end of a sentence."""


def addresses(
    settings: Settings, environment: Mapping[str, str] = os.environ
) -> tuple[list[Address], list[Problem]]:
    """The addresses of the environment, then those of the file; and what is wrong with them."""
    said, urls, problems = settings.policies.notices, environment.get(VARIABLE, "").split(), []
    if said.addresses_file is not None:
        try:
            urls += _lines(said.addresses_file)
        except Unreadable as error:
            problems.append(_problem(FILE, str(said.addresses_file), str(error)))
    known = known_events()
    problems += [
        _problem(EVENTS, name, "is no event of the log that word can be sent of")
        for name in said.events
        if name not in known
    ]
    return [Address(number, url) for number, url in enumerate(urls, start=1)], problems


def nowhere() -> Problem:
    """What is wrong where a notice is asked for and there is no address."""
    return _problem(FILE, ABSENT, f"is left out, and so is ${VARIABLE}: there is no address")


def not_taken(address: Address, why: str) -> Problem:
    """What is wrong with an address that did not take a notice."""
    return _problem("notices", ABSENT, f"{address} got no notice: {why}")


def _lines(file: Path) -> list[str]:
    """The lines of a file that its owner alone may read. Raises Unreadable."""
    try:
        with file.open(encoding="utf-8") as opened:
            seen = os.fstat(opened.fileno())
            own = seen.st_uid == os.geteuid() and not seen.st_mode & OTHERS
            if not own or not stat.S_ISREG(seen.st_mode):
                raise Unreadable(
                    "must be a file that the daemon's user owns and nobody else may read, since it"
                    f" holds secrets: chmod 600 {file}"
                )
            lines = [line.strip() for line in opened]
    except OSError as error:
        raise Unreadable(f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError:
        raise Unreadable("is not UTF-8 text") from None  # that error shows what it read
    return [line for line in lines if line and not line.startswith("#")]


def _problem(key: str, value: object, allowed: str) -> Problem:
    return Problem("policies.toml", key, value, allowed)
