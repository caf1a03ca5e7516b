"""Through the meridian: with mounts that flip, flip late, stay, say nothing, or need not flip."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from night.nights import NIGHT, SELDOM_S, Story, demo, live
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.phases import Phase
from nightloom.schedule.windows import darkness
from nightloom.settings.observatory import Mount
from nightloom.sky import sidereal_deg
from nightloom.telemetry import events as e
from nightloom_drivers.rig_settings import RigSettings

BEFORE_H = 0.12


def through_the_meridian(
    out: Path,
    *,
    before_h: float,
    hours: float,
    table: Mapping[str, Any] | None = None,
    mount: Mapping[str, Any] | None = None,
    policies: Mapping[str, Mapping[str, Any]] | None = None,
    exposure_s: float = 60.0,
    weather: Mapping[str, Any] | None = None,
    guide_s: float | None = SELDOM_S,
) -> Story:
    """A night that begins so many hours before its target's meridian.

    `table` changes the mount's settings and `mount` the mount.
    """
    settings, rig = demo(
        targets=dict.fromkeys("RGB", exposure_s),
        policies=policies,
        weather=weather,
        guide_s=guide_s,
    )
    rig = RigSettings.model_validate(
        {**rig.model_dump(), "mount": {**rig.mount.model_dump(), **(mount or {})}}
    )
    observatory = settings.observatory
    dusk_s = darkness(settings, NIGHT).start_unix_s
    ra_deg = (sidereal_deg(dusk_s, observatory.site.longitude_deg) + 15.0 * before_h) % 360.0
    target = settings.targets.targets[0].model_copy(update={"ra_deg": float(ra_deg)})
    told = Mount.model_validate({**observatory.mount.model_dump(), **(table or {})})
    changed = replace(
        settings,
        observatory=observatory.model_copy(update={"mount": told}),
        targets=settings.targets.model_copy(update={"targets": (target,)}),
    )
    return live(out, (changed, rig), hours=hours)


def crossing_at(story: Story) -> float:
    """When the crossing began."""
    return next(
        utc.timestamp()
        for utc, event in story.events
        if isinstance(event, e.PhaseChanged) and event.after == Phase.CROSSING
    )


def phases(story: Story) -> list[str]:
    return [event.after for event in story.of(e.PhaseChanged)]


def dark_gap_s(story: Story) -> float:
    """From the end of the last sub before the crossing to the beginning of the first after it."""
    crossing = crossing_at(story)
    download_s = max(ended.download_s for ended in story.of(e.SubEnded))
    last = max(at for at in story.at(e.SubEnded) if at <= crossing) - download_s
    first = min(at for at in story.at(e.SubBegun) if at > crossing)
    return float(first - last)


@pytest.fixture(scope="module")
def crossed(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Three quarters of an hour, with the end of the west side in the middle."""
    out = tmp_path_factory.mktemp("crossed")
    return through_the_meridian(out, before_h=BEFORE_H, hours=0.8, guide_s=None)


def test_the_other_side_takes_over_within_four_minutes(crossed: Story) -> None:
    assert crossed.played.violations == []
    assert phases(crossed).count(Phase.CROSSING) == 1
    assert phases(crossed)[phases(crossed).index(Phase.CROSSING) + 1] == Phase.GATHERING
    assert dark_gap_s(crossed) <= 240.0
    (told,) = crossed.of(e.Crossed)
    assert (told.before, told.after) == ("west", "east")
    assert told.took_s <= 240.0


def test_crossing_costs_no_look_at_the_focus_and_the_subs_after_it_are_sharp(
    crossed: Story,
) -> None:
    """What its weight moved, the subs would tell."""
    (flip,) = crossed.at(e.Crossed)
    reasons = [look.reason for look in crossed.of(e.FocusChecked)]
    assert not [reason for reason in reasons if "meridian" in reason]
    after = [frame for frame in crossed.frames if frame.start_utc.timestamp() > flip]
    assert len(after) >= 3
    assert all(frame.verdict == "accepted" for frame in after)


def test_no_sub_is_cut_by_the_limit_and_the_west_tracks_past_the_meridian(crossed: Story) -> None:
    """Fifteen minutes are allowed there, and subs use them."""
    assert crossed.of(e.SubCancelled) == []
    assert crossed.of(e.GuardRefused) == []
    meridian_s = darkness(crossed.rehearsal.settings, NIGHT).start_unix_s + 3600 * BEFORE_H
    begun = crossed.at(e.SubBegun)
    past = [at for at in begun if meridian_s < at < crossing_at(crossed)]
    assert 11 * 60 < past[-1] - meridian_s < 15 * 60


def test_the_target_stands_where_it_stood(crossed: Story) -> None:
    """Within 30″ on the sensor, as the ledger has it and as two frames solved tell (turned by half
    a turn)."""
    first, *_, last = crossed.of(e.Centred)
    assert max(first.distance_arcsec, last.distance_arcsec) <= 30.0
    crossing = crossing_at(crossed)
    with Ledger.read(crossed.rehearsal.out / FILE_NAME) as ledger:
        places = {place.number: (place.x_px, place.y_px) for place in ledger.places("NGC 891")}
    numbers = [
        max(f.pointing for f in crossed.frames if f.start_utc.timestamp() < crossing),
        min(f.pointing for f in crossed.frames if f.start_utc.timestamp() > crossing),
    ]
    scale = crossed.of(e.Solved)[0].scale_arcsec_per_px
    before, after = (np.array(places[number]) * scale for number in numbers)
    assert np.hypot(*(after - before)) <= 30.0
    turned = crossed.of(e.Solved)[-1].rotation_deg - crossed.of(e.Solved)[0].rotation_deg
    assert turned % 360 == pytest.approx(180.0, abs=1.0)


