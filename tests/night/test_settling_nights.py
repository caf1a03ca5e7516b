"""How long a night waits for the guide stars to rest, and what it does when they do not."""

from pathlib import Path
from statistics import median

from night.nights import Story, demo, live
from nightloom.telemetry import events as e

SUBS = {"R": 60.0, "G": 60.0}
ROUGH = {"atmosphere": {"jitter_arcsec": 2.0, "seeing_fwhm_arcsec": 2.5}}
STRICT_ARCSEC = 0.05  # less than any air leaves
DEADLINE_S = 20.0


def short(out: Path, **said: object) -> Story:
    return live(out, demo(targets=SUBS, **said), hours=0.26)  # type: ignore[arg-type]


def test_rough_air_is_not_waited_out(tmp_path: Path) -> None:
    """What the air makes is rest: stars that jump by 2″ settle as soon as they jump about the hold
    point, though that is more than is called settled on a quiet night.
    """
    story = short(tmp_path, rig=ROUGH)
    settle_s = [dithered.settle_s for dithered in story.of(e.Dithered)]
    assert len(settle_s) >= 4
    assert median(settle_s) <= DEADLINE_S / 2
    assert len(story.of(e.GuidingCalibrated)) == 1
    assert story.played.violations == []


def test_a_sub_waits_once_more_for_an_error_that_it_would_not_bear(tmp_path: Path) -> None:
    """Nothing rests in a deadline of a second; a sub that bears the error begins, one that does
    not waits for another second.
    """
    hasty = {"rest_deadline_s": 1.0}
    bears = short(tmp_path / "bears", policies={"guiding": hasty})
    refuses = {"guiding": hasty, "frames": {"maximum_guide_rms_arcsec": STRICT_ARCSEC}}
    waits = short(tmp_path / "waits", policies=refuses)
    for story, tries in ((bears, 1), (waits, 2)):
        gathering_s = story.at(e.SubBegun)[0]
        failed_s = [at_s for at_s in story.at(e.RestNotReached) if at_s > gathering_s]
        dithered_s = [at_s for at_s in story.at(e.Dithered) if at_s > gathering_s]
        assert len(dithered_s) >= 4
        assert len(failed_s) == tries * len(dithered_s)
