"""What the guide loop does in a night: dithers, refused pulses, knocks, calibrations that stay."""

import asyncio
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from night.nights import Story, demo, live
from nightloom.ledger import FILE_NAME, GuideCalibration, Ledger
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import Event, State, Value
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.mount import MountSimulator
from nightloom_drivers.simulators.rig import GUIDE_CAMERA
from nightloom_drivers.simulators.simulator import Asked

SHORT = {"R": 60.0, "G": 60.0, "B": 60.0}
GATHERING_S = 3900.0
"""Into the night: its subs are under way."""


def mount_of(rig: SimulatedRig) -> MountSimulator:
    mount = rig.simulator("Rig Mount")
    assert isinstance(mount, MountSimulator)
    return mount


def refuse_pulses(rig: SimulatedRig, count: int) -> None:
    """Have the mount turn so many pulses down."""
    mount, left = mount_of(rig), count

    def moody(name: str, _: Mapping[str, Value]) -> bool:
        nonlocal left
        refused = name.startswith("TELESCOPE_TIMED_GUIDE") and left > 0
        if refused:
            left -= 1
            mount.publish(name, State.ALERT)
        return not refused

    mount.hears = moody


@pytest.fixture(scope="module")
def clear(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return live(tmp_path_factory.mktemp("guided"), demo(targets=SHORT), hours=0.55)


def test_dithers_settle_in_six_seconds(clear: Story) -> None:
    """A dither with its settling takes 5 to 10 s (common practice, no source)."""
    took_s = [dithered.settle_s for dithered in clear.of(e.Dithered)]
    assert len(took_s) >= 8
    assert np.median(took_s) <= 6.0
    assert not clear.of(e.RestNotReached)


def test_every_frame_says_its_guide_error_by_axis_and_what_the_air_made_of_it(
    clear: Story,
) -> None:
    for frame in clear.of(e.FrameAccepted):
        total = np.hypot(frame.guide_ra_rms_arcsec, frame.guide_dec_rms_arcsec)
        assert frame.guide_rms_arcsec == pytest.approx(total)
        assert frame.guide_peak_arcsec >= frame.guide_rms_arcsec
        assert 0 < frame.guide_seeing_arcsec < 2 * frame.guide_rms_arcsec


def test_air_is_what_the_simulator_has(clear: Story) -> None:
    """0.5″ in one second and one axis are 0.5″ in two seconds and two axes."""
    air = np.median([frame.guide_seeing_arcsec for frame in clear.of(e.FrameAccepted)])
    assert air == pytest.approx(0.5, rel=0.15)


@pytest.fixture
def after(clear: Story, tmp_path: Path) -> Path:
    """A folder that was left by the clear night."""
    return Path(shutil.copytree(clear.rehearsal.out, tmp_path / "out"))


@dataclass(frozen=True)
class Slips:
    """A night in which a pulse is refused, a guide frame is lost, and the guide camera blind for
    half a minute; with the exposures that it was asked for, and when.
    """

    story: Story
    exposures: list[tuple[float, float]]
    blind_s: tuple[float, float]

    def exposures_s(self, from_s: float, to_s: float) -> list[float]:
        return [exposure_s for at_s, exposure_s in self.exposures if from_s < at_s < to_s]


@pytest.fixture(scope="module")
def slips(tmp_path_factory: pytest.TempPathFactory) -> Slips:
    exposures: list[tuple[float, float]] = []
    blind: list[float] = []

    async def slip(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)

        def note(event: Event | Asked) -> None:
            if isinstance(event, Asked) and event.name == "CCD_EXPOSURE":
                exposures.append((clock.unix_s(), float(event.values["CCD_EXPOSURE_VALUE"])))

        rig.simulator(GUIDE_CAMERA).watch(note)
        await asyncio.sleep(GATHERING_S)
        refuse_pulses(rig, 1)
        await asyncio.sleep(30.0)
        faults.frame_lost(device=GUIDE_CAMERA)
        await asyncio.sleep(120.0)
        blind.append(clock.unix_s())
        faults.covered(GUIDE_CAMERA)
        await asyncio.sleep(30.0)
        faults.heal(GUIDE_CAMERA)
        blind.append(clock.unix_s())
        await asyncio.get_running_loop().create_future()

    folder = tmp_path_factory.mktemp("slips")
    story = live(folder, demo(targets=SHORT), hours=0.3, meddler=slip)
    return Slips(story, exposures, (blind[0], blind[1]))


def test_one_refused_pulse_and_one_lost_frame_cost_nothing(slips: Slips) -> None:
    story = slips.story
    assert story.played.violations == []
    troubles = story.of(e.DeviceTrouble)
    assert [(trouble.device, trouble.kind) for trouble in troubles] == [
        ("Rig Mount", "refused"),
        ("Rig Guide Camera", "was late"),
    ]
    assert [phase.after for phase in story.of(e.PhaseChanged)].count("readying") == 1
    before = [at for at in story.at(e.SubCancelled) if at < slips.blind_s[0]]
    assert not before
    asked_s = np.array([at_s for at_s, _ in slips.exposures if at_s < slips.blind_s[0]])
    assert 10.0 < np.diff(asked_s[-120:]).max() < 15.0, "the next frame is not long in coming"


def test_a_lost_star_is_looked_for_with_longer_exposures(slips: Slips) -> None:
    """Twice as long each from the third frame without it on, up to four times."""
    from_s, to_s = slips.blind_s
    story = slips.story
    assert slips.exposures_s(from_s, to_s)[-2:] == [8.0, 8.0]
    assert 4.0 in slips.exposures_s(from_s, to_s)
    (lost_s,), (found_s,) = story.at(e.StarsUnseen), story.at(e.StarsSeenAgain)
    assert from_s < lost_s < to_s < found_s < to_s + 20.0
    assert set(slips.exposures_s(found_s, found_s + 60.0)) == {2.0}


@pytest.mark.long
def test_a_mount_that_goes_on_refusing_is_trouble_and_the_night_goes_on(tmp_path: Path) -> None:
    async def refuse_some(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(GATHERING_S)
        refuse_pulses(rig, 3)
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets=SHORT), hours=0.6, meddler=refuse_some)
    assert story.played.violations == []
    assert len(story.of(e.DeviceTrouble)) >= 2
    last = story.at(e.DeviceTrouble)[-1]
    assert [at for at in story.at(e.SubBegun) if at > last]


