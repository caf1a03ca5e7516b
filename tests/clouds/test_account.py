"""The most that can be had under clouds drawn by hand, where the answer can be counted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clouds.account import Best, Floats, Stretch, best, lost_s, together

MINUTE_S, GAP_S = 60.0, 5.0


def sky(*parts: tuple[int, float]) -> Floats:
    """What it lets through, second by second: so many seconds of each."""
    return np.concatenate([np.full(for_s, share) for for_s, share in parts])


def most(share: Floats, least: float = 1.0, busy: slice = slice(0, 0)) -> Best:
    free = np.ones(len(share), bool)
    free[busy] = False
    return best(share, free, exposure_s=MINUTE_S, gap_s=GAP_S, least=least)


@pytest.mark.parametrize(
    ("clear_s", "subs"),
    [(59, 0), (60, 1), (124, 1), (125, 2), (189, 2), (190, 3), (200, 3)],
)
def test_only_whole_subs_with_their_gaps_count(clear_s: int, subs: int) -> None:
    """Two subs and a gap are 125 s, three subs and two gaps 190 s; what is left is no loss."""
    share = sky((100, 0.0), (clear_s, 1.0), (100, 0.0))
    assert most(share).from_s(0.0) == subs * MINUTE_S


@pytest.mark.parametrize(
    ("clear_s", "subs"), [(44, 0), (45, 1), (94, 1), (95, 2), (159, 2), (160, 3)]
)
def test_a_quarter_of_a_sub_may_lie_under_cloud_at_either_end(clear_s: int, subs: int) -> None:
    """15 s of each sub may be dark: 45 s are enough for one, and two reach 15 s out at each end."""
    share = sky((100, 0.0), (clear_s, 1.0), (100, 0.0))
    assert most(share, least=0.75).from_s(0.0) == subs * MINUTE_S


def test_clear_sky_between_clouds_that_is_too_short_is_not_possible() -> None:
    """Ten holes of 50 s are 500 clear seconds, and no sub."""
    assert most(sky(*10 * ((50, 1.0), (50, 0.0)))).from_s(0.0) == 0.0


def test_a_veil_counts_as_long_as_it_may_be_kept() -> None:
    assert most(sky((125, 0.76)), least=0.75).from_s(0.0) == 2 * MINUTE_S
    assert most(sky((125, 0.74)), least=0.75).from_s(0.0) == 0.0


def test_no_sub_lies_in_seconds_that_something_else_took() -> None:
    """50 s before it are too few, and 190 s after it three subs."""
    assert most(sky((260, 1.0)), busy=slice(50, 70)).from_s(0.0) == 3 * MINUTE_S


def test_what_is_left_falls_with_the_time() -> None:
    left = most(sky((200, 1.0)))
    assert [left.from_s(at_s) for at_s in (0, 10, 11, 75, 76, 140, 141, 900)] == [
        180.0, 180.0, 120.0, 120.0, 60.0, 60.0, 0.0, 0.0,
    ]  # fmt: skip


@given(st.lists(st.tuples(st.integers(5, 150), st.floats(0.0, 1.0)), min_size=1, max_size=8))
def test_nothing_is_better_than_to_begin_wherever_a_sub_would_count(
    parts: list[tuple[int, float]],
) -> None:
    """Of equal lengths the one that ends first is never a mistake (interval scheduling; Kleinberg
    and Tardos 2006, Algorithm Design, section 4.1): another way to the same number.
    """
    share = sky(*parts)
    at, subs = 0, 0
    while at + 60 <= len(share):
        counts = np.mean(share[at : at + 60]) >= 0.75 + 1e-9
        subs, at = (subs + 1, at + 65) if counts else (subs, at + 1)
    assert most(share, least=0.75 + 1e-9).from_s(0.0) == subs * MINUTE_S


def test_each_lost_second_is_charged_to_what_lost_it() -> None:
    """A hole of 190 s, three subs. The rig begins 20 s late, so that two are left; has the second
    rejected; and 60 s of the next hole pass while it holds.
    """
    share = sky((190, 1.0), (100, 0.0), (130, 1.0), (100, 0.0))
    left = most(share)
    assert left.from_s(0.0) == 5 * MINUTE_S
    lost = lost_s(
        left,
        0.0,
        [
            Stretch(20.0, 0.0, "late"),
            Stretch(85.0, MINUTE_S, "kept"),
            Stretch(150.0, 0.0, "rejected"),
            Stretch(350.0, 0.0, "held"),
            Stretch(415.0, MINUTE_S, "kept"),
            Stretch(520.0, 0.0, "end"),
        ],
    )
    assert lost == {"late": 60.0, "kept": 0.0, "rejected": 60.0, "held": 60.0, "end": 0.0}
    assert list(together([lost, {"late": 30.0}])) == ["late", "held", "rejected", "end", "kept"]
