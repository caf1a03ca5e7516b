"""Whether the camera still sits as it did when a target was imaged last."""

from nightloom.night.context import Context
from nightloom.settings import Target
from nightloom.telemetry.events import RotationDiffers


def turn_deg(one_deg: float, other_deg: float) -> float:
    """Angle between two orientations of a frame, 0 to 90: half a turn shows the same field."""
    return abs((one_deg - other_deg + 90.0) % 180.0 - 90.0)


def warn_of_rotation(context: Context, target: Target) -> None:
    """Say so when a target that goes on from an earlier night is seen by a turned camera.

    Once a night, before its first frame. Raises LedgerError.
    """
    night, solution = str(context.schedule.night), context.pointing.solution
    earlier = context.ledger.rotation(target.name, before=night)
    if solution is None or earlier is None or context.ledger.latest(target.name, night, 1):
        return
    that_night, was_deg = earlier
    turned_deg = turn_deg(solution.rotation_deg, was_deg)
    if turned_deg > context.settings.policies.acquire.rotation_tolerance_deg:
        context.log.emit(
            RotationDiffers(
                target=target.name,
                rotation_deg=solution.rotation_deg,
                was_deg=was_deg,
                turned_deg=turned_deg,
                night=that_night,
            )
        )
