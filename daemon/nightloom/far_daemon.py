"""A daemon elsewhere: its address, what it asks to be shown, and whom it believes over HTTP."""

import json
import ssl
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import httpx

PORT = 7642

TIMEOUT_S = 10.0


class NotHeard(Exception):
    """The daemon says no, and will say so again."""


class Busy(Exception):
    """The daemon cannot answer now."""


@dataclass(frozen=True)
class Daemon:
    """Where a daemon is heard, and what it asks to be shown."""

    url: str
    token: str = ""
    certificate: Path | None = None
    """A certificate to be trusted, beside those of the computer: the daemon's own, say."""

    def __repr__(self) -> str:
        return f"Daemon({self.url})"  # without the token

    @property
    def place(self) -> str:
        """Its address for people."""
        return urlsplit(self.url).netloc

    @property
    def headers(self) -> dict[str, str]:
        """What shows that it may be asked."""
        return {"Authorization": f"Bearer {self.token}"} if self.token else {}

    def trusted(self) -> ssl.SSLContext:
        """The certificates that prove that it is itself. Raises OSError."""
        trusted = ssl.create_default_context()
        if self.certificate is not None:
            trusted.load_verify_locations(self.certificate)
        return trusted


def address_of(text: str) -> str:
    """The base of the address HOST, HOST:PORT or https://HOST:PORT. Raises ValueError."""
    parts = urlsplit(text if "://" in text else f"http://{text}")
    plain = parts.path in ("", "/") and not parts.query and not parts.fragment
    if parts.scheme not in ("http", "https") or not parts.hostname or not plain:
        raise ValueError(
            f"{text!r} is no address such as mini-pc, mini-pc:{PORT} or https://mini-pc"
        )
    if parts.username is not None or parts.password is not None:
        raise ValueError("the token goes into a file or the environment, never into the address")
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return f"{parts.scheme}://{host}:{parts.port or PORT}"


def refused(answer: httpx.Response) -> Exception:
    """What an answer that is not the one asked for means: NotHeard, or Busy where it may change."""
    try:
        why = str(json.loads(answer.content)["why"])
    except (ValueError, KeyError, TypeError):
        why = f"it answers {answer.status_code}"
    why = why.rstrip(".")
    busy = answer.status_code in (408, 425, 429) or answer.status_code >= 500
    return Busy(why) if busy else NotHeard(why)


def unsaid(error: Exception) -> str:
    """What went wrong, also of an error that says nothing."""
    if isinstance(error, httpx.TimeoutException):
        return "nothing came in time"
    return str(error) or type(error).__name__
