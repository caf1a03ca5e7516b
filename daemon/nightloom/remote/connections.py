"""Connections that cannot stay for nothing: each has a time for what it does now.

A head, a body, an answer that is not taken and a pause between two requests each have their time;
and there is room for so many. It is uvicorn's protocol with that added.
"""

import asyncio
from collections.abc import Callable
from typing import cast

from uvicorn.protocols.http.h11_impl import H11Protocol

CONNECTIONS_MAX = 64
"""When more come, the one leaves that has been idle longest; when none is idle, the new one."""

HEAD_S = BODY_S = 10.0
"""A request takes no longer to arrive."""

UNTAKEN_S = 30.0
"""So long an answer may wait to be taken."""

IDLE_S = 10.0
"""Between two requests; and for the end of an answer to be taken."""

HEAD_BYTES_MAX = 16_384

Tell = Callable[[str, str], None]
"""Takes a refusal: why, and the address."""

SLOW, UNTAKEN, FULL, NO_HTTP = (
    "a request that did not arrive in time",
    "an answer that was not taken",
    "more connections than there is room for",
    "what is no HTTP",
)


class Connection(H11Protocol):
    """One connection with its time."""

    tell: Tell

    _deadline: asyncio.TimerHandle | None = None
    _doing = ""
    _stuck = False

    @property
    def idle(self) -> bool:
        """Whether nothing is being answered."""
        return self.cycle is None or self.cycle.response_complete

    def connection_made(  # type: ignore[override]  # as uvicorn has it
        self, transport: asyncio.Transport
    ) -> None:
        room = self._make_room()
        super().connection_made(transport)
        if not room:
            self.refuse(FULL)
            return
        self._within("head", HEAD_S, SLOW)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        self._within("pause", IDLE_S, None)
        super().on_response_complete()
        self._look()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._stuck = True
        self._within("taking", UNTAKEN_S, UNTAKEN)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._stuck = False
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        self._rest()
        super().connection_lost(exc)
        self._unset_keepalive_if_required()

    def send_400_response(self, msg: str) -> None:
        self._told(NO_HTTP)
        super().send_400_response(msg)

    def timeout_keep_alive_handler(self) -> None:
        self.transport.abort()

    # Time -------------------------------------------------------------------------------------

    def _look(self) -> None:
        """Have the time that belongs to what goes on now; what goes on already keeps its own."""
        if self._stuck or self.transport.is_closing():
            return
        if self.idle:
            if self._doing not in ("head", "pause"):
                self._within("head", HEAD_S, SLOW)
        elif not self.cycle.more_body:
            self._rest()
        elif self._doing != "body":
            self._within("body", BODY_S, SLOW)

    def _within(self, doing: str, time_s: float, why: str | None) -> None:
        self._rest()
        self._doing = doing

        def over() -> None:
            self._deadline = None
            if why is not None:
                self._told(why)
            self.transport.abort()

        self._deadline = self.loop.call_later(time_s, over)

    def _rest(self) -> None:
        self._doing = ""
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    # Room -------------------------------------------------------------------------------------

    def _make_room(self) -> bool:
        """Whether there is room for this one, once an idle one has left."""
        others = [cast(Connection, one) for one in self.connections]
        if len(others) < CONNECTIONS_MAX:
            return True
        idle = [one for one in others if one.idle]
        if idle:
            longest = min(idle, key=lambda one: one.deadline_at_s)
            self.connections.discard(longest)
            longest.refuse(FULL)
        return bool(idle)

    @property
    def deadline_at_s(self) -> float:
        """When its time is up, on the loop's clock."""
        return 0.0 if self._deadline is None else self._deadline.when()

    def refuse(self, why: str) -> None:
        """Send it away."""
        self._told(why)
        self.transport.abort()

    def _told(self, why: str) -> None:
        self.tell(why, self.client[0] if self.client else "unknown")
