"""Filter offsets and temperature slope, by one regression over every focus curve and check.

    position = base(session) + offset(filter) + slope × temperature + drift(session) × hours

A check weighs as its error says, and so does a curve. Within a session a curve through one filter
and a check through another tell their offset.

Bases are free, and free anew after a jump of the focus. What few curves cannot tell is held by weak
prior beliefs, as if each had been measured once: offsets stay within a few zones, drifts are slow.
What does not fit counts less and less (Huber's weights), and the standard errors are those of the
weighted normal equations, scaled by what the vertices really scatter.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import hypot, inf, sqrt

import numpy as np

from nightloom.focusing.jumps import split_at_jumps
from nightloom.focusing.measurement import FocusMeasurement
from nightloom.focusing.shape import Floats

_HUBER = 1.5  # residuals beyond this many standard deviations count less
_ROUNDS = 25  # of reweighting; it settles within ten
_UNSEEN_IN_ZONES = 0.05  # part of a zone that focus moves for reasons no curve knows
_OFFSET_IN_ZONES = 30.0  # prior standard deviation: hardly binding
_SLOPE_IN_ZONES_PER_C = 3.0
_DRIFT_IN_ZONES_PER_H = 0.05  # what is not temperature: flexure, sagging mechanics
_GOOD_IN_ZONES = 0.125  # two standard errors are then within a quarter of the zone
_CONTRADICTORY_IN_ZONES = 0.25  # one filter's may disagree by this much beside their errors
_LINKED_IN_ZONES = 10.0  # a larger error is that of the prior belief: nothing links it
_LEAST_SIGHTINGS = 2


class Trust(StrEnum):
    """What a learned offset is worth: used, too little known, or contradicted."""

    GOOD = "good"
    THIN = "thin"
    CONTRADICTORY = "contradictory"


@dataclass(frozen=True)
class Offset:
    """Where a filter focuses, counted from the reference filter, with one standard error."""

    filter: str
    steps: float
    error_steps: float
    curves: int
    checks: int
    scatter_steps: float
    trust: Trust


@dataclass(frozen=True)
class Offsets:
    """What all measurements teach together; residuals and weights by session and time."""

    reference: str
    offsets: Mapping[str, Offset]
    slope_steps_per_c: float
    slope_error_steps_per_c: float
    scatter_steps: float
    residuals_steps: tuple[float, ...]
    weights: tuple[float, ...]

    @property
    def slope_known(self) -> bool:
        """Whether the slope is more than its error could make it."""
        return abs(self.slope_steps_per_c) > 3.0 * self.slope_error_steps_per_c

    def good(self) -> dict[str, float]:
        """Offsets that may be used, by filter."""
        return {n: o.steps for n, o in self.offsets.items() if o.trust is Trust.GOOD}


def learn_offsets(
    measurements: Sequence[FocusMeasurement], zones_steps: Mapping[str, float]
) -> Offsets:
    """Learn the offsets of all filters of the measurements from the most often seen one.

    `zones_steps` is the critical focus zone of each filter; only filters named there are used.
    Raises ValueError without a measurement.
    """
    seen = [one for one in measurements if one.filter in zones_steps]
    if not seen:
        raise ValueError("offsets need at least one focus curve or check")
    problem = _Problem(_parted(seen, zones_steps), zones_steps)
    solution, covariance, weights, scale = problem.solve()
    residuals = problem.values - problem.design @ solution
    offsets = {
        name: _offset(name, problem, solution, covariance, residuals, zones_steps[name])
        for name in problem.filters
    }
    slope = problem.slope_column
    return Offsets(
        reference=problem.reference,
        offsets=offsets,
        slope_steps_per_c=float(solution[slope]),
        slope_error_steps_per_c=sqrt(covariance[slope, slope]),
        scatter_steps=scale * float(np.median(problem.errors)),
        residuals_steps=tuple(residuals.tolist()),
        weights=tuple(weights.tolist()),
    )


def _parted(seen: Sequence[FocusMeasurement], zones: Mapping[str, float]) -> list[FocusMeasurement]:
    """The measurements in order of time, with a session of its own for what comes after a jump."""
    parted: list[FocusMeasurement] = []
    for name in _in_order(one.session for one in seen):
        session = sorted((one for one in seen if one.session == name), key=lambda one: one.at_h)
        zone = float(np.median([zones[one.filter] for one in session]))
        parted += split_at_jumps(session, _errors(session, zones), zone)
    return parted


def _errors(seen: Sequence[FocusMeasurement], zones: Mapping[str, float]) -> Floats:
    """Standard errors of n measurements in steps, (n,), with what focus moves for reasons nobody
    knows.
    """
    return np.array([hypot(one.error_steps, _UNSEEN_IN_ZONES * zones[one.filter]) for one in seen])


class _Problem:
    """The design matrix, (measurements, unknowns): offsets of all filters but the reference, bases,
    slope, drifts.
    """

    def __init__(self, seen: Sequence[FocusMeasurement], zones: Mapping[str, float]) -> None:
        self.seen = seen
        self.filters = _in_order(one.filter for one in seen)
        self.reference = max(self.filters, key=lambda f: sum(one.filter == f for one in seen))
        free = [name for name in self.filters if name != self.reference]
        sessions = _in_order(one.session for one in seen)
        self.column = {name: n for n, name in enumerate(free)}
        base, self.slope_column = len(free), len(free) + len(sessions)
        drift = self.slope_column + 1
        zone = float(np.median([zones[one.filter] for one in seen]))
        self.design = np.zeros((len(seen), drift + len(sessions)))
        warmth = _warmth(seen)
        middle_h = {s: np.mean([o.at_h for o in seen if o.session == s]) for s in sessions}
        for row, one in enumerate(seen):
            number = sessions.index(one.session)
            if one.filter in self.column:
                self.design[row, self.column[one.filter]] = 1.0
            self.design[row, base + number] = 1.0
            self.design[row, self.slope_column] = warmth[row]
            self.design[row, drift + number] = one.at_h - middle_h[one.session]
        self.values = np.array([one.vertex_steps for one in seen])
        self.errors = _errors(seen, zones)
        self._prior = np.zeros(self.design.shape[1])  # one over the variance of each belief
        self._prior[:base] = (_OFFSET_IN_ZONES * zone) ** -2
        self._prior[self.slope_column] = (_SLOPE_IN_ZONES_PER_C * zone) ** -2
        self._prior[drift:] = (_DRIFT_IN_ZONES_PER_H * zone) ** -2

    def solve(self) -> tuple[Floats, Floats, Floats, float]:
        """Solution, (unknowns,), its covariance, the weights from 0 to 1, (measurements,), and the
        scale of the errors.

        The scale is never below 1: vertices that agree by chance teach no more than their errors.
        """
        weights, scale = np.ones(len(self.values)), 1.0
        for _ in range(_ROUNDS):
            solution, inverse = self._weighted(weights / scale**2)
            pulls = np.abs(self.values - self.design @ solution) / self.errors
            scale = max(1.0, self._spread(pulls))
            weights = np.minimum(1.0, _HUBER * scale / np.maximum(pulls, 1e-12))
        return solution, inverse, weights, scale

    def _weighted(self, weights: Floats) -> tuple[Floats, Floats]:
        """Solution, (unknowns,), and covariance, (unknowns, unknowns), under weights,
        (measurements,).
        """
        scaled = weights / self.errors**2
        middle = float(np.median(self.values))  # keeps the bases small, and the priors about 0
        normal = self.design.T @ (scaled[:, None] * self.design) + np.diag(self._prior)
        inverse: Floats = np.linalg.inv(normal).astype(np.float64)
        solution = inverse @ (self.design.T @ (scaled * (self.values - middle)))
        bases = slice(len(self.column), self.slope_column)
        solution[bases] += middle
        return solution, inverse

    def _spread(self, pulls: Floats) -> float:
        """Robust standard deviation of pulls, (n,), the freedom that bases and offsets took given
        back.
        """
        taken = self.slope_column
        left = len(pulls) - taken
        if left < 1:
            return 1.0
        return float(1.4826 * np.median(np.sort(pulls)[min(taken, len(pulls) - 1) // 2 :]))


def _offset(
    name: str,
    problem: _Problem,
    solution: Floats,
    covariance: Floats,
    residuals: Floats,
    zone_steps: float,
) -> Offset:
    """One filter's offset, from the solution, (unknowns,) in steps, its covariance, and the
    residuals, (measurements,); its error is infinite where nothing links it to the reference.
    """
    rows = [n for n, one in enumerate(problem.seen) if one.filter == name]
    own, checks = residuals[rows], sum(problem.seen[n].check for n in rows)
    column = problem.column.get(name)
    steps = 0.0 if column is None else float(solution[column])
    error = 0.0 if column is None else sqrt(covariance[column, column])
    linked = error < _LINKED_IN_ZONES * zone_steps
    scatter = float(1.4826 * np.median(np.abs(own))) if len(own) > 2 else float(np.abs(own).max())
    allowed = hypot(_CONTRADICTORY_IN_ZONES * zone_steps, float(np.median(problem.errors[rows])))
    if scatter > allowed:
        trust = Trust.CONTRADICTORY
    elif len(own) >= _LEAST_SIGHTINGS and linked and error <= _GOOD_IN_ZONES * zone_steps:
        trust = Trust.GOOD
    else:
        trust = Trust.THIN
    error = error if linked else inf
    return Offset(name, steps, error, len(own) - checks, checks, scatter, trust)


def _warmth(seen: Sequence[FocusMeasurement]) -> Floats:
    """Temperatures in °C about their mean, (n,); a missing one is that of its session's others, or
    the mean.
    """
    known = [one.temperature_c for one in seen if one.temperature_c is not None]
    mean = float(np.mean(known)) if known else 0.0
    by_session: dict[str, list[float]] = {}
    for one in seen:
        if one.temperature_c is not None:
            by_session.setdefault(one.session, []).append(one.temperature_c)
    usual = {session: float(np.mean(values)) for session, values in by_session.items()}
    return np.array(
        [
            (usual.get(one.session, mean) if one.temperature_c is None else one.temperature_c)
            - mean
            for one in seen
        ]
    )


def _in_order(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))
