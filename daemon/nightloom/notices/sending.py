"""Sends notices from a process of its own, which is ended when its time is up."""

import json
from pathlib import Path

from nightloom.notices.addresses import Address
from nightloom.notices.post import NO_ADDRESS, NOT_TAKEN, TAKEN
from nightloom.notices.rules import Notice
from nightloom.own_script import run_script

DEADLINE_S = 30.0
"""A service that answers does so within seconds."""

WHY = {
    NOT_TAKEN: "it was not taken",
    NO_ADDRESS: "apprise knows no such address",
}

POST = Path(__file__).with_name("post.py")


async def send(address: Address, notice: Notice, deadline_s: float = DEADLINE_S) -> str:
    """Send a notice; why it was not taken, or nothing. What it says never names the address."""
    try:
        return await _sent(address, notice, deadline_s)
    except OSError as error:
        return f"its sender did not start: {error.strerror}"


async def _sent(address: Address, notice: Notice, deadline_s: float) -> str:
    told = {"url": address.url, "title": notice.title, "text": notice.text}
    try:
        status, _ = await run_script(POST, given=json.dumps(told).encode(), deadline_s=deadline_s)
    except TimeoutError:
        return f"no answer within {deadline_s:g} s"
    return "" if status == TAKEN else WHY.get(status or 0, f"its sender ended with {status}")
