"""What the documents name is there: files, rules of the observer, commands, pictures."""

import re
import tomllib
from pathlib import Path

import pytest

from drawing.boxes import drawn, meetings
from nightloom.cli.command_line import COMMANDS, main
from nightloom.rehearsal.observer.rules import RULES
from nightloom_drivers.rig_settings import RigSettings

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


def test_the_readme_s_picture_is_a_night_of_the_demo() -> None:
    """A drawing of ours, whose words lie on nothing."""
    picture = drawn((ROOT / "config" / "demo" / "night.svg").read_text())
    said = " ".join(box.words for box in picture.words)
    assert said.startswith("Night of 10 November 2026, Larkfold Observatory")
    assert {"L", "R", "G", "B", "phase", "dither"} <= {box.words for box in picture.words}
    assert list(meetings(picture)) == []


def test_the_readme_s_rig_is_one() -> None:
    """Its example of a rig.toml has keys and values that a rig takes."""
    (block,) = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
    rig = RigSettings.model_validate(tomllib.loads(block))
    assert (rig.focuser.backlash_steps, len(rig.weather.clouds)) == (60, 1)


def test_the_readme_s_options_are_there(capsys: pytest.CaptureFixture[str]) -> None:
    """Every `nightloom COMMAND ... --option` that is written out."""
    asked: dict[str, set[str]] = {}
    for written in in_writing((ROOT / "README.md").read_text()):
        match written.split():
            case ["nightloom", command, *words] if command in COMMANDS:
                options = {word for word in words if word.startswith("--")}
                asked.setdefault(command, set()).update(options)
    assert {"rehearse", "report", "check"} <= asked.keys()
    for command, options in asked.items():
        with pytest.raises(SystemExit):
            main([command, "--help"])
        told = capsys.readouterr().out
        assert [one for one in sorted(options) if one not in told] == [], command


def test_the_readme_names_every_command() -> None:
    lines = (ROOT / "README.md").read_text().splitlines()
    rows = "\n".join(line for line in lines if line.startswith("| `nightloom"))
    assert [name for name in COMMANDS if not re.search(rf"`(nightloom )?{name}`", rows)] == []
