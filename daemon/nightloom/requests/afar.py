"""Asking a daemon elsewhere, for commands: one request, one answer, over HTTP."""

import httpx

from nightloom.errors import BadInput
from nightloom.far_daemon import TIMEOUT_S, Busy, Daemon, NotHeard, refused, unsaid
from nightloom.requests.messages import Answer, Misunderstood, Request, line_of, read_answer

ANSWERS = {httpx.codes.OK, httpx.codes.CONFLICT, httpx.codes.BAD_REQUEST}
"""What the daemon's own answers come with: done, refused, not understood."""


def call_afar(daemon: Daemon, request: Request) -> Answer:
    """Ask a daemon elsewhere. Raises BadInput where nobody answers, or not to this caller."""
    try:
        with httpx.Client(
            verify=daemon.trusted(), timeout=TIMEOUT_S, trust_env=False, headers=daemon.headers
        ) as client:
            answer = client.post(f"{daemon.url}/requests", content=line_of(request))
        if answer.status_code not in ANSWERS:
            raise refused(answer)
        return read_answer(answer.content)
    except httpx.ConnectError as error:
        raise BadInput(f"No daemon answers at {daemon.place}: {unsaid(error)}.") from error
    except (httpx.HTTPError, Busy, Misunderstood) as error:
        raise BadInput(
            f"{daemon.place} did not answer: {unsaid(error)}; whether it does what was asked,"
            f" `nightloom status --at {daemon.place}` tells."
        ) from error
    except NotHeard as refusal:
        raise BadInput(f"{daemon.place} says no: {refusal}.") from None
