"""What a frame is worth among those of its filter, and what it makes of theirs."""

import math
from collections.abc import Sequence
from dataclasses import replace

from nightloom.frames.depth import DepthFacts, clear_dark, worth_s
from nightloom.ledger import Frame, Verdict
from nightloom_drivers.frame_kind import FrameKind

REVISED_PART = 0.005
"""A frame's worth is entered anew when it has changed by so large a part of its seconds."""


def weighed(frame: Frame, alike: Sequence[Frame]) -> tuple[Frame, dict[str, float]]:
    """A frame with what it is worth, and what those of its filter, gain and binning are worth now:
    by name, where it makes another clear dark night of theirs.
    """
    known = {one.uid: one for one in (*alike, frame)}
    facts = {uid: depth_facts(one) for uid, one in known.items()}
    kept = [
        one for uid, one in facts.items() if one.known and known[uid].verdict is Verdict.ACCEPTED
    ]
    night = clear_dark(kept)
    if night is None or frame.kind is not FrameKind.LIGHT:
        return frame, {}
    now_s = {uid: worth_s(one, night) for uid, one in facts.items() if one.known}
    own_s = now_s.pop(frame.uid, None)
    moved_s = {
        uid: new_s
        for uid, new_s in now_s.items()
        if abs(new_s - (known[uid].worth_s or 0.0)) > REVISED_PART * known[uid].exposure_s
    }
    return replace(frame, worth_s=own_s), moved_s


def depth_facts(frame: Frame) -> DepthFacts:
    """What the depth of a frame hangs on; NaN where it is not known."""
    told = frame.starlight, frame.noise_adu, frame.half_flux_radius_px
    return DepthFacts(frame.exposure_s, *(math.nan if one is None else one for one in told))
