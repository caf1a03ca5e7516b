"""What comes after a frame: its verdict counts, whatever becomes of the next pointing."""

import asyncio
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from night.nights import SELDOM_S, demo, live
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import Event, Received

SUB_S = 60.0
SETTLING_S = 2.5
"""After the download the verdict takes a second or two, and the settling of the dither five."""


def test_a_frame_that_was_taken_in_outlives_trouble_in_the_dither_after_it(tmp_path: Path) -> None:
    """With one filter each sub is followed by a dither; the link is cut in the third one."""

    async def cut(rig: SimulatedRig, clock: Clock) -> None:
        link = rig.link
        third = asyncio.Event()
        subs: list[float] = []

        def hear(event: Event) -> None:
            if isinstance(event, Received) and event.blob.device == "Rig Camera":
                subs.append(clock.unix_s())
                gaps = [after - before for before, after in pairwise(subs)]
                if sum(gap > SUB_S for gap in gaps[-2:]) == 2:
                    third.set()

        with link.listen(hear):
            await third.wait()
        await asyncio.sleep(SETTLING_S)
        link.disconnect()
        await asyncio.sleep(20.0)
        link.reconnect()
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets={"L": SUB_S}, guide_s=SELDOM_S), hours=0.5, meddler=cut)
    assert story.played.violations == []
    assert story.of(e.UnexpectedError) == []
    trouble_s = story.at(e.DeviceTrouble)[0]
    began_s = max(at for at in story.at(e.SubBegun) if at < trouble_s)
    last = story.of(e.SubBegun)[story.at(e.SubBegun).index(began_s)]
    assert trouble_s - began_s > SUB_S, "it was cut after its exposure"
    assert last.uid in {frame.uid for frame in story.frames}
    assert last.uid not in {event.uid for event in story.of(e.SubCancelled)}


def test_a_target_gets_the_subs_it_wants_and_none_beyond(tmp_path: Path) -> None:
    """The last verdict is waited for: until it is there nobody knows whether another is due."""
    settings, rig = demo(targets={"L": SUB_S}, guide_s=SELDOM_S)
    (target,) = settings.targets.targets
    wanted = {
        name: sub.model_copy(update={"wanted_hours": 3 * SUB_S / 3600})
        for name, sub in target.filters.items()
    }
    target = target.model_copy(update={"filters": wanted})
    targets = settings.targets.model_copy(update={"targets": (target,)})
    story = live(tmp_path, (replace(settings, targets=targets), rig), hours=0.5)
    assert [frame.verdict for frame in story.frames] == ["accepted"] * 3
