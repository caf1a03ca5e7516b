"""What devices cannot do of what is asked of them is found by day."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import Any

import pytest

from nightloom.checks.fitting import Fit, fit
from nightloom.checks.looking import Offered, offered
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import LoopbackLink
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = datetime(2026, 11, 14, 15, tzinfo=UTC).timestamp()

Change = Callable[[dict[str, Offered]], None]


@cache
def demo() -> tuple[Settings, tuple[Offered, ...]]:
    """The demo's configuration, and what its rig shows."""
    settings = read_settings(demo_folder())
    rig_settings = settings.rig
    assert rig_settings is not None

    async def look() -> list[Offered]:
        rig = build_rig(rig_settings, LoopClock(EVENING_S), seed=1)
        async with LoopbackLink(rig.simulators) as link:
            return await offered(link, None, 15.0)

    return settings, tuple(run_virtual(look()))


def found(change: Change = lambda _: None, **said: Mapping[str, Any]) -> Fit:
    """What is found of the demo with its devices changed, and keys of sections as `said`."""
    settings, offers = demo()
    shown = {one.name: replace(one, vectors=dict(one.vectors)) for one in offers}
    change(shown)
    observatory = settings.observatory.model_copy(
        update={
            section: getattr(settings.observatory, section).model_copy(update=dict(keys))
            for section, keys in said.items()
        }
    )
    return fit(replace(settings, observatory=observatory), list(shown.values()), EVENING_S)


def without(device: str, *names: str) -> Change:
    """A device that lacks properties."""

    def change(shown: dict[str, Offered]) -> None:
        left = {name: one for name, one in shown[device].vectors.items() if name not in names}
        shown[device] = replace(shown[device], vectors=left)

    return change


def reading(
    device: str, name: str, limits: Mapping[str, Any] | None = None, **values: Any
) -> Change:
    """A device whose property reads otherwise, or has other limits."""

    def change(shown: dict[str, Offered]) -> None:
        one = shown[device]
        old = one.vectors[name]
        new = replace(
            old,
            elements={**old.elements, **values},
            limits={**old.limits, **(limits or {})},
        )
        shown[device] = replace(one, vectors={**one.vectors, name: new})

    return change


def test_the_demo_rig_can_do_all_that_is_asked_of_it() -> None:
    assert found() == ([], [])


STEPS = "ABS_FOCUS_POSITION"
START = "observatory.toml: "


@pytest.mark.parametrize(
    ("change", "said", "sentence"),
    [
        (
            without("Rig Camera", "CCD_TEMPERATURE"),
            {},
            "camera.cooled = true must be false: Rig Camera has no temperature that could be set.",
        ),
        (
            without("Rig Camera", "CCD_GAIN"),
            {},
            "camera.gain = 100.0 cannot be set: Rig Camera has no gain; leave it out.",
        ),
        (
            without("Rig Camera", "CCD_OFFSET"),
            {},
            "camera.offset = 50.0 cannot be set: Rig Camera has no offset; leave it out.",
        ),
        (
            reading("Rig Camera", "CCD_GAIN", {"GAIN": (0.0, 60.0)}),
            {},
            "camera.gain = 100.0 is beyond what the device takes, from 0 to 60.",
        ),
        (
            reading("Rig Focuser", STEPS, {"FOCUS_ABSOLUTE_POSITION": (0.0, 9000.0)}),
            {},
            "focuser.maximum_steps = 19500 must be 9000 or less: Rig Focuser goes from 0 to 9000"
            " only.",
        ),
        (
            reading("Rig Focuser", STEPS, {"FOCUS_ABSOLUTE_POSITION": (1000.0, 20000.0)}),
            {},
            "focuser.minimum_steps = 500 must be 1000 or more: Rig Focuser goes from 1000 to 20000"
            " only.",
        ),
        (
            without("Rig Mount", "TELESCOPE_PARK"),
            {},
            'mount.device = "Rig Mount" cannot park: it has no TELESCOPE_PARK.',
        ),
        (
            without("Rig Mount", "TELESCOPE_TIMED_GUIDE_NS"),
            {},
            'guide_port.device = "Rig Mount" has no TELESCOPE_TIMED_GUIDE_NS, and cannot be a'
            " receiver of guide pulses; name another one.",
        ),
        (
            without("Rig Camera", "CCD_BINNING"),
            {"camera": {"binning": 2}},
            "camera.binning = 2 must be 1: Rig Camera cannot bin.",
        ),
        (
            lambda _: None,
            {"guide_camera": {"head": "guide"}},
            'guide_camera.device = "Rig Guide Camera" has no GUIDER_EXPOSURE, GUIDER_INFO, and'
            " cannot be a camera; name another one.",
        ),
        (
            lambda shown: shown.update({"Rig Roof": replace(shown["Rig Roof"], answers=False)}),
            {},
            'roof.device = "Rig Roof" does not answer when it is switched on; look at its power'
            " and its cable.",
        ),
    ],
)
def test_what_would_fail_at_night_is_a_problem_with_its_mend(
    change: Change, said: dict[str, dict[str, Any]], sentence: str
) -> None:
    (problem,) = found(change, **said).problems
    assert str(problem) == START + sentence


