"""Whole nights on virtual time: what is promised, under trouble of each kind."""

import asyncio
import json
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from night.nights import NIGHT, SELDOM_S, Story, demo, live
from nightloom.errors import FramesNotKept
from nightloom.night.phases import Phase
from nightloom.rig import SimulatedRig
from nightloom.telemetry import Event, log_sha256
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.faults import Faults

SHORT = {"R": 60.0, "G": 60.0, "B": 60.0}


@pytest.fixture(scope="module")
def clear(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """A clear half hour of three filters, with its frames."""
    return live(tmp_path_factory.mktemp("clear"), demo(targets=SHORT), hours=0.5, frames=True)


def test_a_clear_night_breaks_no_promise(clear: Story) -> None:
    assert clear.played.violations == []
    assert clear.events[-1][1].name() == "night_ended"


def test_every_filter_gets_its_share(clear: Story) -> None:
    accepted_s = clear.played.summary.accepted_s
    assert set(accepted_s) == set(SHORT)
    assert max(accepted_s.values()) - min(accepted_s.values()) <= 60.0
    assert clear.played.unevenness <= 1.0


def test_there_is_one_dither_for_each_completed_cycle(clear: Story) -> None:
    """Three filters of equal shares need one dither for three subs (common practice, no source)."""
    names = [event.name() for _, event in clear.events]
    between = [name for name in names if name in ("sub_ended", "dithered")]
    runs = "".join("s" if name == "sub_ended" else "d" for name in between).split("d")
    assert all(run == "sss" for run in runs[:-1])


def test_each_completed_cycle_is_told_once(clear: Story) -> None:
    """With equal shares a cycle is complete when every filter has as many subs as its number."""
    kept: dict[str, int] = dict.fromkeys(SHORT, 0)
    told = []
    for _, event in clear.events:
        if isinstance(event, e.FrameAccepted):
            kept[event.filter] += 1
        if isinstance(event, e.CycleCompleted):
            assert min(kept.values()) == event.cycle
            assert event.accepted_s == {name: count * SHORT[name] for name, count in kept.items()}
            told.append(event.cycle)
    assert told == list(range(1, min(kept.values()) + 1))


def test_each_filter_is_in_focus_without_a_run_of_its_own(clear: Story) -> None:
    """One curve, in one filter; by the simulator's truth no sub's stars are a tenth larger for
    the focus, the sway included.
    """
    assert len(clear.of(e.FocusCurve)) == 1
    growths = [sub.defocus_growth for sub in clear.played.subs]
    assert len(growths) >= 20
    assert not any(sub.stuck for sub in clear.played.subs), "each stood where it was sent"
    assert max(growths) < 0.10
    assert np.median(growths) < 0.02


def test_no_two_pointings_are_closer_than_the_least_dither(clear: Story) -> None:
    least_px = clear.rehearsal.settings.policies.dither.minimum_step_px
    places = [(0.0, 0.0), *((d.dx_px, d.dy_px) for d in clear.of(e.Dithered))]
    apart = [np.hypot(*np.subtract(a, b)) for i, a in enumerate(places) for b in places[:i]]
    assert min(apart) >= least_px


def test_frames_say_where_they_point(clear: Story) -> None:
    """The WCS of every frame puts its target, dithered as the log says, where it is."""
    target = clear.rehearsal.settings.targets.targets[0]
    folder = clear.rehearsal.frames_folder
    assert folder is not None
    for frame in clear.frames:
        with fits.open(folder / frame.path, checksum=True) as hdus:
            header = hdus[0].header
            x, y = WCS(header).all_world2pix([[target.ra_deg, target.dec_deg]], 0)[0]
            middle = np.array([header["NAXIS1"], header["NAXIS2"]]) / 2
            radius_px = clear.rehearsal.settings.policies.dither.radius_px
            assert np.hypot(*(np.array([x, y]) - middle)) < 2 * radius_px + 20
            assert header["FILTER"] == frame.filter
            assert header["EXPTIME"] == frame.exposure_s


def test_the_frames_stars_are_where_the_header_puts_them(clear: Story) -> None:
    """A frame solved afresh agrees with the WCS it was written with to 5″."""
    from nightloom.frames import measure
    from nightloom.rig import simulated_sky
    from nightloom.solving import CatalogueSolver, Hint
    from nightloom_drivers.virtual_loop import run_virtual

    target = clear.rehearsal.settings.targets.targets[0]
    solver = CatalogueSolver(simulated_sky(clear.rehearsal.rig))
    folder = clear.rehearsal.frames_folder
    assert folder is not None
    for frame in (clear.frames[0], clear.frames[-1]):
        with fits.open(folder / frame.path) as hdus:
            data, header = hdus[0].data, hdus[0].header
        stars = measure(data, saturation_adu=60000.0)
        hint = Hint(target.ra_deg, target.dec_deg, 0.5, 1.463)
        solved = run_virtual(solver.solve(data, stars, hint))
        x, y = WCS(header).all_world2pix([[solved.ra_deg, solved.dec_deg]], 0)[0]
        middle = (np.array(data.shape[::-1]) - 1) / 2
        assert np.hypot(*(np.array([x, y]) - middle)) * 1.463 < 5.0


def test_one_seed_gives_one_log(tmp_path: Path) -> None:
    logs = [
        live(tmp_path / name, demo(targets=SHORT), hours=0.15).rehearsal.log_file
        for name in ("first", "second")
    ]
    assert log_sha256(logs[0]) == log_sha256(logs[1])


def test_another_seed_gives_another_log(tmp_path: Path) -> None:
    logs = [
        live(tmp_path / str(seed), demo(targets=SHORT), hours=0.1, seed=seed).rehearsal.log_file
        for seed in (1, 2)
    ]
    assert log_sha256(logs[0]) != log_sha256(logs[1])


@pytest.mark.long
def test_a_cloud_holds_the_subs_and_costs_every_filter_alike(tmp_path: Path) -> None:
    cloud = {"begin_h_after_dusk": 0.3, "duration_h": 0.3, "depth_mag": 4.0, "contrast": 0.1}
    story = live(tmp_path, demo(targets=SHORT, weather={"clouds": (cloud,)}), hours=1.0)
    assert story.played.violations == []
    (held,), (cleared,) = story.at(e.CloudHold), story.at(e.CloudCleared)
    assert 0.2 * 3600 < cleared - held < 0.5 * 3600
    assert not [at for at in story.at(e.SubBegun) if held < at < cleared]
    assert len(story.of(e.RoofOpened)) == 1, "clouds alone do not close the roof"
    accepted_s = story.played.summary.accepted_s
    assert max(accepted_s.values()) - min(accepted_s.values()) <= 60.0


def test_frames_under_a_veil_do_not_count(tmp_path: Path) -> None:
    """What was taken while the light fell is on record and rejected, or was cut short."""
    cloud = {"begin_h_after_dusk": 0.25, "duration_h": 0.2, "depth_mag": 3.0, "contrast": 0.1}
    story = live(tmp_path, demo(targets=SHORT, weather={"clouds": (cloud,)}), hours=0.6)
    lost = len(story.of(e.FrameRejected)) + len(story.of(e.SubCancelled))
    assert lost >= 1
    kept = {frame.uid for frame in story.frames if frame.verdict == "accepted"}
    assert kept.isdisjoint(rejected.uid for rejected in story.of(e.FrameRejected))


def test_rain_parks_closes_waits_and_opens_again(tmp_path: Path) -> None:
    rain = {"begin_h_after_dusk": 0.3, "duration_h": 0.1}
    story = live(
        tmp_path,
        demo(
            targets=SHORT,
            weather={"rain": (rain,)},
            policies={"weather": {"wait_safe_s": 300.0}},
            guide_s=SELDOM_S,
        ),
        hours=0.85,
    )
    assert story.played.violations == []
    names = [event.name() for _, event in story.events]
    order = ["weather_unsafe", "mount_parked", "roof_closed", "weather_safe", "roof_opened",
             "mount_unparked", "sub_begun"]  # fmt: skip
    after = names[names.index("weather_unsafe") :]
    places = [after.index(name) for name in order]
    assert places == sorted(places)
    assert story.at(e.WeatherSafe)[0] - story.at(e.WeatherUnsafe)[0] > 300.0


def test_a_silent_weather_station_is_bad_weather(tmp_path: Path) -> None:
    async def hush(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(4000.0)
        Faults(rig.link, rig.simulators, rig.world, clock).station_silent()
        await asyncio.get_running_loop().create_future()

    story = live(tmp_path, demo(targets=SHORT, guide_s=SELDOM_S), hours=0.3, meddler=hush)
    assert story.played.violations == []
    assert "silent" in story.of(e.WeatherUnsafe)[0].reasons[0]
    assert story.of(e.RoofClosed)


def test_a_cut_link_in_the_middle_of_a_sub_costs_that_sub_only(tmp_path: Path) -> None:
    begun = asyncio.Event()

    def listen(_: datetime, event: Event) -> None:
        if isinstance(event, e.SubBegun):
            begun.set()

    async def cut(rig: SimulatedRig, clock: Clock) -> None:
        await begun.wait()
        await asyncio.sleep(30.0)
        rig.link.disconnect()
        await asyncio.sleep(20.0)
        rig.link.reconnect()
        await asyncio.get_running_loop().create_future()

    changed = demo(targets=SHORT, guide_s=SELDOM_S)
    story = live(tmp_path, changed, hours=0.3, meddler=cut, listener=listen)
    assert story.played.violations == []
    trouble = story.at(e.DeviceTrouble)[0]
    assert [at for at in story.at(e.SubBegun) if at > trouble], "the night goes on"
    cancelled = {event.uid for event in story.of(e.SubCancelled)}
    assert cancelled
    assert cancelled.isdisjoint(frame.uid for frame in story.frames)


def test_the_whole_table_of_moves_is_respected(clear: Story) -> None:
    moves = [(event.before, event.after) for event in clear.of(e.PhaseChanged)]
    assert all(first[1] == second[0] for first, second in pairwise(moves))
    assert moves[0][0] == moves[-1][1] == Phase.ASLEEP


def test_a_disk_that_refuses_ends_the_night_parked_and_closed(tmp_path: Path) -> None:
    """The frames' folder is a file: no frame can be written, and nothing stays open."""
    (tmp_path / "frames").touch()
    story = live(tmp_path, demo(targets=SHORT, guide_s=SELDOM_S), hours=0.3, frames=True)
    assert isinstance(story.played.unkept, FramesNotKept)
    assert "3 frames in a row" in str(story.played.unkept)
    lines = [json.loads(line) for line in (tmp_path / f"{NIGHT}.jsonl").read_text().splitlines()]
    names = [line["event"] for line in lines]
    assert names.count("frame_lost") == 3
    assert names.index("mount_parked") < names.index("roof_closed") < names.index("night_ended")
