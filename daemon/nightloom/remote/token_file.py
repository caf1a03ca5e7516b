"""The token, from its file."""

from nightloom.remote.access import TOKEN_CHARACTERS_MIN
from nightloom.settings import Problem, Settings
from nightloom.settings.remote import RemotePolicy
from nightloom.settings.secrets import Unreadable, secret_lines

KEY = "remote.token_file"


class NoToken(Exception):
    """The file has none that can be used; the text is the end of a sentence."""


def token_of(said: RemotePolicy) -> str | None:
    """The token, None where none is asked for. Raises NoToken."""
    if said.token_file is None:
        return None
    try:
        lines = secret_lines(said.token_file)
    except Unreadable as error:
        raise NoToken(f"{KEY} {error}") from error
    if len(lines) != 1 or len(lines[0]) < TOKEN_CHARACTERS_MIN or not lines[0].isascii():
        raise NoToken(
            f"{KEY} must hold one line of {TOKEN_CHARACTERS_MIN} plain characters or more, such as"
            " `openssl rand -hex 32` makes"
        )
    return lines[0]


def token_problems(settings: Settings) -> list[Problem]:
    """What is wrong with the token's file."""
    said = settings.policies.remote
    try:
        token_of(said)
    except NoToken as error:
        why = str(error).removeprefix(f"{KEY} ")
        return [Problem("policies.toml", KEY, str(said.token_file), why)]
    return []
