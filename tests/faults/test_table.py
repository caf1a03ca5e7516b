"""The table of faults: whole, in the documentation as it is, and forgetting what is over."""

from math import inf
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.executor import NotComputed
from nightloom.faults import (
    MOST,
    QUIET_S,
    TABLE,
    Act,
    Between,
    GivenUp,
    Kind,
    Part,
    Row,
    Then,
    Troubles,
    between,
    kind_of,
    row_for,
    row_of,
    tried,
    wait_s,
)
from nightloom.faults.table import DEVICES, PASSING, drawn
from nightloom_drivers.errors import (
    DeviceContradicts,
    DeviceError,
    DeviceGone,
    DeviceIncapable,
    DeviceLate,
    DeviceRefused,
)
from nightloom_drivers.virtual_loop import run_virtual

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"

NIGHT = [row for row in TABLE if row.act is Act.NIGHT]
ENDING = [row for row in NIGHT if row.tries < inf]


def test_the_table_for_developers_is_this_one() -> None:
    assert drawn() in DEVELOPERS.read_text()


def test_every_row_is_the_first_that_fits_some_fault() -> None:
    for row in TABLE:
        assert any(row_for(row.act, p, k) is row for p in row.parts for k in row.kinds), row


@pytest.mark.parametrize("part", DEVICES)
@pytest.mark.parametrize("kind", [*PASSING, Kind.INCAPABLE])
def test_whatever_a_device_does_the_night_has_a_row_for_it(part: Part, kind: Kind) -> None:
    assert row_for(Act.NIGHT, part, kind) is not None


@pytest.mark.parametrize("part", DEVICES)
def test_what_can_never_succeed_is_asked_once_and_named_with_its_mend(part: Part) -> None:
    row = row_for(Act.NIGHT, part, Kind.INCAPABLE)
    assert row is not None
    assert row.tries == 1
    assert row.mend.endswith(".")


def test_what_the_night_gives_up_has_a_way_on_and_a_mend() -> None:
    for row in ENDING:
        assert row.then, row
        assert row.then[-1] in (Then.RETIRE, Then.SHELTER), row
        assert row.mend.endswith("."), row


def test_a_row_of_a_phase_hands_on_what_it_does_not_mend() -> None:
    """And rests no longer than a minute where the roof is open and devices are waited for."""
    for row in TABLE:
        if Then.NIGHT in row.then:
            assert row.tries < inf
            assert wait_s(row, 100) <= 2.0
            assert any(row_for(Act.NIGHT, row.parts[0], kind) for kind in row.kinds)


def test_the_link_is_waited_for_as_long_as_the_night_lasts() -> None:
    """A network that is down can end nothing: nothing could be told to park either."""
    assert {row_for(Act.NIGHT, Part.LINK, kind).tries for kind in PASSING} == {inf}  # type: ignore[union-attr]


def test_a_mount_and_a_roof_are_never_switched_off_and_on() -> None:
    """A mount would forget where it points, a roof may move as it starts (common practice)."""
    for row in TABLE:
        if Between.POWER in row.between:
            assert not {Part.MOUNT, Part.ROOF, Part.GUIDE_PORT} & set(row.parts), row


def test_rests_double_to_their_most() -> None:
    camera = row_for(Act.NIGHT, Part.CAMERA, Kind.GONE)
    assert camera is not None
    assert [wait_s(camera, n) for n in (1, 2, 3, 4, 5, 60)] == [5.0, 10.0, 20.0, 40.0, MOST, MOST]


def test_first_it_waits_then_connects_then_switches_off_and_on() -> None:
    camera = row_for(Act.NIGHT, Part.CAMERA, Kind.LATE)
    assert camera is not None
    done = [between(camera, n) for n in (1, 2, 3, 4)]
    assert done == [Between.WAIT, Between.CONNECT, Between.POWER, Between.POWER]


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (DeviceRefused, Kind.REFUSED),
        (DeviceIncapable, Kind.INCAPABLE),
        (DeviceLate, Kind.LATE),
        (DeviceContradicts, Kind.CONTRADICTS),
        (DeviceGone, Kind.GONE),
    ],
)
def test_an_error_tells_how_it_failed(error: type[DeviceError], kind: Kind) -> None:
    assert kind_of(error("a", "b", asked="c", seen="d")) is kind


