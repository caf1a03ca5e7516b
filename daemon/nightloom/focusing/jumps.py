"""Where focus jumped in a night: a gear slipped, a mirror flopped as the telescope was turned over.

On both sides of a jump the offsets and the temperature tell the same, from another base.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from nightloom.focusing.measurement import FocusMeasurement
from nightloom.focusing.shape import Floats

_LEAST_IN_ZONES = 0.25  # smaller ones are left to the robust fit
_SURE = 5.0  # standard errors, as every gap of a night is tried
_LEAST_EACH = 2  # sightings either side: a single one may just be wrong


def split_at_jumps(
    session: Sequence[FocusMeasurement], errors: Floats, zone_steps: float
) -> list[FocusMeasurement]:
    """The sightings of one session, in order of time; after a jump they belong to another session.

    `errors`, (n,), are their standard errors in steps, in the same order.
    """
    at = _jump(session, errors, zone_steps)
    if at is None:
        return list(session)
    name = f"{session[0].session}, after a jump"
    after = [replace(one, session=name) for one in session[at:]]
    return [
        *split_at_jumps(session[:at], errors[:at], zone_steps),
        *split_at_jumps(after, errors[at:], zone_steps),
    ]


def _jump(session: Sequence[FocusMeasurement], errors: Floats, zone_steps: float) -> int | None:
    """Number of the first sighting after the clearest jump; None without one.

    Least squares with offsets, temperature and an even drift, and a step between two sightings.
    `errors`, (n,), are in steps.
    """
    values = np.array([one.vertex_steps for one in session])
    plain = _design(session)
    spare = len(session) - np.linalg.matrix_rank(plain) - 1
    best, found = _SURE, None
    if spare < 1:
        return None
    for at in range(_LEAST_EACH, len(session) - _LEAST_EACH + 1):
        step = (np.arange(len(session)) >= at).astype(float)
        design = np.column_stack([step, plain]) / errors[:, None]
        # What of the step nothing else explains, and how much of it the values hold.
        alone = design[:, 0] - design[:, 1:] @ np.linalg.lstsq(design[:, 1:], design[:, 0])[0]
        weight = float(alone @ alone)
        if weight < 1e-9:
            continue
        solution = np.linalg.lstsq(design, values / errors)[0]
        left = values / errors - design @ solution
        error_steps = sqrt(max(float(left @ left) / spare, 1.0) / weight)
        sure = abs(float(solution[0])) / error_steps
        if sure > best and abs(float(solution[0])) > _LEAST_IN_ZONES * zone_steps:
            best, found = sure, at
    return found


def _design(session: Sequence[FocusMeasurement]) -> Floats:
    """One row a sighting, (n, columns): columns for each filter, the time in hours, and the
    temperature in °C where all have one.
    """
    filters = dict.fromkeys(one.filter for one in session)
    columns = [[float(one.filter == name) for one in session] for name in filters]
    hours = np.array([one.at_h for one in session])
    columns.append((hours - hours.mean()).tolist())
    warmth = [one.temperature_c for one in session if one.temperature_c is not None]
    if len(warmth) == len(session):
        columns.append((np.array(warmth) - np.mean(warmth)).tolist())
    return np.array(columns).T