def test_the_mirrored_calibration_guides_as_well(crossed: Story) -> None:
    crossing = crossing_at(crossed)
    rms = [(f.start_utc.timestamp(), f.guide_rms_arcsec) for f in crossed.frames]
    before = [one for at, one in rms if at < crossing and one is not None]
    after = [one for at, one in rms if at > crossing and one is not None]
    assert min(len(before), len(after)) >= 15
    assert np.median(after) == pytest.approx(np.median(before), rel=0.1)
    assert len(crossed.of(e.GuidingCalibrated)) == 1, "mirrored, not made anew"


def test_no_pointing_is_near_an_earlier_one_across_the_meridian(crossed: Story) -> None:
    with Ledger.read(crossed.rehearsal.out / FILE_NAME) as ledger:
        known = {place.number: (place.x_px, place.y_px) for place in ledger.places("NGC 891")}
    places = [known[number] for number in sorted({frame.pointing for frame in crossed.frames})]
    apart = [np.hypot(*np.subtract(a, b)) for i, a in enumerate(places) for b in places[:i]]
    assert min(apart) >= crossed.rehearsal.settings.policies.dither.minimum_step_px


def test_waiting_for_the_other_side_is_used_for_a_look_at_the_focus(tmp_path: Path) -> None:
    """Neither side looks for four minutes, and the last sub of four ends some before: a look that
    nothing asks for costs no time there, and the mount stands still from its limit on."""
    story = through_the_meridian(
        tmp_path,
        before_h=0.22,
        hours=0.75,
        table={"flip_after_h": 0.2, "hour_angle_pier_west_h": (-6.5, 0.13)},
        mount={"flip_after_h": 0.2},
        policies={"focus": {"temperature_change_c": 20.0, "minimum_interval_s": 600.0}},
        exposure_s=240.0,
    )
    assert story.played.violations == []
    assert story.of(e.SubCancelled) == []
    assert story.of(e.GuardRefused) == []
    crossing = crossing_at(story)
    (flip,) = story.at(e.Crossed)
    looks = [ev for ev in story.of(e.FocusChecked) if ev.reason == "the meridian is waited for"]
    assert len(looks) == 1
    during = [at for at in story.at(e.FocusChecked) if crossing < at < flip]
    assert len(during) == 1
    meridian_s = darkness(story.rehearsal.settings, NIGHT).start_unix_s + 3600 * 0.22
    assert 0.0 < flip - meridian_s - 3600 * 0.2 < 180.0


def test_a_mount_that_flips_late_is_told_once_more_and_goes(tmp_path: Path) -> None:
    """It is believed to flip at once, stays on its side where it must not, and goes later."""
    story = through_the_meridian(
        tmp_path,
        before_h=0.1,
        hours=0.45,
        table={"hour_angle_pier_west_h": (-6.5, 0.05), "flip_retry_s": 300.0},
        mount={"flip_after_h": 0.12},
    )
    assert story.played.violations == []
    (refused,) = story.of(e.CrossingRefused)
    assert "west of" in refused.reason
    assert refused.next_step == "told again after 300 s"
    (crossed,) = story.of(e.Crossed)
    assert crossed.after == "east"
    assert 300.0 < crossed.took_s < 600.0


def test_a_mount_that_never_flips_is_stopped_and_parked_after_two_tries(tmp_path: Path) -> None:
    story = through_the_meridian(tmp_path, before_h=0.0, hours=0.45, mount={"flip_after_h": 12.0})
    assert story.played.violations == []
    first, second = story.of(e.CrossingRefused)
    assert (first.next_step, second.next_step) == (
        "told again after 120 s",
        "parked, and the target left",
    )
    gave_up = story.at(e.CrossingRefused)[-1]
    assert not [at for at in story.at(e.Slewed) if at > gave_up], "it is not tried for ever"
    assert story.at(e.MountParked)[0] - gave_up < 60.0


def test_a_mount_that_does_not_say_its_side_is_known_by_its_frames(tmp_path: Path) -> None:
    story = through_the_meridian(tmp_path, before_h=0.0, hours=0.4, table={"pier_side": "solved"})
    assert story.played.violations == []
    (crossed,) = story.of(e.Crossed)
    assert (crossed.before, crossed.after) == ("west", "east")
    assert len(story.of(e.GuidingCalibrated)) == 1


def test_frames_show_that_a_silent_mount_did_not_flip(tmp_path: Path) -> None:
    story = through_the_meridian(
        tmp_path,
        before_h=0.0,
        hours=0.4,
        table={"pier_side": "solved"},
        mount={"flip_after_h": 12.0},
    )
    assert story.played.violations == []
    assert len(story.of(e.CrossingRefused)) == 2
    assert not story.of(e.Crossed)


def test_a_fork_goes_on_through_the_meridian(tmp_path: Path) -> None:
    story = through_the_meridian(tmp_path, before_h=0.1, hours=0.3, table={"needs_flip": False})
    assert story.played.violations == []
    assert Phase.CROSSING not in phases(story)
    assert len(story.of(e.Centred)) == 1
