"""A whole night of the daemon with a rig that none of its authors wrote.

The INDI library's C++ simulators under indiserver, with Tycho-2 stars, solved by astrometry.net.
"""

import itertools
import json
import math
import subprocess
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Frame, Ledger
from rig.daemon import Daemon, Line, nightloom, running
from rig.observatory import (
    BEST_FOCUS_STEPS,
    LEAST_DITHER_PX,
    REST_ARCSEC,
    SCALE_ARCSEC,
    TOLERANCE_ARCSEC,
    WORM_ARCSEC,
    WORM_S,
    Place,
    ask,
    configure,
    simulators,
)
from rig.sky import Seen, solved, verified

pytestmark = pytest.mark.rig

CYCLES, SUB_S = 3, 30.0
NIGHT_S_MAX = 300.0


@dataclass(frozen=True)
class Night:
    """A night that is over: what the daemon told and kept, and what the server says after it."""

    config: Path
    place: Place
    daemon: Daemon
    frames: tuple[Frame, ...]
    paths: tuple[Path, ...]
    after: dict[str, str]

    def one(self, kind: str) -> Line:
        """The only event of its kind."""
        (line,) = self.daemon.of(kind)
        return line


ASKED_AFTER = (
    "Telescope Simulator.TELESCOPE_PARK.PARK",
    "Telescope Simulator.TELESCOPE_TRACK_STATE.TRACK_ON",
    "Dome Simulator.DOME_SHUTTER.SHUTTER_CLOSE",
    "Dome Simulator.DOME_SHUTTER._STATE",
    "Focuser Simulator.ABS_FOCUS_POSITION.FOCUS_ABSOLUTE_POSITION",
)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Three cycles of R, G and B, and what is left of the night with nothing to do."""
    folder = tmp_path_factory.mktemp("rig")
    config, output = folder / "config", folder / "out"
    with simulators(folder / "home") as server:
        place = configure(config, output, server.port, sub_s=SUB_S, cycles=CYCLES)
        with running(config, "--nights", "1") as daemon:
            assert daemon.ended(NIGHT_S_MAX) == 0, daemon.story()
        after = {name: ask(server, name) for name in ASKED_AFTER}
    with Ledger.read(output / FILE_NAME) as ledger:
        frames = tuple(ledger.frames())
    paths = tuple(output / "frames" / frame.path for frame in frames)
    return Night(config, place, daemon, frames, paths, after)


@pytest.fixture(scope="module")
def seen(night: Night, tmp_path_factory: pytest.TempPathFactory) -> list[Seen]:
    """Every frame, in the order of taking, as astrometry.net sees it."""
    folder = tmp_path_factory.mktemp("solved")
    return [solved(path, folder, night.place) for path in night.paths]


def test_the_night_ends_well_and_without_a_complaint(night: Night) -> None:
    assert night.daemon.other == []
    complaints = [line for line in night.daemon.events if line["level"] != "info"]
    # The simulators say that an exposure takes as long as was asked: it takes TIME_FACTOR of that.
    assert [line["event"] for line in complaints] == ["frame_times_doubted"]
    assert complaints[0]["device"] == "CCD Simulator"


def test_it_goes_through_the_phases_in_order(night: Night) -> None:
    phases = [line["after"] for line in night.daemon.of("phase_changed")]
    first = ["readying", "acquiring", "gathering", "readying", "retiring", "asleep"]
    assert phases == first


def test_the_report_is_written_when_the_rig_is_parked_and_closed(night: Night) -> None:
    written, ended = night.one("report_written"), night.one("night_ended")
    assert Path(written["path"]).read_text().endswith("</html>\n")
    assert "kept of" in written["said"]
    assert written["utc"] > ended["utc"] > night.daemon.of("roof_closed")[-1]["utc"]


def test_the_mount_moves_under_an_open_roof_only(night: Night) -> None:
    moves = night.daemon.of(
        "roof_opened", "mount_unparked", "slewed", "mount_parked", "roof_closed"
    )
    order = [kind for kind, _ in itertools.groupby(line["event"] for line in moves)]
    started_unparked = ["mount_parked"]  # where the simulator stands when it is new
    assert order == [
        *started_unparked,
        "roof_opened",
        "mount_unparked",
        "slewed",
        "mount_parked",
        "roof_closed",
    ]


def test_it_is_parked_closed_and_warm_as_the_server_says(night: Night) -> None:
    assert night.after["Telescope Simulator.TELESCOPE_PARK.PARK"] == "On"
    assert night.after["Telescope Simulator.TELESCOPE_TRACK_STATE.TRACK_ON"] == "Off"
    assert night.after["Dome Simulator.DOME_SHUTTER.SHUTTER_CLOSE"] == "On"
    assert night.after["Dome Simulator.DOME_SHUTTER._STATE"] == "Ok"


def test_the_target_is_centred(night: Night, seen: list[Seen]) -> None:
    """By the daemon's own solution, and by the first frame's solved afresh."""
    assert night.one("centred")["distance_arcsec"] <= TOLERANCE_ARCSEC
    off_arcsec = seen[0].distance_arcsec(night.place.ra_deg, night.place.dec_deg)
    assert off_arcsec <= TOLERANCE_ARCSEC + 2 * REST_ARCSEC


def test_the_focus_is_found(night: Night) -> None:
    """From 5300 steps outside, so that the first scan misses it; within 300 steps."""
    curve = night.one("focus_curve")
    assert curve["accepted"]
    assert curve["vertex_steps"] == pytest.approx(BEST_FOCUS_STEPS, abs=300)
    last = float(night.after["Focuser Simulator.ABS_FOCUS_POSITION.FOCUS_ABSOLUTE_POSITION"])
    assert last == pytest.approx(curve["vertex_steps"], abs=41)  # the largest filter offset


def test_the_stars_are_held(night: Night) -> None:
    """Better than the settling asks for; the simulated mount moves in steps of 1.9″."""
    calibrated = night.one("guiding_calibrated")
    # The simulator's guide rate is half the sidereal one of 15.04″/s.
    assert calibrated["dec_rate_arcsec_per_s"] == pytest.approx(7.52, rel=0.1)
    assert night.one("stars_held")["stars"] >= 3
    assert night.one("stars_released")["rms_arcsec"] < REST_ARCSEC


def test_three_cycles_are_kept_and_no_sub_more(night: Night) -> None:
    assert [frame.verdict for frame in night.frames] == ["accepted"] * 3 * CYCLES
    for number, cycle in enumerate(_cycles(night.frames), start=1):
        assert Counter(frame.filter for frame in cycle) == Counter("RGB")
        assert {frame.pointing for frame in cycle} == {number}
    assert len(night.daemon.of("dithered")) == CYCLES - 1, "one between each two cycles"
    assert night.daemon.of("rest_not_reached") == []
    told = subprocess.run(
        nightloom("tally", "--json", "--config", night.config),
        check=True,
        capture_output=True,
        timeout=60,
    )
    (target,) = json.loads(told.stdout)["targets"]
    assert {name: row["accepted_s"] for name, row in target["filters"].items()} == dict.fromkeys(
        "RGB", CYCLES * SUB_S
    )


def test_every_frame_passes_fitsverify(night: Night) -> None:
    assert len(night.paths) == 3 * CYCLES
    for path in night.paths:
        verified(path)


def test_no_two_subs_of_a_filter_share_a_pointing(night: Night, seen: list[Seen]) -> None:
    """On the sky, as astrometry.net sees it, but for the settling of both and the worm between."""
    assert Counter(one.filter for one in seen) == Counter({"R": CYCLES, "G": CYCLES, "B": CYCLES})
    taken = zip(seen, night.frames, strict=True)
    for (one, frame), (other, later) in itertools.combinations(taken, 2):
        if one.filter == other.filter:
            apart_s = (later.start_utc - frame.start_utc).total_seconds()
            worm_arcsec = 2 * math.pi * WORM_ARCSEC / WORM_S * apart_s
            least_arcsec = LEAST_DITHER_PX * SCALE_ARCSEC - 2 * REST_ARCSEC - worm_arcsec
            assert one.distance_arcsec(other.ra_deg, other.dec_deg) >= least_arcsec > 0


def test_frames_say_where_they_are(seen: list[Seen]) -> None:
    """Their world coordinates follow the dithers, to the settling, a pixel, and the worm."""
    for one in seen:
        east_arcsec = one.distance_arcsec(one.said_ra_deg, one.dec_deg)
        north_arcsec = 3600 * abs(one.said_dec_deg - one.dec_deg)
        assert north_arcsec < REST_ARCSEC + SCALE_ARCSEC
        assert east_arcsec < REST_ARCSEC + SCALE_ARCSEC + 2 * WORM_ARCSEC


def _cycles(frames: tuple[Frame, ...]) -> list[tuple[Frame, ...]]:
    return [frames[at : at + 3] for at in range(0, len(frames), 3)]
