"""Whole short nights under the observer: what it sees of an ordinary one."""

import numpy as np
import pytest

from night.nights import Story, demo, live
from nightloom.telemetry import events as e
from rehearsal.scenes import Stage, observed


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Half an hour of the demo night, with its frames."""
    return live(
        tmp_path_factory.mktemp("plain"),
        demo(targets=dict.fromkeys("RGB", 60.0)),
        hours=0.4,
        frames=True,
    )


def test_a_plain_night_has_no_finding(plain: Story) -> None:
    assert plain.played.findings == []
    assert plain.played.unevenness <= 1.0


def test_every_sub_was_seen_to_leave_the_camera(plain: Story) -> None:
    """As many as the daemon says that it took, by its log, which the observer does not read."""
    subs = plain.played.subs
    assert len(subs) == len(plain.of(e.SubEnded)) > 5
    begun = {one.uid: one.filter for one in plain.of(e.SubBegun)}
    assert [sub.filter for sub in subs] == [begun[ended.uid] for ended in plain.of(e.SubEnded)]


def test_the_truth_is_near_what_the_daemon_measured(plain: Story) -> None:
    """The guide error holds the air's part, the telescope's wander does not."""
    for sub, frame in zip(plain.played.subs, plain.frames, strict=True):
        assert frame.guide_rms_arcsec is not None
        assert sub.wander_arcsec < frame.guide_rms_arcsec
    assert np.median([sub.transmission for sub in plain.played.subs]) > 0.97


def test_the_observer_leaves_no_trace_in_the_world() -> None:
    """It draws nothing that is random: without it the camera takes the same frame, bit by bit."""

    async def look(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.look_for(300.0)
        await stage.expose(120.0)

    (seen,), (unseen,) = (observed(look, watched=watched).frames for watched in (True, False))
    assert seen == unseen
