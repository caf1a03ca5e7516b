"""Which target and which filters are due, as the plan has it, and how a night follows it."""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from night.nights import SELDOM_S, demo, live
from nightloom.ledger import Frame, Ledger, Verdict
from nightloom.night.desk import Desk
from nightloom.night.phases import Phase
from nightloom.requests import Done, Skip
from nightloom.schedule.schedule import Schedule
from nightloom.schedule.windows import darkness
from nightloom.settings import Settings, Target, panels_of
from nightloom.sky import sun_altitude
from nightloom.status import Account
from nightloom.telemetry import Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import WallClock
from schedule.outlooks import ANDROMEDA, LION, settings_of, target, tree_and_setting, utc

NIGHT = date(2026, 11, 10)


class SetClock(WallClock):
    """A clock that shows what it is set to."""

    at_s = utc(10, 17)

    def unix_s(self) -> float:
        return self.at_s


class Evening:
    """A schedule with a clock to set and a ledger to fill."""

    def __init__(self, settings: Settings, ledger: Ledger) -> None:
        self.settings, self.ledger, self.clock = settings, ledger, SetClock()
        self.schedule = Schedule(settings, NIGHT, self.clock, ledger)

    def chosen(self, at_s: float, running: str | None = None, ahead_s: float = 0.0) -> str | None:
        self.clock.at_s = at_s
        if running is None:
            due = self.schedule.choose()
            return None if due is None else due.name
        target = self.settings.targets.named(running)
        return self.schedule.choice(target, self.schedule.gathered(target)).target(ahead_s)

    def filters(self, target: Target) -> list[str]:
        return list(self.schedule.cycle_filters(target, self.schedule.gathered(target)))

    def accept(self, target: str, filter_name: str, seconds: float) -> None:
        self.ledger.add_frame(
            Frame(
                uid=f"{target} {filter_name} {seconds}",
                night=str(NIGHT),
                target=target,
                filter=filter_name,
                exposure_s=seconds,
                start_utc=datetime(2026, 11, 10, 18, tzinfo=UTC),
                path="",
                sha256="",
                verdict=Verdict.ACCEPTED,
                reason="",
                pointing=1,
            )
        )


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite") as opened:
        yield opened


def test_each_target_is_due_in_its_window(ledger: Ledger) -> None:
    """One is behind a tree until 01:00, the other sets at 02:00 UTC."""
    evening = Evening(tree_and_setting(), ledger)
    assert evening.chosen(utc(10, 18)) is None
    assert evening.chosen(utc(10, 20)) == "Andromeda"
    assert evening.chosen(utc(11, 0, 55), "Andromeda") == "Andromeda"
    assert evening.chosen(utc(11, 2, 1), "Andromeda") == "Lion"
    assert evening.chosen(utc(11, 4), "Lion") == "Lion"
    evening.clock.at_s = utc(11, 4, 30)
    assert evening.schedule.finished()


def test_of_a_mosaic_the_panel_is_due_that_has_least(ledger: Ledger) -> None:
    """A cycle is one L of 120 s, a visit two of them; a panel that is set aside is passed over."""
    settings = settings_of()
    grid = {"columns": 3, "field_width_deg": 0.8, "field_height_deg": 0.6, "visit_s": 240.0}
    panels = panels_of(target("M31", ANDROMEDA, mosaic=grid), settings.observatory)
    evening = Evening(settings_of(*panels), ledger)
    first, second, third = (one.name for one in panels)
    evening.accept(first, "L", 120.0)
    evening.accept(third, "L", 240.0)
    assert evening.chosen(utc(10, 20)) == second
    assert evening.chosen(utc(10, 20), first) == first, "it is not a visit ahead yet"
    assert evening.chosen(utc(10, 20), third) == second
    evening.accept(second, "L", 360.0)
    assert evening.chosen(utc(10, 20), second) == first
    assert evening.filters(panels[1]) == ["L"]
    evening.schedule.set_aside(panels[0])
    assert evening.chosen(utc(10, 20)) == third
    for panel in panels:
        evening.schedule.set_aside(panel)
    assert evening.chosen(utc(10, 20)) is None


@pytest.mark.parametrize(("name", "left"), [("M31", 2), ("M31 panel 2", 1)])
def test_a_person_may_have_a_mosaic_or_a_panel_left_alone(
    ledger: Ledger, name: str, left: int
) -> None:
    grid = {"columns": 2, "field_width_deg": 0.8, "field_height_deg": 0.6}
    panels = panels_of(target("M31", ANDROMEDA, mosaic=grid), settings_of().observatory)
    evening = Evening(settings_of(*panels, target("two", ANDROMEDA, priority=2)), ledger)
    evening.clock.at_s = utc(10, 20)
    account = Account(phase=Phase.GATHERING)
    desk = Desk(evening.schedule, ledger, account, evening.clock, Log(evening.clock))
    answer = desk.take(Skip(target=name), "a person")
    assert isinstance(answer, Done)
    assert answer.said.startswith(f"{name} is left alone")
    assert evening.chosen(utc(10, 20)) == ("two" if left == 2 else "M31 panel 1")


