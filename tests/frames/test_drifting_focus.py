"""A focus that drifts teaches the judge nothing: by its rule, and through a night."""

import math
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pytest

from frames.test_judging import CLEAR, POLICY
from night.nights import Story, demo, live
from nightloom.frames.judging import JudgingMemory, judge
from nightloom.ledger import Verdict
from nightloom.rig import SimulatedRig
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock

SLIP_STEPS_PER_MIN = 8.0


def kept_of_a_drift(in_focus_px: float) -> int:
    """Of nineteen frames whose stars grow from 0.97 to 2.37 px, those that are accepted."""
    memory, kept = JudgingMemory(), 0
    for size_px in np.linspace(0.97, 2.37, 19):
        facts = replace(CLEAR, half_flux_radius_px=float(size_px), in_focus_px=in_focus_px)
        memory, judgement = judge(facts, memory, POLICY)
        kept += judgement.accepted
    return kept


def test_a_drift_does_not_teach_the_judge_to_accept() -> None:
    """Up to 40 % more than in focus, which is 1.36 px: five frames; by what is usual nearly all."""
    assert kept_of_a_drift(in_focus_px=0.97) == 5
    assert kept_of_a_drift(in_focus_px=math.nan) >= 18


def test_air_that_the_guide_stars_show_too_is_no_drift() -> None:
    memory = JudgingMemory()
    for size_px in np.linspace(0.97, 2.37, 19):
        facts = replace(CLEAR, half_flux_radius_px=float(size_px), in_focus_px=float(size_px) / 1.1)
        memory, judgement = judge(facts, memory, POLICY)
        assert judgement.accepted


def test_the_reason_says_what_it_was_held_against() -> None:
    facts = replace(CLEAR, half_flux_radius_px=1.5, in_focus_px=1.0)
    _, judgement = judge(facts, JudgingMemory(), POLICY)
    assert judgement.reason == (
        "stars are 50 % larger than in focus under this air, at most 40 % allowed"
    )


@dataclass(frozen=True)
class Slipping:
    """A night in which the drawtube slips while the focuser's count stays, and the truth of it: how
    far out of focus each sub was, in steps.
    """

    story: Story
    off_steps: dict[str, float]


@pytest.fixture(scope="module")
def slipping(tmp_path_factory: pytest.TempPathFactory) -> Slipping:
    """From the first sub on, and nobody looks at the focus again."""
    rigs: list[SimulatedRig] = []
    since_s: list[float] = []
    off: dict[str, float] = {}

    async def meet(rig: SimulatedRig, _: Clock) -> None:
        rigs.append(rig)
        held = rig.world.focuser.drawtube_steps

        def slipped(t_s: float) -> float:
            minutes = max(t_s - since_s[0], 0.0) / 60.0 if since_s else 0.0
            return held(t_s) + SLIP_STEPS_PER_MIN * minutes

        rig.world.focuser.drawtube_steps = slipped  # type: ignore[method-assign]

    def note(utc: datetime, event: Event) -> None:
        if isinstance(event, e.SubBegun):
            since_s.append(utc.timestamp())
            middle_s = utc.timestamp() + event.exposure_s / 2
            best = rigs[0].world.light_path.best_focus_steps(middle_s)
            assert best is not None
            off[event.uid] = rigs[0].world.focuser.drawtube_steps(middle_s) - best

    blind = {"false_alarms_per_night": 1e-9, "drift_zones_per_h": 0.0, "temperature_change_c": 90.0}
    changed = demo(targets={"R": 40.0, "G": 40.0}, policies={"focus": blind})
    out = tmp_path_factory.mktemp("slipping")
    return Slipping(live(out, changed, hours=0.35, meddler=meet, listener=note), off)


def test_frames_out_of_focus_are_rejected_however_slowly_it_went(slipping: Slipping) -> None:
    """Stars of 2.6 px FWHM grow by 40 % where a disk of the slip's radius adds to them: by 35 to 45
    steps, in quadrature. By what is usual, all but one or two were once kept, to the last.
    """
    frames = [(slipping.off_steps[frame.uid], frame) for frame in slipping.story.frames]
    assert len(frames) >= 14
    assert all(frame.verdict is Verdict.ACCEPTED for off, frame in frames if off < 25.0)
    far = [frame for off, frame in frames if off > 48.0]
    assert len(far) >= 3
    assert all(frame.verdict is Verdict.REJECTED for frame in far)
    assert all("than in focus under this air" in frame.reason for frame in far)
