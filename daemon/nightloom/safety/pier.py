"""The pier: which side of it the telescope is on, and how far each side may turn."""

from nightloom.safety import limits
from nightloom.settings.observatory import Mount as MountTable
from nightloom_drivers.devices import Mount, PierSide

OPPOSITE = {PierSide.WEST: PierSide.EAST, PierSide.EAST: PierSide.WEST}


class Pier:
    """The pier of one mount. West of it the telescope looks east, before the meridian.

    A mount that does not say where it is, or is not to be believed, is taken to go where the hour
    angle sends it, until a solved frame shows otherwise: the other side turns it over. A mount that
    needs no flip has no sides.
    """

    def __init__(self, table: MountTable, mount: Mount) -> None:
        self._table, self._mount = table, mount
        self._supposed = PierSide.UNKNOWN
        self._rotations_deg: dict[PierSide, float] = {}

    @property
    def side(self) -> PierSide:
        """Where the telescope is, reported or found out; UNKNOWN before the first slew."""
        if not self._table.needs_flip:
            return PierSide.UNKNOWN
        return self._supposed if self._reported is PierSide.UNKNOWN else self._reported

    @property
    def changes_at_h(self) -> float:
        """The least hour angle at which the mount goes, and may go, to the east of its pier."""
        return self._table.changes_at_h

    @property
    def stands_still(self) -> bool:
        """Whether neither side may look for a while, where a target passes the meridian."""
        return self._table.needs_flip and self._table.standstill_h > 0.0

    def taken_for(self, hour_angle_h: float) -> PierSide:
        """The side that the mount takes when it is sent to an hour angle."""
        if not self._table.needs_flip:
            return PierSide.UNKNOWN
        return PierSide.WEST if hour_angle_h < self._table.flip_after_h else PierSide.EAST

    def turns_over(self, hour_angle_h: float) -> bool:
        """Whether the mount may change sides when it is sent to an hour angle."""
        return self._table.needs_flip and self.side is not self.taken_for(hour_angle_h)

    def went_to(self, hour_angle_h: float) -> None:
        """The mount was sent to an hour angle and has arrived."""
        self._supposed = self.taken_for(hour_angle_h)

    def solved(self, rotation_deg: float) -> None:
        """A frame was solved here: the telescope may be on the other side than supposed."""
        side = self.side
        if side not in OPPOSITE:
            return
        if self._reported is PierSide.UNKNOWN and self._is_of(OPPOSITE[side], rotation_deg):
            self._supposed = side = OPPOSITE[side]
        self._rotations_deg[side] = rotation_deg

    def forbids(self, side: PierSide, hour_angle_h: float) -> str:
        """Why a side may not look at an hour angle; empty when it may."""
        if side is PierSide.WEST:
            return limits.hour_angle(hour_angle_h, side, self._table.hour_angle_pier_west_h)
        if side is PierSide.EAST:
            return limits.hour_angle(hour_angle_h, side, self._table.hour_angle_pier_east_h)
        return ""

    def left_h(self, hour_angle_h: float) -> float:
        """Hours until the present side's last hour angle; without end when there is none."""
        match self.side:
            case PierSide.WEST:
                return self._table.hour_angle_pier_west_h[1] - hour_angle_h
            case PierSide.EAST:
                return self._table.hour_angle_pier_east_h[1] - hour_angle_h
        return float("inf")

    @property
    def _reported(self) -> PierSide:
        return PierSide.UNKNOWN if self._table.pier_side == "solved" else self._mount.pier_side

    def _is_of(self, side: PierSide, rotation_deg: float) -> bool:
        """Whether a frame lies as those taken from a side, by what is known of either."""
        if side in self._rotations_deg:
            return not turned_over(rotation_deg, self._rotations_deg[side])
        other = self._rotations_deg.get(OPPOSITE[side])
        return other is not None and turned_over(rotation_deg, other)


def turned_over(one_deg: float, other_deg: float) -> bool:
    """Whether two frames lie upside down to each other, as from the two sides of a pier."""
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0) > 90.0
