"""What is taken for a sign of life, by numbers alone."""

import pytest

from nightloom_drivers.link.liveness import Liveness

PING_S, SILENCE_S = 10.0, 30.0


def given_up_s(
    *, bytes_per_s: float, messages_per_s: float = 0.0, answers: bool, until_s: float = 2000.0
) -> float | None:
    """When a server that made itself understood for a minute, and then did so, is given up."""
    liveness = Liveness(SILENCE_S, 0.0)
    now_s = 0.0
    while (now_s := now_s + PING_S) <= until_s + 60.0:
        past_s = max(0.0, now_s - 60.0)
        received = int(1000 * min(now_s, 60.0) + bytes_per_s * past_s)
        messages = int(min(now_s, 60.0) + messages_per_s * past_s)
        if liveness.lost(now_s, received, messages, answers=answers):
            return past_s
    return None


@pytest.mark.parametrize(
    ("bytes_per_s", "messages_per_s", "answers", "after_s"),
    [
        (1000.0, 1.0, True, None),  # all is well
        (10.0, 0.1, True, None),  # nothing but signs of life
        (0.0, 0.0, False, None),  # nothing is owed
        (0.0, 0.0, True, 40.0),  # hung, or its machine is gone
        (200.0, 0.0, True, 40.0),  # one message was cut short
        (200.0, 0.0, False, 110.0),
        (9_000.0, 0.0, True, 40.0),  # too slow for a frame
        (11_000.0, 0.0, True, 610.0),  # a frame, but not for ever
        (800_000.0, 0.0, False, 610.0),
        (50_000_000.0, 0.0, True, 20.0),  # more than any frame, by the second look
    ],
)
def test_who_does_not_make_itself_understood_is_given_up(
    bytes_per_s: float, messages_per_s: float, answers: bool, after_s: float | None
) -> None:
    found = given_up_s(bytes_per_s=bytes_per_s, messages_per_s=messages_per_s, answers=answers)
    assert found == after_s


def test_one_that_never_said_a_byte_is_given_up() -> None:
    liveness = Liveness(SILENCE_S, 0.0)
    assert not liveness.lost(30.0, 0, 0, answers=False)
    assert "silent for 31 s" in liveness.lost(31.0, 0, 0, answers=False)


def test_the_inside_of_a_broken_message_may_hold_a_frame() -> None:
    """Its bytes came fast; when they end the silence goes on."""
    liveness = Liveness(SILENCE_S, 0.0)
    assert not liveness.lost(10.0, 1000, 5, answers=True)
    assert not liveness.lost(20.0, 1000, 5, answers=True)
    assert not liveness.lost(50.0, 50_001_000, 5, answers=True)
    assert not liveness.lost(70.0, 50_001_000, 5, answers=True)
    assert liveness.lost(81.0, 50_001_200, 5, answers=True)
