"""From an error on the guide camera to guide pulses."""

import math
from dataclasses import dataclass, field, replace

from nightloom.guiding.calibration import Calibration
from nightloom.guiding.pulses import Pulses


@dataclass(frozen=True)
class AxisPolicy:
    """How one axis is corrected.

    ``aggressiveness``: the share of the error taken out each time. Errors under ``least_move_px``
    and pulses under ``pulse_min_ms`` are left alone. A correction against the direction of the
    last one needs ``reversal_frames`` errors on that side in a row, or one of ``reversal_px``:
    turning round costs backlash, and one bad frame is mostly the air.
    """

    aggressiveness: float = 0.6
    least_move_px: float = 0.15
    pulse_min_ms: int = 10
    pulse_max_ms: int = 2000
    reversal_frames: int = 1
    reversal_px: float = math.inf


@dataclass(frozen=True)
class GuidePolicy:
    """How both axes are corrected."""

    ra: AxisPolicy = AxisPolicy()
    dec: AxisPolicy = field(default_factory=lambda: AxisPolicy(reversal_frames=3, reversal_px=2.0))


@dataclass(frozen=True)
class AxisState:
    """The side of the last correction (-1, 1; 0 for none yet) and the errors against it since."""

    side: int = 0
    against: int = 0


@dataclass(frozen=True)
class GuideState:
    """What the controller remembers between frames; a new one after each slew."""

    ra: AxisState = AxisState()
    dec: AxisState = AxisState()


def correct(
    error_axes_px: tuple[float, float],
    calibration: Calibration,
    policy: GuidePolicy,
    state: GuideState,
) -> tuple[GuideState, Pulses]:
    """Pulses that take the stars back to the lock position.

    ``error_axes_px`` is how far the stars are from it, as `Calibration.to_axes` gives it. A NaN
    error (no star held) asks for no pulse and changes nothing. The caller keeps corrections away
    from a mount that is slewing.
    """
    if any(math.isnan(error) for error in error_axes_px):
        return state, Pulses()
    ra, ra_ms = _correct_axis(error_axes_px[0], calibration.ra_rate_px_per_s, policy.ra, state.ra)
    dec, dec_ms = _correct_axis(
        error_axes_px[1], calibration.dec_rate_px_per_s, policy.dec, state.dec
    )
    return GuideState(ra, dec), Pulses(
        west_ms=max(ra_ms, 0),
        east_ms=max(-ra_ms, 0),
        north_ms=max(dec_ms, 0),
        south_ms=max(-dec_ms, 0),
    )


def _correct_axis(
    error_px: float, rate_px_per_s: float, policy: AxisPolicy, state: AxisState
) -> tuple[AxisState, int]:
    """New state and signed pulse in ms, positive in the direction that the rate was measured in."""
    if abs(error_px) < policy.least_move_px:
        return replace(state, against=0), 0
    side = -1 if error_px > 0 else 1
    if state.side not in (0, side):
        against = state.against + 1
        if against < policy.reversal_frames and abs(error_px) < policy.reversal_px:
            return replace(state, against=against), 0
    wanted_ms = 1000 * policy.aggressiveness * abs(error_px) / rate_px_per_s
    pulse_ms = round(min(wanted_ms, policy.pulse_max_ms))
    if pulse_ms < policy.pulse_min_ms:
        return replace(state, against=0), 0
    return AxisState(side), side * pulse_ms
