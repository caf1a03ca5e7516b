import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.courses import Course, GearWithPlay
from nightloom_drivers.physics.enclosure import Cover, Panel
from nightloom_drivers.physics.focuser import Focuser, best_focus_steps
from nightloom_drivers.physics.wheel import Wheel
from nightloom_drivers.rig_settings import (
    CoolerSettings,
    FocuserSettings,
    FocusSettings,
    WheelSettings,
)

T0 = 1.8e9


def test_a_course_remembers_its_past() -> None:
    course = Course(T0, 0.0)
    assert course.move(T0 + 10, 100.0, 10.0) == 10.0
    course.cut(T0 + 15)
    assert [course.at(T0 + t) for t in (0, 10, 12, 15, 99)] == [0, 0, 20, 50, 50]


def test_a_jump_leaves_the_time_before_it_alone() -> None:
    course = Course(T0, 0.0)
    course.cut(T0 + 10)
    course.extend(0.0, 1.0)
    assert [course.at(T0 + t) for t in (5, 9.99, 10, 20)] == [0, 0, 1, 1]


@given(moves=st.lists(st.floats(-100, 100), min_size=1, max_size=12), play=st.floats(0, 30))
def test_play_keeps_the_load_within_reach_of_the_motor(moves: list[float], play: float) -> None:
    """After a move up the load is at the motor; it is never below it, nor further than the play."""
    gear, t_s = GearWithPlay(T0, 0.0, play), T0
    for target in moves:
        up = target - gear.motor.at(t_s)
        t_s += gear.move(t_s, target, 5.0)
        gap = gear.load.at(t_s) - gear.motor.at(t_s)
        assert -1e-5 <= gap <= play + 1e-5
        if up > play + 1e-5:
            assert gap == pytest.approx(0, abs=1e-5)


def test_the_focuser_counts_on_while_its_drawtube_takes_up_backlash() -> None:
    focuser = Focuser(FocuserSettings(start_steps=1000, backlash_steps=60, steps_per_s=100), T0)
    assert focuser.move_to(T0, 900) == pytest.approx(1.0)
    assert focuser.is_moving(T0 + 0.5)
    assert focuser.position(T0 + 0.5) == 950
    assert focuser.drawtube_steps(T0 + 0.5) == 1000
    assert focuser.position(T0 + 1) == 900
    assert focuser.drawtube_steps(T0 + 1) == pytest.approx(960)
    focuser.move_to(T0 + 2, 1000)
    assert focuser.drawtube_steps(T0 + 9) == pytest.approx(1000)


def test_the_focuser_stops_where_it_is_told() -> None:
    focuser = Focuser(FocuserSettings(start_steps=1000, steps_per_s=100), T0)
    focuser.move_to(T0, 2000)
    focuser.abort(T0 + 3)
    assert focuser.position(T0 + 60) == 1300
    with pytest.raises(ValueError, match="outside"):
        focuser.move_to(T0 + 60, -1)


def test_best_focus_follows_filter_temperature_and_altitude() -> None:
    focus = FocusSettings(base_steps=5000, slope_steps_per_c=-8, flexure_steps=10)
    filter_ = WheelSettings().filters[4]
    at_zenith = best_focus_steps(focus, filter_, 10, 90)
    assert at_zenith == pytest.approx(5000 + filter_.focus_offset_steps)
    assert best_focus_steps(focus, filter_, 7.5, 90) - at_zenith == pytest.approx(20)
    assert best_focus_steps(focus, filter_, 10, 60) - at_zenith == pytest.approx(5)


def test_the_wheel_turns_the_shorter_way() -> None:
    wheel = Wheel(WheelSettings(travel_s_per_slot=1.0), T0)
    assert wheel.goto(T0, 7) == pytest.approx(1.0)
    assert wheel.slot(T0 + 0.5) is None
    assert wheel.filter(T0 + 0.5) is None
    assert wheel.slot(T0 + 1) == 7
    assert wheel.goto(T0 + 1, 3) == pytest.approx(3.0)
    assert wheel.slot(T0 + 5) == 3
    assert wheel.names[2] == "G"
    with pytest.raises(ValueError, match="slot 8"):
        wheel.goto(T0 + 5, 8)


def test_a_wheel_sent_elsewhere_on_its_way_arrives() -> None:
    wheel = Wheel(WheelSettings(travel_s_per_slot=1.0), T0)
    wheel.goto(T0, 4)
    duration_s = wheel.goto(T0 + 1.5, 1)
    assert wheel.slot(T0 + 1.5 + duration_s) == 1


def test_a_cover_takes_its_time_and_can_turn_back() -> None:
    roof = Cover(T0, 30.0, is_open=False)
    assert roof.open(T0) == pytest.approx(30)
    assert not roof.is_open(T0 + 29)
    assert not roof.is_closed(T0 + 1)
    assert roof.is_open(T0 + 30)
    roof.close(T0 + 40)
    roof.abort(T0 + 55)
    assert roof.position(T0 + 99) == pytest.approx(0.5)
    assert roof.close(T0 + 100) == pytest.approx(15)
    assert roof.is_closed(T0 + 115)


def test_the_panel_gives_light_only_while_it_is_on() -> None:
    panel = Panel(T0, 200)
    panel.set_level(T0 + 1, 50)
    assert panel.output(T0 + 2) == 0
    panel.switch(T0 + 3, on=True)
    assert panel.output(T0 + 4) == pytest.approx(0.25)
    panel.switch(T0 + 5, on=False)
    assert [panel.output(T0 + t) for t in (2, 4, 6)] == pytest.approx([0, 0.25, 0])
    with pytest.raises(ValueError, match="level 201"):
        panel.set_level(T0 + 6, 201)


def test_the_cooler_ramps_to_its_set_point_and_holds_it() -> None:
    cooler = Cooler(CoolerSettings(limit_c=35, ramp_c_per_min=6), lambda _: 10.0, T0)
    assert cooler.temperature_c(T0) == 10
    cooler.set_point(T0, -10.0)
    assert cooler.temperature_c(T0 + 60) == pytest.approx(4)
    assert cooler.temperature_c(T0 + 200) == pytest.approx(-10)
    assert cooler.power(T0 + 300) == pytest.approx(20 / 35)
    cooler.switch(T0 + 300, on=False)
    assert cooler.temperature_c(T0 + 360) == pytest.approx(-4)
    assert cooler.temperature_c(T0 + 900) == 10
    assert cooler.power(T0 + 900) == 0


def test_the_cooler_cannot_go_below_its_reach() -> None:
    cooler = Cooler(CoolerSettings(limit_c=35), lambda _: 10.0, T0)
    cooler.set_point(T0, -40.0)
    assert cooler.temperature_c(T0 + 3600) == -25
    assert cooler.power(T0 + 3600) == 1