def test_before_the_dark_the_first_target_is_due(ledger: Ledger) -> None:
    evening = Evening(settings_of(target("one", ANDROMEDA)), ledger)
    dark_s = evening.schedule.dark.start_unix_s
    due_s = evening.schedule.due_s()
    assert due_s == dark_s - evening.settings.policies.acquire.begin_before_s
    assert evening.schedule.opens_s(due_s) == dark_s - 1800.0
    assert evening.chosen(due_s) == "one"


def test_the_roof_waits_for_a_target_that_rises_late(ledger: Ledger) -> None:
    """The Lion's window begins at 01:00 UTC, hours after the dark does."""
    lion = next(one for one in tree_and_setting().targets.targets if one.name == "Lion")
    settings = tree_and_setting()
    alone = Settings(
        settings.observatory,
        settings.targets.model_copy(update={"targets": (lion,)}),
        settings.policies,
        settings.rig,
    )
    schedule = Evening(alone, ledger).schedule
    due_s = schedule.due_s()
    assert utc(11, 0, 50) < due_s < utc(11, 1, 10)
    assert schedule.opens_s(due_s) == due_s - 1800.0


def test_the_roof_opens_after_sunset_whatever_is_asked(ledger: Ledger) -> None:
    """The Sun sets at −0.83° (34′ of refraction and 16′ of radius, Explanatory Supplement)."""
    settings = settings_of(target("one", ANDROMEDA))
    acquire = settings.policies.acquire.model_copy(update={"open_before_s": 7200.0})
    dark = settings.policies.dark.model_copy(update={"sun_altitude_deg": -2.0})
    policies = settings.policies.model_copy(update={"acquire": acquire, "dark": dark})
    early = Settings(settings.observatory, settings.targets, policies, settings.rig)
    schedule = Evening(early, ledger).schedule
    opens_s = schedule.opens_s(schedule.due_s())
    assert float(sun_altitude(schedule.site, opens_s)) == pytest.approx(-0.9, abs=0.01)


def test_the_plan_may_be_looked_up_a_little_ahead_or_back(ledger: Ledger) -> None:
    """Just before the change the end of a cycle already sees the next target; then nobody stays."""
    evening = Evening(tree_and_setting(), ledger)
    assert evening.chosen(utc(11, 1, 40), "Andromeda") == "Andromeda"
    plan = evening.schedule._plan
    assert plan is not None
    change_s = plan.blocks[0].end_unix_s
    assert utc(11, 1, 42) < change_s < utc(11, 1, 54), "before the plan is made again"
    assert evening.chosen(change_s - 60, "Andromeda") == "Andromeda"
    assert evening.chosen(change_s - 60, "Andromeda", 150.0) == "Lion"
    assert evening.chosen(change_s + 60, "Andromeda", -150.0) == "Andromeda"
    assert evening.chosen(change_s + 60, "Andromeda") == "Lion"


def test_a_target_set_aside_makes_room_and_comes_back(ledger: Ledger) -> None:
    settings = settings_of(target("one", ANDROMEDA), target("two", ANDROMEDA, priority=2))
    evening = Evening(settings, ledger)
    assert evening.chosen(utc(10, 20)) == "one"
    evening.schedule.set_aside(settings.targets.named("one"))
    assert evening.chosen(utc(10, 20)) == "two"
    evening.schedule.take_back(settings.targets.named("one"))
    assert evening.chosen(utc(10, 20)) == "one"


def test_wanted_hours_and_hours_of_a_night_end_a_target(ledger: Ledger) -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 1.0}}
    settings = settings_of(
        target("first", ANDROMEDA, filter=wants),
        target("second", ANDROMEDA, priority=2, maximum_hours=2.0),
        target("third", ANDROMEDA, priority=3),
    )
    evening = Evening(settings, ledger)
    assert evening.chosen(utc(10, 20)) == "first"
    evening.accept("first", "L", 3600.0)
    assert evening.chosen(utc(10, 20, 1), "first") == "second"
    evening.accept("second", "L", 7200.0)
    assert evening.chosen(utc(10, 20, 2), "second") == "third"


def test_seconds_without_a_verdict_count_towards_the_end(ledger: Ledger) -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 1.0}}
    settings = settings_of(target("one", ANDROMEDA, filter=wants))
    evening = Evening(settings, ledger)
    assert evening.chosen(utc(10, 20)) == "one"
    (one,) = settings.targets.targets
    schedule = evening.schedule
    assert schedule.choice(one, schedule.gathered(one, {"L": 3600.0})).target() is None


