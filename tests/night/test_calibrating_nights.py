"""A night that ends with darks and with flats of the morning sky, and darks under cloud."""

import asyncio
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from night.nights import Story, demo, live
from nightloom.ledger import FILE_NAME, CalibrationFrame, Ledger
from nightloom.rig import SimulatedRig
from nightloom.settings import Settings
from nightloom.telemetry.events import (
    CalibrationEnded,
    CalibrationFrameKept,
    CloudHold,
    DarksRefused,
    FlatTried,
    PhaseChanged,
    RoofClosed,
    RoofOpened,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.rig_settings import RigSettings

FILTERS = ("L", "B", "Ha")
EVERY: dict[str, Any] = {
    "night_takes": ("bias", "dark", "flat"),
    "flats_of": "sky",
    "biases": 2,
    "darks": 2,
    "flats": 2,
    "after_night_max_s": 60_000.0,
}


def done_early(**policy: Any) -> tuple[Settings, RigSettings]:
    """The demo with one light in each filter wanted, and then nothing until the morning."""
    settings, rig = demo(
        targets=dict.fromkeys(FILTERS, 30.0),
        policies={"calibration": {**EVERY, **policy}},
        guide_s=6.0,
    )
    (first,) = settings.targets.targets
    filters = {
        name: sub.model_copy(update={"wanted_hours": 30 / 3600})
        for name, sub in first.filters.items()
    }
    first = first.model_copy(update={"filters": filters})
    targets = settings.targets.model_copy(update={"targets": (first,)})
    return Settings(settings.observatory, targets, settings.policies, rig), rig


def shelf(story: Story) -> list[CalibrationFrame]:
    with Ledger.read(story.rehearsal.out / FILE_NAME) as ledger:
        return ledger.calibration_frames()


STOOD: list[tuple[float, bool, float, float]] = []
"""When, whether the mount tracked, its altitude, and how far its azimuth was from the Sun's."""


async def watch_the_mount(rig: SimulatedRig, clock: Clock) -> None:
    """Look at it in twilight, when the roof is open."""
    world = rig.world
    while True:
        await asyncio.sleep(60.0)
        now_s = clock.unix_s()
        if world.roof.is_open(now_s) and -9.0 < world.site.sun_altitude_deg(now_s) < 0.0:
            height, around = world.site.altaz_deg(now_s, world.mount.apparent_vector(now_s))
            _, sun = world.site.altaz_deg(now_s, world.site.sun_vector(now_s))
            apart = (float(around) - float(sun)) % 360.0
            STOOD.append((now_s, world.mount.is_tracking(now_s), float(height), apart))


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Story:
    out = tmp_path_factory.mktemp("morning")
    return live(out, done_early(), hours=None, frames=True, meddler=watch_the_mount)


def test_the_night_is_as_safe_as_any(morning: Story) -> None:
    assert morning.played.violations == []


def test_darks_and_biases_come_when_it_is_closed_and_flats_when_it_opened_again(
    morning: Story,
) -> None:
    opened, closed = morning.at(RoofOpened), morning.at(RoofClosed)
    assert len(opened) == 2
    kept = [
        (utc.timestamp(), e.kind)
        for utc, e in morning.events
        if isinstance(e, CalibrationFrameKept)
    ]
    for at_s, kind in kept:
        assert (opened[1] < at_s < closed[-1]) == (kind == "flat")
        assert at_s > closed[-2]
    phases = [event.after for event in morning.of(PhaseChanged)]
    assert phases[-4:] == ["retiring", "calibrating", "retiring", "asleep"]


def test_everything_that_the_lights_ask_for_is_there(morning: Story) -> None:
    taken = Counter((one.kind.value, one.filter) for one in shelf(morning))
    assert taken == {("bias", ""): 2, ("dark", ""): 2, **{("flat", name): 2 for name in FILTERS}}
    (ended,) = morning.of(CalibrationEnded)
    assert ended.lacking == []


def test_flats_of_the_sky_are_on_level_in_every_filter_within_three_frames(
    morning: Story,
) -> None:
    """By the pixels on disk: 0.4 of what is between the bias, 500, and saturation, 62000."""
    folder = morning.rehearsal.out / "calibration"
    for one in (one for one in shelf(morning) if one.kind is FrameKind.FLAT):
        level = np.median(fits.getdata(folder / one.path)) - 500
        assert level == pytest.approx(0.4 * 61_500, rel=0.05)
    tried = Counter(event.filter for event in morning.of(FlatTried))
    assert max(tried.values()) + 1 <= 3


def test_wide_filters_come_while_the_sky_is_dim(morning: Story) -> None:
    flats = [one.filter for one in shelf(morning) if one.kind is FrameKind.FLAT]
    assert list(dict.fromkeys(flats)) == ["L", "B", "Ha"]


def test_the_telescope_stands_still_where_the_sky_is_even(morning: Story) -> None:
    """So that stars are elsewhere in each frame; away from the Sun, 13° from the zenith."""
    flats_s = [one.start_utc.timestamp() for one in shelf(morning) if one.kind is FrameKind.FLAT]
    seen = [one for one in STOOD if flats_s[0] < one[0] < flats_s[-1]]
    assert len(seen) >= 5
    for _, tracks, altitude_deg, from_sun_deg in seen:
        assert not tracks
        assert altitude_deg == pytest.approx(77.0, abs=1.0)
        assert from_sun_deg == pytest.approx(180.0, abs=15.0)  # the Sun goes on meanwhile


@pytest.mark.parametrize("shutter", [pytest.param(True, marks=pytest.mark.long), False])
def test_under_cloud_only_a_camera_that_is_dark_gives_darks(tmp_path: Path, shutter: bool) -> None:
    """The sky of a cloudy night is some hundred electrons in half a minute in L."""
    cloud = {"begin_h_after_dusk": 0.1, "duration_h": 0.3, "depth_mag": 8.0, "contrast": 0.0}
    changed = demo(
        targets={"L": 60.0},
        policies={"calibration": EVERY},
        weather={"clouds": [cloud]},
        guide_s=6.0,
    )
    settings, rig = changed
    sensor = rig.sensor.model_copy(update={"has_shutter": shutter})
    rig = rig.model_copy(update={"sensor": sensor})
    changed = Settings(settings.observatory, settings.targets, settings.policies, rig), rig
    story = live(tmp_path, changed, hours=0.5)
    assert story.of(CloudHold)
    assert len(shelf(story)) == (4 if shutter else 0)
    assert len(story.of(DarksRefused)) == (0 if shutter else 1)
    assert story.played.violations == []
