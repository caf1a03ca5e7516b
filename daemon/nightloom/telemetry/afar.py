"""The log of a daemon elsewhere, by its event stream over HTTP, whatever the connection does.

A line is given once it is whole, with the number that the daemon gave it; after a cut the daemon is
asked for what comes after that number. So no line is lost and none comes twice.
"""

import asyncio
import json
import ssl
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import httpx

PORT = 7642

SILENT_S = 45.0
"""The daemon says that it is still there every 15 s; after three of those nobody is."""

PAUSES_S = (5.0, 10.0, 20.0, 40.0, 60.0)
"""From one try to the next, the last one again and again."""


class NotHeard(Exception):
    """The daemon says no, and will say so again."""


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


async def lines_from(
    daemon: Daemon,
    *,
    live: bool = True,
    told: Callable[[str], None] = lambda _: None,
    pauses_s: Sequence[float] = PAUSES_S,
) -> AsyncGenerator[str, None]:
    """The lines of the newest night's log, oldest first, then each new one; for ever, if `live`.

    `told` hears in a sentence of each try that failed. Raises NotHeard when the daemon refuses.
    """
    last, failures = "", 0
    async with _client(daemon) as client:
        while True:
            try:
                async with client.stream(
                    "GET",
                    "/log",
                    params={} if live else {"live": "no"},
                    headers={"Last-Event-ID": last} if last else {},
                ) as answer:
                    await _accepted(answer)
                    begun = _Begun()
                    async for chunk in answer.aiter_bytes():
                        for number, line in begun.whole(chunk):
                            last, failures = number or last, 0
                            yield line
                if not live:
                    return
                why = "the connection was closed"
            except (httpx.HTTPError, _Busy) as error:
                why = str(error) or _unsaid(error)
            pause_s = pauses_s[min(failures, len(pauses_s) - 1)]
            failures += 1
            told(f"{daemon.place} is not heard: {why}; trying again in {pause_s:g} s.")
            await asyncio.sleep(pause_s)


class _Busy(Exception):
    """The daemon cannot answer now."""


def _client(daemon: Daemon) -> httpx.AsyncClient:
    headers = {"Accept": "text/event-stream"}
    if daemon.token:
        headers["Authorization"] = f"Bearer {daemon.token}"
    trusted = ssl.create_default_context()
    if daemon.certificate is not None:
        trusted.load_verify_locations(daemon.certificate)
    return httpx.AsyncClient(
        base_url=daemon.url,
        headers=headers,
        verify=trusted,
        timeout=httpx.Timeout(10.0, read=SILENT_S),
        trust_env=False,  # a proxy would be shown the token
    )


async def _accepted(answer: httpx.Response) -> None:
    """Raises NotHeard where asking again cannot help, and _Busy where it can."""
    if answer.status_code == httpx.codes.OK:
        return
    body = await answer.aread()
    try:
        why = str(json.loads(body)["why"])
    except (ValueError, KeyError, TypeError):
        why = f"it answers {answer.status_code}"
    why = why.rstrip(".")
    if answer.status_code in (408, 425, 429) or answer.status_code >= 500:
        raise _Busy(why)
    raise NotHeard(why)


class _Begun:
    """What came of a stream and is not yet a whole event; one that is cut short is left out.

    The format is that of WHATWG HTML, section 9.2, Server-sent events, with lines that end in LF,
    CRLF: bytes are cut anywhere, within a letter too.
    """

    def __init__(self) -> None:
        self._bytes = b""
        self._number, self._data = "", list[str]()

    def whole(self, chunk: bytes) -> Iterator[tuple[str, str]]:
        """The events that this chunk completes."""
        *lines, self._bytes = (self._bytes + chunk).split(b"\n")
        for line in lines:
            yield from self._line(line.decode("utf-8", "replace").removesuffix("\r"))

    def _line(self, line: str) -> Iterator[tuple[str, str]]:
        name, _, value = line.partition(":")
        value = value.removeprefix(" ")
        if name == "id":
            self._number = value
        elif name == "data":
            self._data.append(value)
        elif not line and self._data:
            number, data = self._number, "\n".join(self._data)
            self._number, self._data = "", []
            yield number, data


def _unsaid(error: Exception) -> str:
    """What an error is that says nothing."""
    if isinstance(error, httpx.TimeoutException):
        return "nothing came in time"
    return type(error).__name__
