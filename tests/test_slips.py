"""The slips of tests/benchmarks/slips.py can still be made; whether they are caught it says."""

from benchmarks.slips import SLIPS, TREE


def test_the_text_of_each_slip_stands_once_in_its_file() -> None:
    files = {slip.file: (TREE / slip.file).read_text("utf-8") for slip in SLIPS}
    lost = [slip.name for slip in SLIPS if files[slip.file].count(slip.text) != 1]
    assert lost == []


def test_each_slip_has_a_name_of_its_own_and_tests_that_are_there() -> None:
    assert len({slip.name for slip in SLIPS}) == len(SLIPS)
    for slip in SLIPS:
        for test in slip.tests:
            assert (TREE / "tests" / test.partition("::")[0]).is_file(), slip.name
