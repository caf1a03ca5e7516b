"""A drafted configuration, filled in as its comments ask, and no more."""

import re
from collections.abc import Mapping
from pathlib import Path

from nightloom.cli import main


def drafted(folder: Path, port: int) -> None:
    """Have a configuration drafted from a server. Raises AssertionError when it is not."""
    words = ["check", "--devices", "--write", str(folder), "--server", f"127.0.0.1:{port}"]
    assert main(words) == 0


def fill_in(folder: Path, values: Mapping[str, object], targets: str) -> None:
    """Write the keys that observatory.toml asks for, and the targets.

    Raises AssertionError for a key that is not asked for.
    """
    file = folder / "observatory.toml"
    text = file.read_text()
    for key, value in values.items():
        text, count = re.subn(rf"^# {key} =$", f"{key} = {value}", text, flags=re.MULTILINE)
        assert count == 1, key
    file.write_text(text)
    assert "FILL IN" in (folder / "targets.toml").read_text()
    (folder / "targets.toml").write_text(targets)


def correct(folder: Path, guesses: Mapping[str, tuple[object, object]]) -> None:
    """Put other values in place of guesses: by key, what was guessed and what is right.

    Raises AssertionError for one that is not marked as a guess.
    """
    file = folder / "observatory.toml"
    lines = file.read_text().splitlines()
    for key, (guess, right) in guesses.items():
        (at,) = [n for n, line in enumerate(lines) if line.startswith(f"{key} = {guess}")]
        assert "GUESS" in lines[at] + lines[at - 1], key
        lines[at] = f"{key} = {right}"
    file.write_text("\n".join(lines) + "\n")
