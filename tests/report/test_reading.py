"""A log read into records, where it was cut short, and what the ledger knows better."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from nightloom.ledger import Frame, Verdict
from nightloom.report.minutes import Use, minutes
from nightloom.report.reading import Story, story_of, subs_of
from nightloom.report.records import Exposure, Fate, Night
from nightloom.sky import Interval
from nightloom.telemetry import Event
from nightloom.telemetry import events as e

DUSK = datetime(2027, 1, 12, 17, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return DUSK + timedelta(seconds=seconds)


BEGUN = e.NightBegun(
    night="2027-01-12",
    observatory="somewhere",
    dark_begins_utc=DUSK,
    dark_ends_utc=at(7200.0),
)


def begun(uid: str, exposure_s: float = 120.0) -> e.SubBegun:
    return e.SubBegun(target="M81", filter="L", exposure_s=exposure_s, uid=uid, cycle=1)


def ended(uid: str) -> e.SubEnded:
    return e.SubEnded(uid=uid, target="M81", filter="L", exposure_s=120.0, download_s=1.0)


def phase(before: str, after: str) -> e.PhaseChanged:
    return e.PhaseChanged(before=before, after=after, reason="a test")


def told(*events: tuple[float, Event]) -> Story:
    return story_of((at(seconds), event) for seconds, event in events)


def frame(uid: str, start_s: float, verdict: Verdict = Verdict.ACCEPTED) -> Frame:
    return Frame(
        uid, "2027-01-12", "M81", "L", 120.0, at(start_s), "", "", verdict,
        "" if verdict is Verdict.ACCEPTED else "too dim", 1,
    )  # fmt: skip


def spent(story: Story, subs: list[Exposure]) -> dict[Use, float]:
    assert story.dark is not None
    night = Night(
        "2027-01-12", "", "", story.dark, tuple(story.stays), tuple(story.done),
        tuple(story.faults), tuple(story.silent), tuple(subs),
    )  # fmt: skip
    return minutes(night).seconds()


def test_the_ledger_has_the_last_word_on_a_frame() -> None:
    story = told((0.0, BEGUN), (0.0, begun("a")), (121.0, ended("a")))
    (sub,) = subs_of(story, {"a": frame("a", 0.0, Verdict.REJECTED)})
    assert sub.fate is Fate.REJECTED
    assert sub.reason == "too dim"
    assert sub.open == Interval(DUSK.timestamp(), DUSK.timestamp() + 120.0)


def test_what_a_frame_is_worth_is_read_where_the_ledger_says() -> None:
    story = told((0.0, BEGUN), (0.0, begun("a")), (121.0, ended("a")))
    worth = replace(frame("a", 0.0), worth_s=77.0)
    assert [sub.worth_s for sub in subs_of(story, {"a": worth})] == [77.0]
    assert [sub.worth_s for sub in subs_of(story, {"a": frame("a", 0.0)})] == [None]


def test_a_frame_taken_back_is_rejected_by_the_log_alone() -> None:
    accepted = e.FrameAccepted(uid="a", target="M81", filter="L", exposure_s=120.0)
    back = e.FrameTakenBack(uid="a", target="M81", filter="L", exposure_s=120.0, reason="haze")
    story = told(
        (0.0, BEGUN), (0.0, begun("a")), (121.0, ended("a")), (125.0, accepted), (900.0, back)
    )
    (sub,) = subs_of(story, {})
    assert (sub.fate, sub.reason) == (Fate.REJECTED, "haze")


def test_a_run_that_was_killed_leaves_a_stretch_in_which_nothing_ran() -> None:
    """The sub in flight counts nowhere but as a sub given up, up to the last line."""
    story = told(
        (0.0, BEGUN),
        (0.0, phase("asleep", "gathering")),
        (0.0, begun("a")),
        (121.0, ended("a")),
        (122.0, begun("b")),
        (150.0, e.CloudCleared(star_fraction=1.0, held_s=1.0)),
        (700.0, e.RemoteListening(url="http://here", token=False)),
        (740.0, e.NightArmed(night="2027-01-12", begins_utc=at(740.0))),
        (750.0, BEGUN),
        (750.0, phase("asleep", "readying")),
        (900.0, phase("readying", "gathering")),
        (900.0, begun("c")),
        (1021.0, ended("c")),
    )
    subs = subs_of(story, {uid: frame(uid, s) for uid, s in (("a", 0.0), ("c", 900.0))})
    seconds = spent(story, subs)
    assert seconds[Use.SILENT] == 600.0 + (7200.0 - 1021.0)  # and after its last line
    assert seconds[Use.OPEN] == 240.0
    assert seconds[Use.GIVEN_UP] == 28.0
    assert sum(seconds.values()) == 7200.0
    assert not story.ended


def test_before_a_daemon_that_came_late_none_ran_and_after_a_night_that_ended_it_is_parked() -> (
    None
):
    over = e.NightEnded(night="2027-01-12", dark_s=7200.0, open_s=0.0, accepted=0, rejected=0)
    story = told(
        (600.0, BEGUN),
        (600.0, phase("asleep", "readying")),
        (1000.0, phase("readying", "retiring")),
        (1100.0, phase("retiring", "asleep")),
        (1100.0, over),
        (1200.0, e.NightArmed(night="2027-01-13", begins_utc=at(90000.0))),
    )
    assert spent(story, []) == {Use.SILENT: 600.0, Use.CLOSING: 6200.0, Use.WAITING: 400.0}


def test_a_frame_that_a_later_run_found_was_exposed_to_its_end() -> None:
    story = told((0.0, BEGUN), (0.0, begun("a")), (60.0, BEGUN))
    (sub,) = subs_of(story, {"a": frame("a", 0.0)})
    assert sub.kept
    assert sub.open.duration_s == 120.0


def test_trouble_lasts_until_the_next_sub() -> None:
    trouble = e.DeviceTrouble(
        device="wheel", kind="refused", property_name="FILTER_SLOT", asked="2", seen="1"
    )
    story = told(
        (0.0, BEGUN),
        (0.0, phase("asleep", "gathering")),
        (10.0, trouble),
        (10.0, phase("gathering", "readying")),
        (60.0, phase("readying", "acquiring")),
        (100.0, phase("acquiring", "gathering")),
        (100.0, begun("a")),
        (221.0, ended("a")),
    )
    assert spent(story, subs_of(story, {"a": frame("a", 100.0)}))[Use.FAULT] == 90.0
    assert [one.event for one in story.told] == ["device_trouble"]


def test_events_that_this_log_never_began_are_passed_over() -> None:
    """As at the head of a log that was cut."""
    cancelled = e.SubCancelled(
        uid="y", target="M81", filter="L", exposure_s=9.0, open_s=3.0, reason="a test"
    )
    story = told((0.0, BEGUN), (5.0, ended("x")), (6.0, cancelled))
    assert story.subs == {}