def test_a_knock_out_of_the_windows_is_found_by_the_pattern_and_put_back(tmp_path: Path) -> None:
    """A tube pushed by 2′, which is 29 guide pixels; the windows reach 14."""

    async def knock(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(GATHERING_S)
        mount = rig.world.mount
        now_s = clock.unix_s()
        mount._dec.move(now_s, mount._dec.motor.at(now_s) + 120 / 3600, 1.0)
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets=SHORT), hours=0.4, meddler=knock)
    assert story.played.violations == []
    phases = [phase.after for phase in story.of(e.PhaseChanged)]
    assert "sheltering" not in phases
    assert phases.count("acquiring") == 1
    hurt = [frame for frame in story.of(e.FrameAccepted) if frame.guide_peak_arcsec > 60]
    assert len(hurt) <= 1, "it is back before the next sub"


def test_a_calibration_is_used_again_the_next_time(clear: Story, after: Path) -> None:
    again = live(after, demo(targets=SHORT), hours=0.26)
    assert len(clear.of(e.GuidingCalibrated)) == 1
    assert not again.of(e.GuidingCalibrated)
    assert again.of(e.StarsHeld)
    assert again.of(e.SubBegun)
    with Ledger.read(clear.rehearsal.out / FILE_NAME) as ledger:
        hot = ledger.hot_pixels(width_px=320, height_px=240)
    assert hot is not None
    assert len(hot.places) > 30, "the calibration alone showed them"


