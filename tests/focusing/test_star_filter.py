"""Which filter stars are looked at through, and what that saves a narrowband night."""

from pathlib import Path

import pytest

from night.nights import demo, live
from nightloom.focusing import star_filter
from nightloom.ledger import Verdict
from nightloom.settings import demo_folder, read_settings
from nightloom.telemetry import events as e

DEMO = read_settings(demo_folder()).observatory


@pytest.mark.parametrize(
    ("taken", "asked", "through"),
    [("L", None, "L"), ("R", None, "R"), ("Ha", None, "L"), ("SII", None, "L"), ("Ha", "G", "G")],
)
def test_a_narrow_filter_is_focused_through_the_broadest(
    taken: str, asked: str | None, through: str
) -> None:
    assert star_filter(DEMO, taken, asked) == through


def test_a_filter_of_unknown_width_is_focused_through_itself() -> None:
    unknown = DEMO.filters["Ha"].model_copy(update={"bandwidth_nm": None})
    observatory = DEMO.model_copy(update={"filters": DEMO.filters | {"Ha": unknown}})
    assert star_filter(observatory, "Ha") == "Ha"


def test_a_narrowband_night_is_focused_in_a_minute_and_sharp(tmp_path: Path) -> None:
    night = live(tmp_path, demo(targets={"Ha": 120.0, "OIII": 120.0}), hours=0.3)
    assert night.played.violations == []
    curves = night.of(e.FocusCurve)
    assert {one.filter for one in curves} == {"L"}
    assert all(one.took_s < 120.0 for one in curves)
    frames = [one for one in night.frames if one.verdict is Verdict.ACCEPTED]
    assert {one.filter for one in frames} == {"Ha", "OIII"}
    best_px = min(min(one.radii_px) for one in curves)
    for one in frames:
        assert one.half_flux_radius_px is not None
        assert one.half_flux_radius_px < 1.25 * best_px, "guided for two minutes, and in focus"
