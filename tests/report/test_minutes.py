"""Where every minute went: each instant once, whatever overlaps, over nights of trouble, too."""

from dataclasses import replace
from datetime import UTC
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.ledger import FILE_NAME, Ledger
from nightloom.report import Sources, findings
from nightloom.report.findings import Findings
from nightloom.report.minutes import Minutes, Use, minutes
from nightloom.report.opening import clear_s, opening
from nightloom.report.page import page
from nightloom.report.pictures import Pictures
from nightloom.report.reading import events_in, story_of
from nightloom.report.records import Act, Done, Exposure, Fate, Night, Stay
from nightloom.sky import Interval
from report.night import Lived, lived

DARK = Interval(1000.0, 5000.0)
EMPTY = Night("2027-01-12", "somewhere", "", DARK)


def spans() -> st.SearchStrategy[Interval]:
    """Whole seconds, before, in and after the dark."""
    ends = st.tuples(st.integers(0, 6000), st.integers(1, 2000))
    return ends.map(lambda pair: Interval(float(pair[0]), float(pair[0] + pair[1])))


def sub(span: Interval, fate: Fate) -> Exposure:
    return Exposure("one", "target", "L", span.duration_s, span, fate)


def nights() -> st.SearchStrategy[Night]:
    phases = ("readying", "acquiring", "gathering", "holding", "sheltering", "retiring")
    return st.builds(
        replace,
        st.just(EMPTY),
        subs=st.lists(st.builds(sub, spans(), st.sampled_from(Fate)), max_size=6).map(tuple),
        done=st.lists(st.builds(Done, st.sampled_from(Act), spans()), max_size=6).map(tuple),
        stays=st.lists(st.builds(Stay, st.sampled_from(phases), spans()), max_size=6).map(tuple),
        faults=st.lists(spans(), max_size=2).map(tuple),
        silent=st.lists(spans(), max_size=2).map(tuple),
    )


def use_at(spent: Minutes, at_s: float) -> Use:
    (use,) = {use for use, span in spent.stretches if span.start_unix_s <= at_s < span.end_unix_s}
    return use


@given(nights())
def test_the_stretches_meet_and_fill_the_dark(night: Night) -> None:
    stretches = [span for _, span in minutes(night).stretches]
    assert stretches[0].start_unix_s == DARK.start_unix_s
    assert stretches[-1].end_unix_s == DARK.end_unix_s
    for before, after in pairwise(stretches):
        assert before.end_unix_s == after.start_unix_s
    assert sum(minutes(night).seconds().values()) == pytest.approx(DARK.duration_s)


@given(nights(), st.integers(1000, 4998))
def test_an_open_shutter_goes_before_all_else(night: Night, second: int) -> None:
    """And what keeps the roof closed, or the sky away, before what the rig does meanwhile."""
    at_s = second + 0.5
    use = use_at(minutes(night), at_s)
    if any(at_s in one.open and one.kept for one in night.subs):
        assert use is Use.OPEN
    elif not any(at_s in one.open for one in night.subs):
        silent = any(at_s in span for span in night.silent)
        sheltered = any(at_s in one.span for one in night.stays if one.phase == "sheltering")
        held = any(at_s in one.span for one in night.stays if one.phase == "holding")
        expected = Use.SILENT if silent else Use.SHELTER if sheltered else Use.HOLDING
        assert (use is expected) == (silent or sheltered or held)


def test_what_runs_under_a_longer_part_of_a_gap_costs_nothing() -> None:
    """A download of 2 s and a change of 3 s under a dither of 5 s."""
    done = (
        Done(Act.DOWNLOAD, Interval(2000.0, 2002.0)),
        Done(Act.CHANGE, Interval(2000.0, 2003.0)),
        Done(Act.DITHER, Interval(2000.0, 2005.0)),
        Done(Act.DOWNLOAD, Interval(3000.0, 3002.0)),
    )
    gathering = (Stay("gathering", DARK),)
    seconds = minutes(replace(EMPTY, done=done, stays=gathering)).seconds()
    assert seconds == {Use.DITHER: 5.0, Use.DOWNLOAD: 2.0, Use.REST: 3993.0}


def test_a_night_in_which_nothing_could_be_done_has_a_page() -> None:
    sheltered = replace(EMPTY, stays=(Stay("sheltering", DARK),))
    spent = minutes(sheltered)
    clauses = opening(sheltered, spent)
    text = page(Findings(sheltered, spent, clauses, {}, Pictures(), UTC))
    assert "Nothing was clear of 67 min of dark; 67 min of shelter" in text
    assert Use.SHELTER.value in text


TROUBLED = (
    ("rain", "camera-hangs"),
    pytest.param(("server-gone", "cloud", "focuser-stuck"), marks=pytest.mark.long),
)


@pytest.mark.parametrize("troubles", TROUBLED)
def test_a_night_of_trouble_is_spent_to_the_second(
    tmp_path: Path, troubles: tuple[str, ...]
) -> None:
    """The open shutter is what the simulated rig's truth says that it was.

    The focus is looked at through a filter that no target asks for.
    """
    night = lived(tmp_path / "out", troubles, hours=0.6, frames=False, filters="RGB")
    rehearsal, out = night.rehearsal, night.rehearsal.out
    files = (rehearsal.log_file, out / FILE_NAME, out / "frames")
    found = findings(Sources(rehearsal.settings, rehearsal.night, *files))
    spent_to_the_second(night, found)
    assert "Focus" in page(found)


def spent_to_the_second(night: Lived, found: Findings) -> None:
    rehearsal, played = night.rehearsal, night.played
    seconds, dark = found.spent.seconds(), rehearsal.dark
    assert abs(sum(seconds.values()) - dark.duration_s) < 1.0
    taken = [Interval(one.start_s, one.start_s + one.exposure_s) for one in played.subs]
    inside_s = sum(part.duration_s for one in taken if (part := one.common(dark)))
    told_s = seconds.get(Use.OPEN, 0.0) + seconds.get(Use.REJECTED, 0.0)
    assert told_s == pytest.approx(inside_s, abs=1.0)
    assert clear_s(found.spent) == pytest.approx(played.summary.clear_s, abs=90.0)
    with Ledger.read(rehearsal.out / FILE_NAME) as ledger:
        kept_s = sum(ledger.accepted_s("NGC 891").values())
    assert seconds[Use.OPEN] == pytest.approx(kept_s, abs=1.0)
    assert story_of(events_in(rehearsal.log_file)).ended
