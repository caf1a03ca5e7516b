"""What is wrong with a configuration, one sentence each."""

import json
from dataclasses import dataclass

from nightloom.errors import BadInput

ABSENT = object()
"""Stands for the value of a key that is not there."""


@dataclass(frozen=True)
class Problem:
    """One thing to mend: where it stands, what is written there, and what is allowed."""

    file: str
    """Name of the file, or of the device, that has the problem."""
    key: str
    """Dotted key, or another place such as "line 3"; empty when it is the whole file."""
    value: object
    """What was read there; ABSENT when nothing was."""
    allowed: str
    """What is wrong with it and what would be right, as the end of a sentence."""

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        return f"{place}{_shown(self.value)} {self.allowed}."


class SettingsError(BadInput):
    """The configuration cannot be used; carries every problem found, not only the first."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


def _shown(value: object) -> str:
    if value is ABSENT or isinstance(value, dict):
        return ""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return f" = {text if len(text) <= 60 else text[:57] + '...'}"
