"""What the observer bears of frames: what was lost on its way, bad filters, clocks, unrest."""

from dataclasses import replace
from pathlib import Path

import pytest

from night.nights import NIGHT, demo
from nightloom.ledger import FILE_NAME, Ledger, Verdict
from nightloom.rehearsal.observer import Audit, TakenSub, audit
from rehearsal.scenes import STEADY
from rehearsal.test_record_rules import frame_of

START_S, SCALE_ARCSEC = 1_794_340_000.0, 1.463


def sub(number: int, name: str = "L", **told: object) -> TakenSub:
    """A good sub of the demo's first target, five pixels from the one before it."""
    target = demo(rig=STEADY)[0].targets.targets[0]
    good = TakenSub(
        START_S + 130.0 * number, 120.0, target.name, name, True, target.ra_deg,
        target.dec_deg + number * 5.0 * SCALE_ARCSEC / 3600.0, 1, 1.0, 0.3, 0.01, 0,
    )  # fmt: skip
    return replace(good, **told)  # type: ignore[arg-type]


def audited(out: Path, subs: list[TakenSub], entered: list[TakenSub], refused: str = "") -> Audit:
    """What is found where these were taken, and those entered; the numbers of some are refused."""
    with Ledger(out / FILE_NAME) as ledger:
        for number, one in enumerate(entered, start=1):
            bad = str(number) in refused.split()
            told = {"verdict": Verdict.REJECTED, "reason": "out of focus"} if bad else {}
            ledger.add_frame(frame_of(one, number, **told))
    return audit(demo(rig=STEADY)[0], NIGHT, subs, out / FILE_NAME, None)


def test_a_sub_that_was_lost_on_its_way_need_not_be_there(tmp_path: Path) -> None:
    there, gone = sub(0), sub(1, "R")
    assert audited(tmp_path / "a", [there, replace(gone, lost=True)], [there]).findings == []
    (finding,) = audited(tmp_path / "b", [there, gone], [there]).findings
    assert finding.rule.name == "frames_kept"


@pytest.mark.parametrize(("again", "borne"), [(3, True), (2, False)])
def test_a_filter_that_is_refused_again_and_again_may_fall_behind(
    again: int, borne: bool, tmp_path: Path
) -> None:
    """The others go on without it, by more than a cycle of three L, R, G and B."""
    subs = [*(sub(n, "L") for n in range(again)), *(sub(again + n, "RGB"[n % 3]) for n in range(9))]
    refused = " ".join(str(number + 1) for number in range(again))
    rules = {one.rule.name for one in audited(tmp_path, subs, subs, refused).findings}
    assert rules == (set() if borne else {"even"})


def test_subs_of_one_date_on_a_clock_that_was_set_back_are_two(tmp_path: Path) -> None:
    first, second = sub(0), replace(sub(1, "R"), start_s=START_S + 0.1)
    assert audited(tmp_path / "a", [first, second], [first, second]).findings == []
    (missing,) = audited(tmp_path / "b", [first, second], [first]).findings
    assert missing.rule.name == "frames_kept"


def test_what_wandered_may_seem_nearer_than_a_dither(tmp_path: Path) -> None:
    """Of 3 px one is borne; 1.5″ of wander in one of the subs is one more."""
    near = sub(1, dec_deg=sub(0).dec_deg + 1.5 * SCALE_ARCSEC / 3600.0)
    still = audited(tmp_path / "a", [sub(0), near], [sub(0), near]).findings
    assert [one.rule.name for one in still] == ["dithered"]
    unrest = [sub(0), replace(near, wander_arcsec=1.5)]
    assert audited(tmp_path / "b", unrest, unrest).findings == []
