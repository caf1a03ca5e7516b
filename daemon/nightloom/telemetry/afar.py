"""The log of a daemon elsewhere, by its event stream over HTTP, whatever the connection does.

A line is given once it is whole, with the number that the daemon gave it; after a cut the daemon is
asked for what comes after that number. So no line is lost and none comes twice.
"""

import asyncio
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence

import httpx

from nightloom.far_daemon import TIMEOUT_S, Busy, Daemon, refused, unsaid

SILENT_S = 45.0
"""The daemon says that it is still there every 15 s; after three of those nobody is."""

PAUSES_S = (5.0, 10.0, 20.0, 40.0, 60.0)
"""From one try to the next, the last one again and again."""


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
            except (httpx.HTTPError, Busy) as error:
                why = unsaid(error)
            pause_s = pauses_s[min(failures, len(pauses_s) - 1)]
            failures += 1
            told(f"{daemon.place} is not heard: {why}; trying again in {pause_s:g} s.")
            await asyncio.sleep(pause_s)


def _client(daemon: Daemon) -> httpx.AsyncClient:
    return httpx.AsyncClient(
        base_url=daemon.url,
        headers={"Accept": "text/event-stream", **daemon.headers},
        verify=daemon.trusted(),
        timeout=httpx.Timeout(TIMEOUT_S, read=SILENT_S),
        trust_env=False,  # a proxy would be shown the token
    )


async def _accepted(answer: httpx.Response) -> None:
    """Raises NotHeard where asking again cannot help, and Busy where it can."""
    if answer.status_code != httpx.codes.OK:
        await answer.aread()
        raise refused(answer)


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