def test_subs_longer_than_the_camera_exposes_are_a_problem() -> None:
    change = reading("Rig Camera", "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": (0.001, 200.0)})
    problems = found(change).problems
    assert [one.key for one in problems] == [
        f'target["NGC 1499"].filter.{name}.exposure_s' for name in ("Ha", "OIII", "SII")
    ]
    assert str(problems[0]).endswith("is beyond what Rig Camera exposes, from 0.001 to 200 s.")


def test_a_mount_that_cannot_be_told_where_it_is_must_not_be() -> None:
    def change(shown: dict[str, Offered]) -> None:
        one = shown["Rig Mount"]
        old = one.vectors["ON_COORD_SET"]
        left = {name: value for name, value in old.elements.items() if name != "SYNC"}
        vectors = {**one.vectors, "ON_COORD_SET": replace(old, elements=left)}
        shown["Rig Mount"] = replace(one, vectors=vectors)

    (problem,) = found(change).problems
    assert str(problem).startswith("observatory.toml: mount.sync = true must be false")
    assert found(change, mount={"sync": False}).problems == []


@pytest.mark.parametrize(
    ("change", "said", "note"),
    [
        (
            reading("Rig Guide Camera", "CCD_INFO", CCD_PIXEL_SIZE_Y=6.2),
            {},
            "The pixels of Rig Guide Camera are 4.8 µm wide and 6.2 µm high: square ones are taken"
            " for granted, so that angles along one side are off.",
        ),
        (
            lambda _: None,
            {"guide_camera": {"pixel_um": 3.75}},
            "guide_camera.pixel_um is 3.75, and Rig Guide Camera says 4.8: frames and stars are"
            " measured by the former; see which is right.",
        ),
        (
            lambda _: None,
            {"camera": {"gain": None}},
            "camera.gain is not set: whatever the camera has then is taken, now 100; calibration"
            " frames may not match.",
        ),
        (
            reading("Rig Wheel", "FILTER_NAME", FILTER_SLOT_NAME_2="Dark"),
            {},
            "Rig Wheel has other names for slots: 2 holds R here and Dark there. Ours are used.",
        ),
        (
            reading("Rig Mount", "GEOGRAPHIC_COORD", LAT=-33.0, LONG=289.0),
            {},
            "The site is 47.1° north, 9.6° east by the configuration, where it is dark tonight from"
            " 18:33 to 05:38 Europe/Zurich; Rig Mount was told 33° south, 71° west, where it is"
            " dark tonight from 01:56 to 09:00 Europe/Zurich. The mount is told the former at"
            " night.",  # tests/checks/test_plausible.py has a second library's dusk
        ),
    ],
)
def test_what_only_differs_is_told(
    change: Change, said: dict[str, dict[str, Any]], note: str
) -> None:
    assert found(change, **said) == ([], [note])


def test_a_site_that_was_never_told_is_no_other_site() -> None:
    assert found(reading("Rig Mount", "GEOGRAPHIC_COORD", LAT=0.0, LONG=0.0)) == ([], [])
    assert found(reading("Rig Mount", "GEOGRAPHIC_COORD", LAT=47.2, LONG=9.5)) == ([], [])
