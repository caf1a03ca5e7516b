"""A night through a network that stalls, splits, swallows, half closes and cuts: judged as any."""

import asyncio
import contextlib
from pathlib import Path
from typing import Any

import pytest

from bad_network import Badness, BadNetwork
from night.nights import NIGHT, SELDOM_S, demo
from nightloom import rig
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.rehearsal import Rehearsal, play_over_socket
from nightloom_drivers.link import IndiLink
from servers import free_port

pytestmark = [pytest.mark.servers, pytest.mark.long]

SPEED, HOURS, SUB_S = 10.0, 0.5, 60.0
PING_S, SILENCE_S = 1.0, 3.0
BAD = Badness(
    delayed=0.02,
    delay_s=1.0,
    stalled=0.001,
    stall_s=20.0,
    split=0.005,
    swallowed=0.0002,
    repeated=0.0,  # what is repeated or garbled within a frame nobody can tell, and TCP
    garbled=0.0,  # does not do it: the test of the link does
    half_closed=0.0001,
    cut=0.0003,
)
AT_ONCE = {"acquire": {"cool_before_s": 0.0, "begin_before_s": 0.0, "open_before_s": 60.0}}
LOST = "left the camera and is not in the ledger"


class Through(IndiLink):
    """A link through a bad network. Its seconds are the night's, but for those of the link."""

    networks: list[BadNetwork]

    def __init__(self, host: str, port: int, **_: Any) -> None:
        self._there, here = (host, port), free_port()
        super().__init__(host, here, answer_s=60.0, ping_s=PING_S, silence_s=SILENCE_S)
        self._port = here

    async def open(self) -> None:
        while True:
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection(*self._there)
                writer.transport.abort()
                break
            await asyncio.sleep(1.0)
        network = BadNetwork(self._there[1], BAD, seed=3)
        self.networks.append(network)
        self._serving = await asyncio.start_server(network.serve, "127.0.0.1", self._port)
        await super().open()

    async def close(self) -> None:
        await super().close()
        self._serving.close()
        await asyncio.sleep(1.0)  # connections see the end


def test_a_night_through_a_bad_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames that never came down whole are lost; nothing else is, and the rig ends safe."""
    Through.networks = []
    monkeypatch.setattr(rig, "IndiLink", Through)
    settings, simulated = demo(targets={"L": SUB_S}, guide_s=SELDOM_S, policies=AT_ONCE)
    played = play_over_socket(Rehearsal(settings, simulated, NIGHT, tmp_path, 7, HOURS), SPEED)
    (network,) = Through.networks
    with Ledger.read(tmp_path / FILE_NAME) as ledger:
        kept = len(ledger.frames())
    print(f"{kept} of {len(played.subs)} frames kept; {dict(network.harm)}")  # noqa: T201
    assert [one for one in played.violations if LOST not in one] == []
    assert network.harm["cut"] + network.harm["swallowed"] > 0
    assert kept > 0
