"""Which filter's offset is in doubt, by how large each filter's frames came."""

from hypothesis import given
from hypothesis import strategies as st

from nightloom.focusing.odd_filter import OddFilters

IN_FOCUS, LARGE = 0.02, 0.6


def seen(*frames: tuple[str, float], after: OddFilters | None = None) -> OddFilters:
    """One frame a minute, after a curve through L at 0 s."""
    odd = after or OddFilters().focused("L", 0.0, moved=True)
    began_s = max([0.0, *(one.began_s for one in odd.latest.values())])
    for number, (name, growth) in enumerate(frames, 1):
        odd = odd.saw(name, growth, began_s + 60.0 * number)
    return odd


def test_a_filter_that_is_large_while_a_later_one_is_sharp_is_odd() -> None:
    assert seen(("L", IN_FOCUS), ("R", LARGE), ("G", IN_FOCUS)).odd == ("R",)
    assert seen(("R", LARGE), ("G", LARGE), ("L", IN_FOCUS)).odd == ("R", "G")


def test_nothing_is_odd_before_a_later_frame_is_sharp() -> None:
    """The focus of all may have jumped between the two."""
    assert seen(("L", IN_FOCUS), ("R", LARGE)).odd == ()
    assert seen(("L", IN_FOCUS), ("R", LARGE), ("G", LARGE), ("L", LARGE)).odd == ()


def test_a_look_that_finds_the_focus_right_is_as_good_as_a_sharp_frame() -> None:
    grown = seen(("L", IN_FOCUS), ("R", LARGE), ("G", LARGE))
    assert grown.focused("L", 1000.0, moved=False).odd == ("R", "G")
    assert grown.focused("L", 1000.0, moved=True).odd == ()


def test_where_no_sub_is_taken_with_the_focus_filter_two_large_frames_after_a_look_are_odd() -> (
    None
):
    assert seen(("R", LARGE)).odd == ()
    assert seen(("R", LARGE), ("G", LARGE)).odd == ("R", "G")


def test_a_filter_whose_offset_was_corrected_is_odd_only_by_frames_from_after_it() -> None:
    odd = seen(("R", LARGE), ("L", IN_FOCUS)).corrected("R", 1000.0, found=True)
    assert odd.odd == ()
    assert odd.saw("R", LARGE, 990.0).saw("L", IN_FOCUS, 1100.0).odd == ()
    assert odd.saw("R", LARGE, 1010.0).saw("L", IN_FOCUS, 1100.0).odd == ("R",)


def test_a_filter_that_is_large_in_focus_is_looked_at_once() -> None:
    """A lens that leaves blue stars wide: excused by as much, and no more."""
    odd = seen(("B", 0.3), ("L", IN_FOCUS))
    assert odd.odd == ("B",)
    odd = odd.corrected("B", 300.0, found=False)
    odd = odd.saw("B", 0.32, 400.0).saw("L", IN_FOCUS, 500.0)
    assert odd.odd == ()
    odd = odd.focused("L", 550.0, moved=True)
    assert odd.saw("B", 0.32, 600.0).saw("L", IN_FOCUS, 700.0).odd == ()
    assert odd.saw("B", 0.6, 600.0).saw("L", IN_FOCUS, 700.0).odd == ("B",)


def test_a_filter_that_was_in_focus_since_is_not_odd_when_the_focus_drifts() -> None:
    """Whatever frames come first and last, and with the focus filter's among them or not."""
    assert seen(("R", IN_FOCUS), ("G", 0.1), ("R", LARGE), ("G", LARGE)).odd == ()
    assert seen(("R", IN_FOCUS), ("L", 0.1), ("R", LARGE), ("L", IN_FOCUS)).odd == ()


def test_an_unknown_growth_says_nothing() -> None:
    assert seen(("R", float("nan")), ("L", IN_FOCUS)).odd == ()


@given(
    frames=st.lists(st.sampled_from("LRGB"), min_size=1, max_size=20),
    growth=st.floats(-0.3, 3.0),
    scatter=st.lists(st.floats(-0.03, 0.03), min_size=20, max_size=20),
)
def test_what_all_filters_share_makes_none_odd(
    frames: list[str], growth: float, scatter: list[float]
) -> None:
    """Where subs are taken with the focus filter too, as here its first one."""
    rows = [(name, growth + by) for name, by in zip(["L", *frames], scatter, strict=False)]
    assert seen(*rows).odd == ()