@pytest.mark.parametrize(
    ("ra_turn_deg", "dec_turn_deg"),
    [pytest.param(90.0, 90.0, marks=pytest.mark.long), (0.0, 180.0)],
)
def test_a_calibration_that_stopped_fitting_is_measured_anew(
    after: Path, ra_turn_deg: float, dec_turn_deg: float
) -> None:
    """The guide camera was turned by a quarter, or pulses north go south since then."""
    with Ledger(after / FILE_NAME) as ledger:
        (true,) = ledger.calibrations()
        ledger.add_calibration(
            GuideCalibration(
                datetime(2026, 11, 9, tzinfo=UTC),
                true.pier_side,
                true.scale_arcsec_per_px,
                true.declination_deg,
                true.ra_angle_deg + ra_turn_deg,
                true.dec_angle_deg + dec_turn_deg,
                true.ra_rate_px_per_s,
                true.dec_rate_px_per_s,
                true.backlash_s,
                true.north_is_south,
            )
        )
    story = live(after, demo(targets=SHORT), hours=0.4)
    assert story.of(e.GuidingDoubted)
    (calibrated,) = story.of(e.GuidingCalibrated)
    turned = calibrated.angle_deg - true.ra_angle_deg
    assert abs((turned + 180) % 360 - 180) < 3
    anew_s = story.at(e.GuidingCalibrated)[0]
    later = [
        frame
        for at, frame in zip(story.at(e.FrameAccepted), story.of(e.FrameAccepted), strict=True)
        if at > anew_s + 300
    ]
    assert later
    assert max(frame.guide_rms_arcsec for frame in later) < 1.0


def test_a_calibration_that_fails_in_a_sub_is_measured_anew_after_it(tmp_path: Path) -> None:
    """Pulses north go south from the middle of a sub of five minutes on; until it ends the loop
    makes do with what it saw, and so well that the sub is kept.
    """

    async def turn_round(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(GATHERING_S - 200.0)
        mount = rig.world.mount
        pulse, other = mount.pulse, {"north": "south", "south": "north"}
        mount.pulse = lambda at_s, way, ms: pulse(at_s, other.get(way, way), ms)  # type: ignore
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets={"R": 300.0}), hours=0.55, meddler=turn_round)
    assert story.played.violations == []
    doubted_s = story.at(e.GuidingDoubted)
    calibrated_s = story.at(e.GuidingCalibrated)[1:]
    assert len(doubted_s) == len(calibrated_s) == 1
    begun_s = np.array(story.at(e.SubBegun))

    def open_at(at_s: float) -> bool:
        return bool(((begun_s < at_s) & (at_s < begun_s + 300.0)).any())

    assert open_at(doubted_s[0])
    assert not any(open_at(at_s) for at_s in np.linspace(calibrated_s[0] - 30, calibrated_s[0]))
    assert not story.of(e.SubCancelled)
    assert not story.of(e.FrameRejected)
    after = [
        f
        for f, at in zip(story.of(e.FrameAccepted), story.at(e.FrameAccepted), strict=True)
        if at > calibrated_s[0] + 310.0
    ]
    assert max(frame.guide_rms_arcsec for frame in after) < 1.0


def test_no_star_is_guided_on_whose_light_is_cut_off(tmp_path: Path) -> None:
    """A guide camera whose values end a little above the sky has no star that is fit."""
    settings, simulated = demo(targets=SHORT)
    low = settings.observatory.guide_camera.model_copy(update={"saturation_adu": 150.0})
    observatory = settings.observatory.model_copy(update={"guide_camera": low})
    story = live(tmp_path, (replace(settings, observatory=observatory), simulated), hours=0.25)
    assert not story.of(e.StarsHeld)
    assert not story.of(e.SubBegun)
    assert any("fit to guide on" in moved.reason for moved in story.of(e.PhaseChanged))
