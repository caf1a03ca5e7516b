"""What lights ask for, and what the library has of it."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.calibration_frames.needs import (
    DAY_S,
    Kept,
    Look,
    Need,
    Rule,
    Rules,
    fits,
    needs,
    set_points_c,
    turned_deg,
)
from nightloom_drivers.frame_kind import FrameKind

BIAS, DARK, FLAT = FrameKind.BIAS, FrameKind.DARK, FrameKind.FLAT
NOW_S = 1_000 * DAY_S
RULES = Rules({BIAS: Rule(3, 100.0), DARK: Rule(2, 50.0), FLAT: Rule(4, 10.0)}, 1.0, 2.0)
LIGHT = Look(120.0, "L", 100.0, 50.0, 1, -10.0, 3.0, NOW_S - DAY_S)


def asked(lights: Sequence[Look], kept: Sequence[Kept] = ()) -> tuple[Need, ...]:
    return needs(lights, kept, RULES, NOW_S)


def short(need: Need) -> tuple[FrameKind, float | None, str, int]:
    return need.kind, need.exposure_s, need.filter, need.missing


def test_no_lights_ask_for_nothing() -> None:
    assert asked([]) == ()


def test_a_light_asks_for_biases_darks_as_long_and_flats_in_its_filter() -> None:
    assert [short(one) for one in asked([LIGHT])] == [
        (BIAS, None, "", 3),
        (DARK, 120.0, "", 2),
        (FLAT, None, "L", 4),
    ]


def test_lights_that_can_share_frames_make_one_need() -> None:
    lights = [LIGHT, replace(LIGHT, filter="R"), replace(LIGHT, exposure_s=300.0)]
    assert [short(one)[:3] for one in asked(lights)] == [
        (BIAS, None, ""),
        (DARK, 120.0, ""),
        (DARK, 300.0, ""),
        (FLAT, None, "L"),
        (FLAT, None, "R"),
    ]


@pytest.mark.parametrize(
    "other",
    [{"gain": 200.0}, {"offset": 10.0}, {"binning": 2}, {"sensor_c": -5.0}, {"exposure_s": 60.0}],
)
def test_a_dark_of_other_settings_does_not_count(other: dict[str, float]) -> None:
    dark = Kept(DARK, replace(LIGHT, **other))  # type: ignore[arg-type]
    (need,) = (one for one in asked([LIGHT], [dark]) if one.kind is DARK)
    assert (need.fresh, need.missing) == (0, 2)


def test_a_flat_counts_in_its_filter_whatever_its_exposure_and_temperature() -> None:
    flat = Kept(FLAT, replace(LIGHT, exposure_s=1.0, sensor_c=12.0))
    other = Kept(FLAT, replace(LIGHT, filter="R"))
    (need,) = (one for one in asked([LIGHT], [flat, other]) if one.kind is FLAT)
    assert (need.fresh, need.missing) == (1, 3)


def test_what_is_too_old_is_told_and_lacks() -> None:
    old = Kept(DARK, replace(LIGHT, taken_s=NOW_S - 51 * DAY_S))
    new = Kept(DARK, replace(LIGHT, taken_s=NOW_S - 49 * DAY_S))
    (need,) = (one for one in asked([LIGHT], [old, new]) if one.kind is DARK)
    assert (need.fresh, need.too_old, need.missing) == (1, 1, 1)


def test_a_light_older_than_frames_may_be_asks_for_none() -> None:
    light = replace(LIGHT, taken_s=NOW_S - 60 * DAY_S)
    assert {one.kind for one in asked([light])} == {BIAS}


def test_none_wanted_is_no_need() -> None:
    none = replace(RULES, of={**RULES.of, DARK: Rule(0, 50.0)})
    assert DARK not in {one.kind for one in needs([LIGHT], [], none, NOW_S)}


def test_flats_serve_both_sides_of_the_pier_and_no_turned_camera() -> None:
    """The sky turns by half a turn on the sensor; the camera on its tube does not."""
    over = replace(LIGHT, rotation_deg=183.4)
    turned = replace(LIGHT, rotation_deg=40.0)
    flats = [one for one in asked([LIGHT, over, turned]) if one.kind is FLAT]
    assert [one.rotation_deg for one in flats] == pytest.approx([3.2, 40.0])
    assert turned_deg(359.0, 1.0) == turned_deg(179.0, 1.0) == 2.0


def test_what_is_not_known_stands_in_nobodys_way() -> None:
    light = replace(LIGHT, sensor_c=None, rotation_deg=None)
    for kind in (DARK, FLAT):
        (need,) = (one for one in asked([light], [Kept(kind, LIGHT)]) if one.kind is kind)
        assert need.fresh == 1


def test_set_points_are_those_of_the_lights_the_usual_one_first() -> None:
    lights = [replace(LIGHT, sensor_c=c) for c in (-14.9, -10.1, -5.2)]
    assert set_points_c(asked(lights), -10.0) == [-10.0, -15.0, -5.0]
    assert set_points_c(asked([replace(LIGHT, sensor_c=None)]), -10.0) == [-10.0]
    assert set_points_c(asked([]), -10.0) == []


@given(
    st.lists(st.floats(-20.0, 20.0), min_size=1, max_size=12),
    st.floats(-20.0, 20.0),
)
def test_a_dark_that_fits_is_near_in_temperature_to_each_light_that_it_serves(
    lights_c: list[float], dark_c: float
) -> None:
    found = [
        one
        for one in asked([replace(LIGHT, sensor_c=c) for c in lights_c])
        if one.kind is DARK and one.sensor_c is not None
    ]
    served = {
        c: [one for one in found if abs(one.sensor_c - c) <= 0.5 + 1e-9]  # type: ignore[operator]
        for c in lights_c
    }
    assert all(served.values())
    for one in found:
        if fits(one, Kept(DARK, replace(LIGHT, sensor_c=dark_c)), RULES):
            near = [c for c in lights_c if one in served[c]]
            assert all(abs(c - dark_c) <= 1.0 + 1e-9 for c in near)


@given(st.lists(st.floats(0.0, 360.0), min_size=1, max_size=12))
def test_every_light_is_near_the_rotation_of_one_of_its_needs(rotations_deg: list[float]) -> None:
    lights = [replace(LIGHT, rotation_deg=r) for r in rotations_deg]
    flats = [one for one in asked(lights) if one.kind is FLAT]
    for r in rotations_deg:
        apart = [turned_deg(r, one.rotation_deg or 0.0) for one in flats]
        assert min(apart) <= 1.0 + 1e-6
