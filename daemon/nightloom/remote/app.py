"""What is answered: one short function a route."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from nightloom.remote.access import COOKIE, COOKIE_S, WRONG_TOKEN, Access
from nightloom.remote.connections import Tell
from nightloom.remote.description import description
from nightloom.remote.lines import NoSuchNight
from nightloom.remote.metrics import MEDIA_TYPE, metrics
from nightloom.remote.preview import Preview
from nightloom.remote.query import BadQuery, wanted
from nightloom.remote.streams import Streams
from nightloom.requests import Ask, Misunderstood, Told, Unread, read_request
from nightloom.requests.door import Hear
from nightloom.status import Status
from nightloom_drivers.clock import Clock

BODY_BYTES_MAX = 4096
TOO_LONG = "a body that is too long"

FRESH_S = 0.5
"""A status is told again for so long: what goes on is looked up twice a second at most."""

BETWEEN_S = 0.02
"""Between two requests that change the night."""

STATUS_CODES = {"done": 200, "refused": 409, "unread": 400, "status": 200}

PAGE = Path(__file__).parent / "page"

Endpoint = Callable[[Request], Awaitable[Response]]


class TooLong(Exception):
    """A body has more bytes than any that is asked for."""


@dataclass
class Answers:
    """What the routes answer from."""

    hear: Hear
    clock: Clock
    access: Access
    streams: Streams
    preview: Preview
    tell: Tell
    secure: bool
    """Whether it is spoken to over TLS."""

    def __post_init__(self) -> None:
        self._asking = asyncio.Lock()
        self._status: Status | None = None
        self._old_s = 0.0
        self._files = {one.name: one.read_bytes() for one in PAGE.iterdir() if one.is_file()}

    def app(self) -> Starlette:
        """The routes."""
        return Starlette(
            routes=[
                Route("/", self._file("page.html", "text/html")),
                Route("/page.css", self._file("page.css", "text/css")),
                Route("/page.js", self._file("page.js", "text/javascript")),
                Route("/icon.svg", self._file("icon.svg", "image/svg+xml")),
                Route("/enter.html", self._file("enter.html", "text/html")),
                Route("/enter", self.enter, methods=["POST"]),
                Route("/status", self.status),
                Route("/requests", self.requests, methods=["POST"]),
                Route("/log", self.log),
                Route("/preview", self.picture),
                Route("/metrics", self.metrics),
                Route("/openapi.json", self.openapi),
            ],
            exception_handlers={
                404: _nothing_here,
                405: _not_so,
                TooLong: _too_long,
                ClientDisconnect: _gone,
            },
        )

    # Looking ----------------------------------------------------------------------------------

    async def status(self, request: Request) -> Response:
        return Response(self._now(request).model_dump_json(), media_type="application/json")

    async def metrics(self, request: Request) -> Response:
        return Response(metrics(self._now(request)), headers={"content-type": MEDIA_TYPE})

    async def openapi(self, _: Request) -> Response:
        return JSONResponse(description())

    async def log(self, request: Request) -> Response:
        try:
            said = wanted(request.query_params.multi_items(), request.headers.get("last-event-id"))
            place = self.streams.place(said)
        except BadQuery as error:
            return failed(400, str(error))
        except NoSuchNight:
            return failed(404, "There is no log of that night.")
        return StreamingResponse(self.streams.follow(said, place), media_type="text/event-stream")

    async def picture(self, request: Request) -> Response:
        frame = self._now(request).last_frame
        if frame is None:
            return failed(404, "There is no frame yet.")
        tag = f'"{frame.uid}"'
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers={"etag": tag})
        painted = await self.preview.of(frame)
        if painted is None:
            return failed(404, "The last frame cannot be shown.")
        return Response(painted, media_type="image/jpeg", headers={"etag": tag})

    def _now(self, request: Request) -> Status:
        now_s = asyncio.get_running_loop().time()
        if self._status is None or now_s >= self._old_s:
            told = self.hear(Ask(), _origin(request))
            assert isinstance(told, Told)
            self._status, self._old_s = told.status, now_s + FRESH_S
        return self._status

    # Asking -----------------------------------------------------------------------------------

    async def requests(self, request: Request) -> Response:
        line = await _body(request)
        async with self._asking:
            try:
                answer = self.hear(read_request(line), _origin(request))
            except Misunderstood as error:
                answer = Unread(why=str(error))
            self._status = None
            await asyncio.sleep(BETWEEN_S)
        code = STATUS_CODES[answer.answer]
        return Response(answer.model_dump_json(), code, media_type="application/json")

    async def enter(self, request: Request) -> Response:
        """A token that was typed becomes a cookie."""
        form = parse_qs((await _body(request)).decode("ascii", "replace"), max_num_fields=4)
        if not self.access.is_token(form.get("token", [""])[0].strip()):
            self.tell(WRONG_TOKEN, _address(request))
            return RedirectResponse("/enter.html?again", 303)
        response = RedirectResponse("/", 303)
        seal = self.access.sealed(self.clock.unix_s())
        response.set_cookie(
            COOKIE, seal, COOKIE_S, httponly=True, samesite="strict", secure=self.secure
        )
        return response

    # Files ------------------------------------------------------------------------------------

    def _file(self, name: str, kind: str) -> Endpoint:
        content = self._files[name]

        async def endpoint(_: Request) -> Response:
            return Response(content, media_type=kind)

        return endpoint


async def _body(request: Request) -> bytes:
    """All of a body. Raises TooLong."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > BODY_BYTES_MAX:
            raise TooLong
    return body


def failed(code: int, why: str) -> Response:
    """An answer that says in one sentence why it is none."""
    return JSONResponse({"why": why}, code)


def _origin(request: Request) -> str:
    """Where a request came from, for the log and for who is told of it."""
    return f"address {_address(request)}"


def _address(request: Request) -> str:
    return request.client.host if request.client else "unknown"


async def _nothing_here(_request: Request, _error: Exception) -> Response:
    return failed(404, "There is nothing here; /openapi.json says what there is.")


async def _not_so(_request: Request, _error: Exception) -> Response:
    return failed(405, "That cannot be done here; /openapi.json says what can.")


async def _too_long(_request: Request, _error: Exception) -> Response:
    response = failed(413, f"A body has {BODY_BYTES_MAX} bytes at most.")
    response.headers["connection"] = "close"
    return response


async def _gone(_request: Request, _error: Exception) -> Response:
    return Response(status_code=400)  # nobody hears it
