"""How commands are called and how they end."""

import subprocess
import sys

import pytest

from nightloom.cli import COMMANDS, main
from nightloom.cli.answers import answer
from nightloom.errors import BadInput
from nightloom_drivers.errors import DeviceLate


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    told = capsys.readouterr().out
    assert all(f"\n    {name}" in told for name in COMMANDS)


@pytest.mark.parametrize(
    "words", [[], ["nonsense"], ["check", "--nonsense"], ["weave", "L:0x1", "--nonsense"]]
)
def test_a_wrong_command_line_gets_one_sentence_and_status_2(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(words)
    output = capsys.readouterr()
    assert left.value.code == 2
    assert output.out == ""
    assert output.err.startswith("nightloom")
    assert output.err.count("\n") == 1


def failing(error: Exception) -> int:
    def command() -> int:
        raise error

    return answer(command)


def test_expected_errors_become_sentences(capsys: pytest.CaptureFixture[str]) -> None:
    assert failing(BadInput("The night 2026-02-30 does not exist.")) == 2
    assert capsys.readouterr().err == "The night 2026-02-30 does not exist.\n"
    assert failing(DeviceLate("Roof", "DOME_SHUTTER", asked="open", seen="it is Busy")) == 1
    assert capsys.readouterr().err == "Roof was late: DOME_SHUTTER asked open, it is Busy.\n"


def test_an_error_of_the_program_itself_is_not_hidden() -> None:
    with pytest.raises(ZeroDivisionError):
        failing(ZeroDivisionError())


@pytest.mark.servers
def test_help_comes_without_loading_the_program() -> None:
    """A person asks for help often: nothing but the standard library may be loaded for it."""
    script = (
        "import sys; from nightloom.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'astropy', 'numpy', 'pydantic', 'rich', 'structlog'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    ended = subprocess.run(
        [sys.executable, "-c", script], check=False, timeout=60, capture_output=True, text=True
    )
    assert (ended.returncode, ended.stderr) == (0, "")
