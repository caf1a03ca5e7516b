"""Requests and answers as data: one JSON object a line, in and out."""

from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from nightloom.status import Status

Message = TypeVar("Message")


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


# What is asked ------------------------------------------------------------------------------


class Ask(_Message):
    """Say what the daemon is doing."""

    request: Literal["status"] = "status"


class Pause(_Message):
    """Take no more subs and move nothing until a person says to go on, or the dark ends.

    Bad weather still parks and closes.
    """

    request: Literal["pause"] = "pause"


class Resume(_Message):
    """Go on after a pause."""

    request: Literal["resume"] = "resume"


class Skip(_Message):
    """Leave a target alone for the rest of the night; without a name, the one that runs."""

    request: Literal["skip"] = "skip"
    target: str | None = Field(default=None, max_length=200)


class Retire(_Message):
    """End the night: park and close. A sub that ends soon may end, but not when `now` is said."""

    request: Literal["retire"] = "retire"
    now: bool = False


class Reload(_Message):
    """Read the configuration again, and take what may be taken while the daemon runs."""

    request: Literal["reload"] = "reload"


Change = Pause | Resume | Skip | Retire
"""What changes the night."""

Request = Ask | Reload | Change


# What is answered ---------------------------------------------------------------------------


class Done(_Message):
    """It is in force."""

    answer: Literal["done"] = "done"
    said: str = Field(description="what follows, in one sentence")


class Refused(_Message):
    """It was understood, and cannot be done now."""

    answer: Literal["refused"] = "refused"
    why: str = Field(description="one sentence")


class Unread(_Message):
    """It was not understood."""

    answer: Literal["unread"] = "unread"
    why: str = Field(description="one sentence")


class Told(_Message):
    """What the daemon is doing."""

    answer: Literal["status"] = "status"
    status: Status


Answer = Done | Refused | Unread | Told

_REQUEST: TypeAdapter[Request] = TypeAdapter(Annotated[Request, Field(discriminator="request")])
_ANSWER: TypeAdapter[Answer] = TypeAdapter(Annotated[Answer, Field(discriminator="answer")])


# Lines --------------------------------------------------------------------------------------


class Misunderstood(Exception):
    """A line that is no message; the text is one sentence."""


def read_request(line: bytes) -> Request:
    """The request in a line. Raises Misunderstood."""
    return _read(_REQUEST, line)


def read_answer(line: bytes) -> Answer:
    """The answer in a line. Raises Misunderstood."""
    return _read(_ANSWER, line)


def line_of(message: Request | Answer) -> bytes:
    """A message as its line."""
    return message.model_dump_json().encode() + b"\n"


def _read(adapter: TypeAdapter[Message], line: bytes) -> Message:
    try:
        return adapter.validate_json(line)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        place = _printable(".".join(map(str, first["loc"])))
        raise Misunderstood(f"{place or 'The line'}: {first['msg']}.") from error


def _printable(place: str) -> str:
    """A place in a message on one line of some length, whatever its keys are."""
    return "".join(one if one.isprintable() else "?" for one in place[:80])
