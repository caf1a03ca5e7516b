"""Where a frame points: plate solving by a subprocess or a local catalogue."""

from nightloom.solving.catalogue_solver import CatalogueSolver, StarSource, solve_stars
from nightloom.solving.field_solver import FieldSolver
from nightloom.solving.solver import Hint, NotSolved, Solution, Solver, tangent_plane

__all__ = [
    "CatalogueSolver",
    "FieldSolver",
    "Hint",
    "NotSolved",
    "Solution",
    "Solver",
    "StarSource",
    "solve_stars",
    "tangent_plane",
]
