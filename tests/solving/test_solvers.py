"""Both plate solvers on frames of the real sky, against the drawn truth and each other."""

import asyncio
import dataclasses
import os
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import SkyCoord

from nightloom.executor import Workers
from nightloom.frames import measure
from nightloom.solving import CatalogueSolver, FieldSolver, NotSolved, Solution, Solver
from nightloom_drivers.virtual_loop import run_virtual
from solving.skies import SATURATION_ADU, SHAPE, Field, installed

FIELDS = [
    Field(314.7, 44.3),  # in Cygnus
    Field(83.8, -5.4, rotation_deg=63),  # Orion's sword
    Field(359.98, 62.2, rotation_deg=190, mirrored=True),  # across the 0h line, in Cassiopeia
    Field(56.7, 24.1, scale_arcsec_per_px=3.6, rotation_deg=300),  # the Pleiades
    Field(37.0, 88.5, rotation_deg=20),  # by the pole
]
SOLVERS: list[Callable[[], Solver]] = [
    lambda: CatalogueSolver(installed()),
    lambda: FieldSolver(deadline_s=30),
]


def assert_true(solution: Solution, field: Field) -> None:
    """To 0.3 px in the centre and at the corners, with the right turn, scale and parity."""
    rows, columns = SHAPE
    pixels = np.array([[511.5, 383.5], [0, 0], [columns - 1, 0], [0, rows - 1]])
    ours = SkyCoord(solution.wcs.wcs_pix2world(pixels, 0), unit="deg")
    truth = SkyCoord(field.wcs().wcs_pix2world(pixels, 0), unit="deg")
    assert ours.separation(truth).arcsec.max() < 0.3 * field.scale_arcsec_per_px
    centre = SkyCoord(solution.ra_deg, solution.dec_deg, unit="deg")
    assert centre.separation(truth[0]).arcsec < 0.3 * field.scale_arcsec_per_px
    assert solution.mirrored == field.mirrored
    assert solution.scale_arcsec_per_px == pytest.approx(field.scale_arcsec_per_px, rel=1e-3)
    turned = (solution.rotation_deg - field.rotation_deg + 180) % 360 - 180
    assert turned == pytest.approx(0, abs=0.1)
    assert solution.matched_stars >= 8


@pytest.mark.servers
@pytest.mark.parametrize("solver", SOLVERS, ids=["catalogue", "field"])
@pytest.mark.parametrize("field", FIELDS, ids=lambda field: f"{field.ra_deg:g}")
def test_a_frame_half_a_degree_from_its_hint_is_solved(
    field: Field, solver: Callable[[], Solver]
) -> None:
    solution = asyncio.run(solver().solve(field.frame(), field.measured(), field.hint(0.5)))
    assert_true(solution, field)


@pytest.mark.servers
@pytest.mark.parametrize("solver", SOLVERS, ids=["catalogue", "field"])
def test_a_frame_without_measured_stars_is_solved(solver: Callable[[], Solver]) -> None:
    field = FIELDS[2]
    hint = field.hint(0.1, mirrored=True)
    assert_true(asyncio.run(solver().solve(field.frame(), None, hint)), field)


@pytest.mark.servers
@pytest.mark.parametrize("solver", SOLVERS, ids=["catalogue", "field"])
def test_the_wrong_sky_is_not_solved(solver: Callable[[], Solver]) -> None:
    """Stars that are nowhere near the hint; the error tells how many there were."""
    field = FIELDS[0]
    elsewhere = dataclasses.replace(field.hint(), ra_deg=120.0, radius_deg=0.3)
    with pytest.raises(NotSolved, match=r"RA 120\.0000° .*\b\d+ stars") as caught:
        asyncio.run(solver().solve(field.frame(), field.measured(), elsewhere))
    assert caught.value.hint.ra_deg == 120.0


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_wrong_parity_is_not_solved(mirrored: bool) -> None:
    field = dataclasses.replace(FIELDS[0], mirrored=not mirrored)
    hint = dataclasses.replace(field.hint(mirrored=mirrored), radius_deg=0.2)
    with pytest.raises(NotSolved):
        asyncio.run(CatalogueSolver(installed()).solve(field.frame(), field.measured(), hint))


def test_a_frame_without_stars_is_not_solved() -> None:
    frame = np.full(SHAPE, 400, np.uint16)
    stars = measure(frame, saturation_adu=SATURATION_ADU)
    with pytest.raises(NotSolved, match="0 stars in the frame"):
        asyncio.run(CatalogueSolver(installed()).solve(frame, stars, FIELDS[0].hint()))


def test_an_empty_catalogue_solves_nothing() -> None:
    field = FIELDS[0]
    solver = CatalogueSolver(installed(), limit_mag=-5.0)
    with pytest.raises(NotSolved, match="0 in the catalogue"):
        asyncio.run(solver.solve(field.frame(), field.measured(), field.hint()))


def test_one_frame_gives_one_solution_bit_for_bit() -> None:
    """On virtual time too: a night must replay, though triangles are tried in random order."""
    field, solver = FIELDS[1], CatalogueSolver(installed())
    frame, stars = field.frame(), field.measured()
    solutions = [run_virtual(solver.solve(frame, stars, field.hint(0.2))) for _ in range(5)]
    told = {(s.ra_deg, s.dec_deg, s.rotation_deg, s.scale_arcsec_per_px) for s in solutions}
    assert len(told) == 1


def test_a_worker_process_solves_too() -> None:
    field = FIELDS[0]
    with Workers() as workers:
        solver = CatalogueSolver(installed(), workers)
        solution = asyncio.run(solver.solve(field.frame(), field.measured(), field.hint()))
    assert_true(solution, field)


@pytest.mark.servers
def test_a_late_solver_is_killed_with_its_children(tmp_path: Path) -> None:
    """A program that starts another and hangs: both are gone when the deadline has passed."""
    pids = tmp_path / "pids"
    slow = tmp_path / "slow"
    slow.write_text(f"#!/bin/sh\nsleep 600 &\necho $$ $! > {pids}\nwait\n")
    slow.chmod(0o755)
    field = FIELDS[0]
    solver = FieldSolver(command=str(slow), deadline_s=0.5)
    with pytest.raises(NotSolved, match=r"no answer in 0\.5 s"):
        asyncio.run(solver.solve(field.frame(), field.measured(), field.hint()))
    for pid in pids.read_text().split():
        assert not _alive(int(pid))


def test_a_missing_solver_is_told() -> None:
    field = FIELDS[0]
    solver = FieldSolver(command="/nowhere/solve-field")
    with pytest.raises(NotSolved, match="did not start: No such file"):
        asyncio.run(solver.solve(field.frame(), field.measured(), field.hint()))


def _alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and was not collected yet does not."""
    assert sys.platform == "linux"
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    return state != "Z"
