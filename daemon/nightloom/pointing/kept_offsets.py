"""The pointing misses that the ledger keeps: the latest of each side of the pier."""

from datetime import datetime

from nightloom.ledger import Ledger, PointingMiss
from nightloom.pointing.offsets import Known, PointingOffsets
from nightloom_drivers.devices import PierSide


class KeptPointingOffsets:
    """Gives what earlier slews taught, those of tonight too, and keeps what is learned anew."""

    def __init__(self, ledger: Ledger, night: str) -> None:
        self._ledger, self._night = ledger, night

    def recalled(self) -> PointingOffsets:
        """What is known at the start. After a restart in the night the mount is as it was left."""
        rows = self._ledger.misses()
        known = {
            PierSide(row.pier_side): Known(
                (row.east_deg, row.north_deg), row.doubted, tonight=row.night == self._night
            )
            for row in rows
        }
        told = [(row.told_east_deg, row.told_north_deg) for row in rows if row.night == self._night]
        return PointingOffsets(known, told[-1] if told else (0.0, 0.0))

    def keep(self, side: PierSide, known: Known, told: tuple[float, float], at: datetime) -> None:
        """Enter what is known of a side now, and what the mount was told tonight."""
        self._ledger.add_miss(
            PointingMiss(
                night=self._night,
                measured_utc=at,
                pier_side=side.value,
                east_deg=known.miss[0],
                north_deg=known.miss[1],
                told_east_deg=told[0],
                told_north_deg=told[1],
                doubted=known.doubted,
            )
        )
