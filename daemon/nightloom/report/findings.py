"""Everything that the page of a night shows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from nightloom.report.minutes import Minutes
from nightloom.report.pictures import Pictures
from nightloom.report.records import Night
from nightloom.report.same_sky import Spread


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything that the page shows."""

    night: Night
    spent: Minutes
    clauses: Sequence[str]
    spreads: Mapping[str, Sequence[Spread]]
    pictures: Pictures
    zone: tzinfo
