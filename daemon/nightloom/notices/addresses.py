"""Where word is sent: apprise URLs, which hold passwords and so are never said, logged or shown."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field

from nightloom.notices.rules import known_events
from nightloom.settings import Problem, Settings
from nightloom.settings.problems import ABSENT
from nightloom.settings.secrets import Unreadable, secret_lines

VARIABLE = "NIGHTLOOM_NOTICES"
"""Environment variable with addresses, between spaces."""

FILE, EVENTS = "notices.addresses_file", "notices.events"


@dataclass(frozen=True)
class Address:
    """One place to send word to. Its text tells its place in the list and no more."""

    number: int
    url: str = field(repr=False)

    def __str__(self) -> str:
        return f"address {self.number}"


def addresses(
    settings: Settings, environment: Mapping[str, str] = os.environ
) -> tuple[list[Address], list[Problem]]:
    """The addresses of the environment, then those of the file; and what is wrong with them."""
    said, urls, problems = settings.policies.notices, environment.get(VARIABLE, "").split(), []
    if said.addresses_file is not None:
        try:
            urls += secret_lines(said.addresses_file)
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


def _problem(key: str, value: object, allowed: str) -> Problem:
    return Problem("policies.toml", key, value, allowed)
