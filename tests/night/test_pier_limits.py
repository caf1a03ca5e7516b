"""No sub is begun that would run into a limit of the pier, and none is left out that would not."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from night.nights import NIGHT
from nightloom.faults import GivenUp
from nightloom.ledger import FILE_NAME, Frame, Ledger, Verdict, uid_of
from nightloom.night import cross as crossing
from nightloom.night.context import Context
from nightloom.night.next_sub import LEEWAY_S, Ending, Planned
from nightloom.night.phases import Phase
from nightloom.night.start_target import give_up
from nightloom.night.target_run import TargetRun
from nightloom.safety import Acts, Guard, OutOfReach, SafetyDevices, WrongSide
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Target
from nightloom.sky import HOUR_S, meridian_time, sidereal_deg
from nightloom.telemetry import Log
from nightloom_drivers.clock import SteadyClock
from nightloom_drivers.devices import Mount, PierSide
from nightloom_drivers.link import Link
from nightloom_drivers.virtual_loop import run_virtual
from schedule.outlooks import ANDROMEDA, settings_of, target, with_mount

EXPOSURES_S = (20.0, 300.0, 1800.0)
WEST_ENDS_H = (-0.2, 0.25)


class SetClock(SteadyClock):
    """A clock that shows what it is set to."""

    at_s = 0.0

    def __init__(self) -> None:
        """It has no other beside it."""

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.at_s, UTC)

    def both_s(self) -> tuple[float, ...]:
        return (self.at_s,)

    def unix_s(self) -> float:
        return self.at_s


@dataclass(frozen=True)
class Reads:
    """Where a mount says that it points."""

    ra_hours: float
    dec_deg: float


@dataclass
class Tracking:
    """A mount that tracks, and says from which side."""

    pier_side: PierSide = PierSide.WEST
    position: Reads = field(default_factory=lambda: Reads(0.0, 0.0))


class Evening:
    """A course on one target, with a clock and a mount to set."""

    def __init__(
        self,
        ledger: Ledger,
        exposure_s: float,
        west_ends_h: float,
        *others: Target,
        until_utc: str | None = None,
    ) -> None:
        filters = {name: {"exposure_s": exposure_s} for name in "RG"}
        name = f"M31 {exposure_s} {west_ends_h}"
        said = with_mount(
            settings_of(target(name, ANDROMEDA, filter=filters, until_utc=until_utc), *others),
            hour_angle_pier_west_h=(-6.0, west_ends_h),
            hour_angle_pier_east_h=(-0.25, 3.0),
        )
        self.settings, self.west_ends_h = said, west_ends_h
        self.clock, self.mount = SetClock(), Tracking()
        self.clock.at_s = 1794338000.0
        self.target = said.targets.targets[0]
        self.schedule = Schedule(said, NIGHT, self.clock, ledger)
        mount = cast(Mount, self.mount)
        devices = SafetyDevices(cast(Link, None), mount, None, ())
        self.guard = Guard(said, devices, Acts(None, self.clock), self.clock, Log(self.clock))
        self.target_run = TargetRun(said, self.schedule, self.guard, ledger, self.clock, GivenUp())
        self.target_run.start(self.target, (0.0, 0.0))
        self.longitude_deg = self.schedule.site.longitude_deg
        self.transit_s = meridian_time(
            self.schedule.site, self.target.ra_deg, self.target.dec_deg, self.clock.at_s
        )

    def ending(self, before_s: float = 0.0) -> Ending | None:
        """Why no other sub of the target may begin; None when one may."""
        due = self.target_run.due(before_s)
        return None if isinstance(due, Planned) else due

    def set(self, hour_angle_h: float, side: PierSide, off_deg: float) -> None:
        """The target at an hour angle, and a mount that takes itself to be so far west of it."""
        self.clock.at_s = self.transit_s + hour_angle_h * HOUR_S
        ra_deg = sidereal_deg(self.clock.at_s, self.longitude_deg) - 15.0 * hour_angle_h - off_deg
        self.mount.pier_side = side
        self.mount.position = Reads(float(ra_deg) % 360.0 / 15.0, self.target.dec_deg)
        self.schedule.take_back(self.target)  # a plan of another moment, perhaps a later one


@pytest.fixture(scope="module")
def evenings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Evening]]:
    with Ledger(tmp_path_factory.mktemp("limits") / FILE_NAME) as ledger:
        yield [
            Evening(ledger, exposure_s, west_ends_h)
            for exposure_s in EXPOSURES_S
            for west_ends_h in WEST_ENDS_H
        ]


@settings(max_examples=150)
@given(
    st.integers(0, len(EXPOSURES_S) * len(WEST_ENDS_H) - 1),
    st.floats(-500, 500),
    st.sampled_from([PierSide.WEST, PierSide.EAST]),
    st.floats(-0.5, 0.5),
    st.floats(0, 200),
)
def test_a_sub_ends_before_the_mounts_own_limit_or_is_not_begun(
    evenings: list[Evening],
    number: int,
    spare_s: float,
    side: PierSide,
    off_deg: float,
    before_s: float,
) -> None:
    """Hour angles by the sidereal rate, 1.0027379 (IERS Conventions 2010)."""
    one = evenings[number]
    (exposure_s,) = {sub.exposure_s for sub in one.target.filters.values()}
    limit_h = one.west_ends_h if side is PierSide.WEST else 3.0
    mount_h = limit_h - 1.0027379 / 3600.0 * (spare_s + before_s + exposure_s)
    one.set(mount_h - off_deg / 15.0, side, off_deg)
    ending = one.ending(before_s)
    if ending is None:
        assert spare_s > 0.0
    elif spare_s > 60.0:
        assert ending.phase is not Phase.CROSSING
        assert "pier" not in ending.reason


def test_getting_ready_that_took_long_is_seen_before_the_shutter_opens(
    evenings: list[Evening],
) -> None:
    one = evenings[EXPOSURES_S.index(300.0) * len(WEST_ENDS_H) + 1]
    one.set(0.25 - 330.0 / 3600.0, PierSide.WEST, 0.0)
    planned = one.target_run.due()
    assert isinstance(planned, Planned)
    one.set(0.25 - 290.0 / 3600.0, PierSide.WEST, 0.0)
    late = one.target_run.cut_short(planned)
    assert late is not None
    assert late.phase is Phase.CROSSING


@pytest.mark.parametrize(("after_h", "crosses"), [(0.4, False), (0.6, True)])
def test_a_crossing_that_no_sub_could_follow_is_not_made(
    evenings: list[Evening], tmp_path: Path, after_h: float, crosses: bool
) -> None:
    """The target is left so long after the meridian, and comes to the end of the west side."""
    left_s = evenings[0].transit_s + after_h * HOUR_S
    until = datetime.fromtimestamp(left_s, UTC).strftime("%H:%M:%S")
    with Ledger(tmp_path / FILE_NAME) as ledger:
        one = Evening(ledger, 900.0, 0.25, until_utc=until)
        one.set(0.2, PierSide.WEST, 0.0)
        ending = one.ending()
    assert ending is not None
    assert (ending.phase is Phase.CROSSING) == crosses


@pytest.mark.parametrize(("names", "phase"), [("", Phase.CROSSING), ("2", Phase.ACQUIRING)])
def test_while_neither_side_reaches_another_target_is_taken_if_there_is_one(
    tmp_path: Path, names: str, phase: Phase
) -> None:
    """From half an hour before the meridian on; alone, the target is waited for."""
    others = [target(name, {"ra_deg": 70.0, "dec_deg": 50.0}, priority=3) for name in names]
    with Ledger(tmp_path / FILE_NAME) as ledger:
        one = Evening(ledger, 300.0, -0.6, *others)
        one.set(-1.5, PierSide.WEST, 0.0)
        assert one.ending() is None
        one.set(-0.65, PierSide.WEST, 0.0)
        ending = one.ending()
    assert ending is not None
    assert ending.phase is phase


@pytest.mark.parametrize("verdict", [Verdict.REJECTED, Verdict.ACCEPTED])
def test_the_first_sub_from_the_other_side_is_looked_at(tmp_path: Path, verdict: Verdict) -> None:
    """Rejected, it has the target centred anew, once; the subs after it do not."""
    with Ledger(tmp_path / FILE_NAME) as ledger:
        one = Evening(ledger, 300.0, 0.25)
        one.set(0.5, PierSide.EAST, 0.0)
        one.target_run.check_next_sub()
        asked = []
        for number in (1, 2):
            assert one.target_run.next_uid() == uid_of(str(NIGHT), number)
            assert one.ending() is None, "before it has a verdict"
            ledger.add_frame(frame(one, number, verdict))
            asked.append(one.ending())
            assert one.ending() is None
    first, second = asked
    assert second is None
    if verdict is Verdict.ACCEPTED:
        assert first is None
    else:
        assert first is not None
        assert first.phase is Phase.ACQUIRING
        assert first.reason == "the first sub after the meridian failed: stars are long"


def frame(one: Evening, number: int, verdict: Verdict) -> Frame:
    return Frame(
        uid=uid_of(str(NIGHT), number),
        night=str(NIGHT),
        target=one.target.name,
        filter="R",
        exposure_s=300.0,
        start_utc=one.clock.now(),
        path="",
        sha256="",
        verdict=verdict,
        reason="stars are long" if verdict is Verdict.REJECTED else "",
        pointing=1,
    )


def test_a_look_at_the_focus_that_takes_too_long_ends_before_the_limit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The wait goes on as if it had not been, and the mount is not tracked into its pier."""

    async def endless(*_: object) -> None:
        await asyncio.sleep(7200.0)

    settings = settings_of(target("M31", ANDROMEDA))
    context = SimpleNamespace(
        settings=settings,
        guard=SimpleNamespace(left_s=lambda: 400.0, pier=SimpleNamespace(changes_at_h=0.02)),
        schedule=SimpleNamespace(reaches_s=lambda *_: 0.0),
        focusing=SimpleNamespace(watch=SimpleNamespace(due=lambda _: "it is cold")),
    )
    monkeypatch.setattr(crossing, "look_at_focus", endless)

    async def wait() -> float:
        began_s = asyncio.get_running_loop().time()
        await crossing._look_meanwhile(cast(Context, context), settings.targets.targets[0], "L")
        return asyncio.get_running_loop().time() - began_s

    assert run_virtual(wait()) == pytest.approx(400.0 - LEEWAY_S)


@pytest.mark.parametrize(
    ("kind", "before_h", "wait_s"),
    [
        (OutOfReach, 1.0, 300.0),
        (WrongSide, 1.0, 1800.0),
        (OutOfReach, 0.03, 0.03 * HOUR_S + 60.0),
        (WrongSide, 0.03, 0.03 * HOUR_S + 60.0),
    ],
)
def test_a_place_out_of_reach_is_tried_again_soon_and_one_on_the_wrong_side_later(
    tmp_path: Path, kind: type[OutOfReach], before_h: float, wait_s: float
) -> None:
    """Shortly before the mount goes to the other side, a minute after it does."""
    with Ledger(tmp_path / FILE_NAME) as ledger:
        one = Evening(ledger, 60.0, 0.25)
        one.set(one.settings.observatory.mount.changes_at_h - before_h, PierSide.WEST, 0.0)
        context = cast(Context, SimpleNamespace(schedule=one.schedule, settings=one.settings))
        following = give_up(context, one.target, kind("slewing", "a limit"))
        assert following.phase is Phase.READYING
        one.clock.at_s += wait_s - 10.0
        assert one.schedule.choose() is None
        one.clock.at_s += 11.0
        assert one.schedule.choose() == one.target