def test_a_worker_that_died_is_no_device() -> None:
    assert kind_of(NotComputed("measure", "it died")) is Kind.NOT_COMPUTED


# Counting -------------------------------------------------------------------------------------

PARTS = st.sampled_from([part for row in ENDING for part in row.parts])
EPISODE = st.tuples(PARTS, st.floats(0.0, 1.0), st.floats(0.0, 3600.0))


def passing_row(part: Part) -> Row:
    return next(row for row in ENDING if part in row.parts and Kind.INCAPABLE not in row.kinds)


@given(st.lists(EPISODE, max_size=60))
def test_no_sequence_of_recovered_troubles_ends_a_night(
    episodes: list[tuple[Part, float, float]],
) -> None:
    """Each episode fails less often than its row allows, and a sub is taken after it."""
    troubles, now_s = Troubles(), 0.0
    for part, how_far, later_s in episodes:
        row = passing_row(part)
        for _ in range(int(how_far * (row.tries - 1))):
            now_s += wait_s(row, 1)
            troubles = troubles.met(part, now_s)
            assert troubles.number(part) < row.tries
            assert wait_s(row, troubles.number(part)) <= row.wait_s * 2 ** (row.tries - 2)
        troubles, now_s = troubles.recovered(), now_s + later_s


@given(PARTS, st.lists(st.floats(QUIET_S + 1.0, 8 * 3600.0), max_size=60))
def test_troubles_with_a_quiet_while_between_them_do_not_add_up(
    part: Part, gaps_s: list[float]
) -> None:
    """Under cloud no sub tells that all is well."""
    troubles, now_s = Troubles(), 0.0
    for gap_s in gaps_s:
        now_s += gap_s
        troubles = troubles.met(part, now_s)
        assert troubles.number(part) == 1


@given(PARTS)
def test_what_fails_without_an_end_is_given_up_within_ten_minutes(part: Part) -> None:
    """The rests alone: sixty tries of anything would be an hour of an open roof for nothing."""
    row, troubles, now_s = passing_row(part), Troubles(), 0.0
    while (number := (troubles := troubles.met(part, now_s)).number(part)) < row.tries:
        now_s += wait_s(row, number)
        assert number <= 6
    assert now_s <= 600.0


def test_one_parts_failures_say_nothing_of_another() -> None:
    troubles = Troubles()
    for _ in range(3):
        troubles = troubles.met(Part.CAMERA, 0.0)
    assert troubles.met(Part.MOUNT, 0.0).number(Part.MOUNT) == 1


def test_what_was_given_up_is_gone_on_without_for_its_time() -> None:
    given_up = GivenUp()
    given_up.give_up(Part.WHEEL, 100.0)
    assert given_up.without(Part.WHEEL, 99.0)
    assert not given_up.without(Part.WHEEL, 100.0)
    assert given_up.was(Part.WHEEL)
    assert not given_up.was(Part.FOCUSER)


# Trying ---------------------------------------------------------------------------------------


def failing(times: int, error: type[DeviceError]) -> list[str]:
    """What comes of trying a filter change that fails so often."""
    row, story, left = row_of(Act.FILTER), list[str](), times

    async def work() -> str:
        nonlocal left
        story.append("asked")
        left -= 1
        if left >= 0:
            raise error("wheel", "FILTER_SLOT", asked="3", seen="Alert")
        return "done"

    async def all_of_it() -> None:
        story.append(await tried(row, work, lambda _: story.append("noted")))

    try:
        run_virtual(all_of_it())
    except DeviceError:
        story.append("raised")
    return story


def test_what_passes_is_asked_again() -> None:
    assert failing(1, DeviceRefused) == ["asked", "noted", "asked", "done"]


def test_what_does_not_pass_is_raised_after_the_last_try() -> None:
    story = failing(9, DeviceLate)
    assert story.count("asked") == row_of(Act.FILTER).tries
    assert story[-1] == "raised"


@pytest.mark.parametrize("error", [DeviceIncapable, DeviceGone])
def test_what_the_row_does_not_name_is_raised_at_once(error: type[DeviceError]) -> None:
    assert failing(1, error) == ["asked", "raised"]
