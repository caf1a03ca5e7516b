"""The tail's reader at the real interface, through a proxy that cuts: each line comes once."""

import asyncio
from contextlib import aclosing
from pathlib import Path

import numpy as np
import pytest

from nightloom.far_daemon import Daemon, NotHeard
from nightloom.telemetry import events as e
from nightloom.telemetry.afar import lines_from
from nightloom.telemetry.nights import log_file
from remote.halls import NIGHT, TOKEN, Hall, inside, with_token
from telemetry.test_afar import Proxy, served

LINES = 300


@pytest.mark.parametrize("live", [True, False])
def test_ten_cuts_lose_no_line_of_a_log_that_grows(tmp_path: Path, live: bool) -> None:
    chance = np.random.default_rng(8)
    cuts = [int(cut) for cut in chance.integers(600, 4000, 10)]
    had: list[str] = []

    async def story(hall: Hall) -> None:
        for number in range(LINES // 2):
            hall.log.emit(e.MountParked(took_s=number))
        proxy, at = await served(Proxy(hall.port, cuts).answer)
        daemon = Daemon(f"http://127.0.0.1:{at}")
        async with proxy, asyncio.timeout(30.0):
            coming = lines_from(daemon, live=live, pauses_s=(0.0,))
            async with aclosing(coming):
                async for line in coming:
                    had.append(line)
                    if len(had) <= LINES // 2 and live:
                        hall.log.emit(e.MountParked(took_s=1000.0 + len(had)))
                    if live and len(had) == LINES + 1:
                        break
        await asyncio.get_running_loop().shutdown_asyncgens()

    inside(tmp_path, story)
    assert had == log_file(tmp_path, NIGHT).read_text().splitlines()[: len(had)]
    assert len(had) == (LINES + 1 if live else LINES // 2 + 1)
    assert len(cuts) < 8, "it was cut"


@pytest.mark.parametrize("token", ["", TOKEN, "another"])
def test_a_token_is_asked_for_and_taken(tmp_path: Path, token: str) -> None:
    async def story(hall: Hall) -> None:
        coming = lines_from(Daemon(f"http://127.0.0.1:{hall.port}", token), live=False)
        if token == TOKEN:
            assert [line async for line in coming]
        else:
            with pytest.raises(NotHeard) as caught:
                [line async for line in coming]
            assert "another" not in str(caught.value)
        await asyncio.get_running_loop().shutdown_asyncgens()

    inside(tmp_path, story, token_file=with_token(tmp_path))
