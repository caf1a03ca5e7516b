"""What the documents name is there: files, rules of the observer, commands, pictures."""

import re
from pathlib import Path

import pytest

from nightloom.cli.command_line import COMMANDS
from nightloom.rehearsal.observer.rules import RULES

ROOT = Path(__file__).parents[1]
PROMISES = ROOT / "daemon" / "PROMISES.md"
ELSEWHERE = {"kill -9", 'count = "depth"'}
"""What is in the trade's own writing."""


def in_writing(text: str) -> set[str]:
    """Whatever stands between backticks, on one line or two."""
    return {" ".join(one.split()) for one in re.findall(r"`([^`]+)`", text)}


def known(name: str) -> bool:
    """A file, a rule, or a command with its first word."""
    if name.startswith("nightloom "):
        return name.split()[1] in COMMANDS
    return (ROOT / name).exists() if "/" in name else name in {rule.name for rule in RULES}


def test_what_the_promises_name_is_there() -> None:
    named = in_writing(PROMISES.read_text()) - ELSEWHERE
    assert [name for name in sorted(named) if not known(name)] == []


def test_every_rule_of_the_observer_serves_a_promise() -> None:
    parts = PROMISES.read_text().split("\n## ")[1:]
    assert len(parts) == 5
    judged = [re.findall(r"\*\*Judged by\*\*(.*?)\n\n", part, re.DOTALL) for part in parts]
    rules = set[str]().union(*(in_writing(one) for (one,) in judged))
    assert {rule.name for rule in RULES} <= rules


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "daemon/PROMISES.md"])
def test_links_lead_somewhere(document: str) -> None:
    file = ROOT / document
    for to in re.findall(r"\]\(([^)#]+)\)|src=\"([^\"]+)\"", file.read_text()):
        place = to[0] or to[1]
        if not place.startswith(("https://", "http://")):
            assert (file.parent / place).exists(), f"{document}: {place}"


def test_the_readme_s_commands_are_all_there_are() -> None:
    told = re.findall(
        r"^\| `nightloom ([a-z]+)`|^\| `nightloom-rig`", (ROOT / "README.md").read_text(), re.M
    )
    text = (ROOT / "README.md").read_text()
    rows = "\n".join(line for line in text.splitlines() if line.startswith("| `"))
    assert told
    assert [name for name in COMMANDS if not re.search(rf"`(nightloom )?{name}`", rows)] == []