def test_what_lacks_less_than_a_step_of_the_plan_is_finished_first(ledger: Ledger) -> None:
    wants = {"L": {"exposure_s": 120.0, "wanted_hours": 1.0}}
    settings = settings_of(
        target("one", ANDROMEDA, filter=wants, priority=3), target("two", ANDROMEDA)
    )
    evening = Evening(settings, ledger)
    assert evening.chosen(utc(10, 20), "one") == "two"
    evening.accept("one", "L", 3600.0 - 240.0)
    assert evening.chosen(utc(10, 20), "one") == "one"
    evening.accept("one", "L", 240.0)
    assert evening.chosen(utc(10, 20), "one") == "two"


def test_complete_filters_leave_the_cycle(ledger: Ledger) -> None:
    filters = {"L": {"exposure_s": 120.0, "wanted_hours": 1.0}, "R": {"exposure_s": 120.0}}
    settings = settings_of(target("one", ANDROMEDA, filter=filters))
    evening, (one,) = Evening(settings, ledger), settings.targets.targets
    evening.chosen(utc(10, 20))
    assert evening.filters(one) == ["L", "R"]
    evening.accept("one", "L", 3600.0)
    assert evening.filters(one) == ["R"]


def test_the_moon_decides_the_group(tmp_path: Path) -> None:
    """On the 19th the Moon sets at 01:17 UTC."""
    groups = (
        {"sky": ("dark",), "filter": {"R": {"exposure_s": 120.0}}},
        {"sky": ("moonlit",), "filter": {"Ha": {"exposure_s": 300.0}}},
    )
    settings = settings_of(target("one", ANDROMEDA, group=groups))
    (one,) = settings.targets.targets
    clock = SetClock()
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        schedule = Schedule(settings, date(2026, 11, 19), clock, ledger)
        for moment, filters in ((utc(20, 0, 30), ["Ha"]), (utc(20, 1, 20), ["R"])):
            clock.at_s = moment
            gathered = schedule.gathered(one)
            assert schedule.choice(one, gathered).target() == one.name
            assert list(schedule.cycle_filters(one, gathered)) == filters


def test_a_target_that_only_waits_is_no_end_of_the_night(ledger: Ledger) -> None:
    evening = Evening(settings_of(target("one", LION, altitude_floor_deg=40.0)), ledger)
    assert evening.chosen(utc(10, 20)) is None
    assert not evening.schedule.finished()


def test_a_night_follows_its_plan_from_one_target_to_the_next(tmp_path: Path) -> None:
    """The first target is left at its time of day, in whole cycles, and the second goes on."""
    settings, rig = demo(targets={"R": 60.0, "G": 60.0, "B": 60.0}, guide_s=SELDOM_S)
    (first,) = settings.targets.targets
    until_s = darkness(settings, date(2026, 11, 10)).start_unix_s + 1100.0
    until = datetime.fromtimestamp(until_s, UTC).strftime("%H:%M:%S")
    second = first.model_copy(
        update={"name": "second", "priority": 2, "ra_deg": first.ra_deg + 3.0}
    )
    both = (first.model_copy(update={"until_utc": until}), second)
    changed = Settings(
        settings.observatory,
        settings.targets.model_copy(update={"targets": both}),
        settings.policies,
        settings.rig,
    )
    story = live(tmp_path, (changed, rig), hours=0.6)
    assert story.played.violations == []
    assert [event.target for event in story.of(e.TargetChosen)] == [first.name, "second"]
    begun = [
        (utc.timestamp(), event) for utc, event in story.events if isinstance(event, e.SubBegun)
    ]
    assert all(at < until_s for at, sub in begun if sub.target == first.name)
    assert until_s - max(at for at, sub in begun if sub.target == first.name) < 600
    # Its end is a clock time and not a cycle's, so that every minute of it is used, and evenly.
    counts = Counter(sub.filter for _, sub in begun if sub.target == first.name)
    assert max(counts.values()) - min(counts.values()) <= 1
    assert sum(sub.target == "second" for _, sub in begun) >= 6


def test_a_night_goes_on_with_another_group_without_moving(tmp_path: Path) -> None:
    """Ha begins in a twilight too bright for R and G, which follow it without another slew."""
    settings, rig = demo(guide_s=SELDOM_S)
    (first,) = settings.targets.targets
    one = target(
        first.name,
        {"ra_deg": first.ra_deg, "dec_deg": first.dec_deg},
        group=(
            {"filter": {"Ha": {"exposure_s": 60.0}}, "sun_altitude_deg": -15.5},
            {"filter": {"R": {"exposure_s": 60.0}, "G": {"exposure_s": 60.0}}},
        ),
    )
    changed = Settings(
        settings.observatory,
        settings.targets.model_copy(update={"targets": (one,)}),
        settings.policies,
        settings.rig,
    )
    story = live(tmp_path, (changed, rig), hours=0.5)
    assert story.played.violations == []
    assert len(story.of(e.TargetChosen)) == 1
    filters = [event.filter for event in story.of(e.SubBegun)]
    narrow = filters.count("Ha")
    assert 5 < narrow < len(filters) - 5
    assert filters[:narrow] == ["Ha"] * narrow
    assert set(filters[narrow:]) == {"R", "G"}
