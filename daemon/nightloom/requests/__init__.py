"""What persons ask of a running daemon, and what it answers: data through one door."""

from nightloom.requests.messages import (
    Answer,
    Ask,
    Change,
    Done,
    Misunderstood,
    Pause,
    Refused,
    Request,
    Resume,
    Retire,
    Skip,
    Told,
    Unread,
    line_of,
    read_answer,
    read_request,
)

__all__ = [
    "Answer",
    "Ask",
    "Change",
    "Done",
    "Misunderstood",
    "Pause",
    "Refused",
    "Request",
    "Resume",
    "Retire",
    "Skip",
    "Told",
    "Unread",
    "line_of",
    "read_answer",
    "read_request",
]
