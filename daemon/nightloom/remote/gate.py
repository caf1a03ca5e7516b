"""What stands before all routes: who may pass, how fast, and what every answer carries."""

import asyncio
import traceback
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from nightloom.remote.access import Access, Denied
from nightloom.remote.app import TOO_LONG, failed
from nightloom.remote.connections import Tell
from nightloom.telemetry import Log
from nightloom.telemetry.events import RemoteMistake
from nightloom_drivers.clock import Clock

OPEN = {"/enter", "/enter.html", "/page.css", "/icon.svg"}
"""What is needed in order to give a token: it tells nothing of the observatory."""

BETWEEN_S = 0.02
"""Between two requests, whoever they come from: more than that wait in line."""

HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; connect-src 'self'; img-src 'self';"
    " script-src 'self'; style-src 'self'; form-action 'self'; base-uri 'none';"
    " frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # without one a form's origin would be hidden as well
    "cross-origin-resource-policy": "same-origin",
}


class Gate:
    """The application behind the gate, as an application."""

    def __init__(self, app: ASGIApp, access: Access, clock: Clock, log: Log, tell: Tell) -> None:
        self._app, self._access, self._clock = app, access, clock
        self._log, self._tell = log, tell
        self._turn = asyncio.Lock()
        self._mistakes: set[str] = set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def send_on(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                MutableHeaders(scope=message).update(HEADERS)
                if message["status"] == 413:
                    self._tell(TOO_LONG, _address(scope))
            await send(message)

        async with self._turn:
            await asyncio.sleep(BETWEEN_S)
        try:
            denied = self._denied(scope)
            answer = self._app if denied is None else _refusal(denied, scope)
            await answer(scope, receive, send_on)
        except Exception as error:  # who looks on must not end the night
            self._note(error)
            if begun:
                raise
            await failed(500, "The daemon made a mistake; its log has it.")(scope, receive, send_on)

    def _denied(self, scope: Scope) -> Denied | None:
        headers = Headers(scope=scope)
        if len(headers.get("content-length", "")) > 6:
            return Denied(413, "The body is too long.", TOO_LONG)
        if scope["path"] in OPEN and self._access.token is not None:
            return self._access.foreign(headers)
        cookies = _cookies(headers.get("cookie", ""))
        denied = self._access.denied(scope["method"], headers, cookies, self._clock.unix_s())
        if denied is not None and not _asks_for_page(scope, denied):
            self._tell(denied.kind, _address(scope))
        return denied

    def _note(self, error: Exception) -> None:
        """Have the log tell of a mistake, once of each."""
        place = traceback.extract_tb(error.__traceback__)[-1]
        text = f"{place.name}, line {place.lineno} of {place.filename.rpartition('/')[2]}"
        if text not in self._mistakes:
            self._mistakes.add(text)
            self._log.emit(RemoteMistake(kind=type(error).__name__, text=text))


def _refusal(denied: Denied, scope: Scope) -> ASGIApp:
    """Who opens the page without a token is asked for it."""
    if _asks_for_page(scope, denied):
        return RedirectResponse("/enter.html", 303)
    response: Response = failed(denied.status, denied.why)
    if denied.status == 401:
        response.headers["www-authenticate"] = "Bearer"
    response.headers["connection"] = "close"
    return response


def _asks_for_page(scope: Scope, denied: Denied) -> bool:
    given = Headers(scope=scope).get("authorization")
    return denied.status == 401 and scope["path"] == "/" and given is None


def _cookies(header: str) -> dict[str, str]:
    try:
        return {name: morsel.value for name, morsel in SimpleCookie(header).items()}
    except CookieError:
        return {}


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else "unknown"
