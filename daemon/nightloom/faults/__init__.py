"""What is done about faults: one table, the counting beside it, and the one way to try again."""

from nightloom.faults.table import (
    MOST,
    QUIET_S,
    TABLE,
    Act,
    Between,
    Kind,
    Part,
    Row,
    Then,
    row_for,
    row_of,
)
from nightloom.faults.troubles import GivenUp, Troubles, between, wait_s
from nightloom.faults.trying import kind_of, tried

__all__ = [
    "MOST",
    "QUIET_S",
    "TABLE",
    "Act",
    "Between",
    "GivenUp",
    "Kind",
    "Part",
    "Row",
    "Then",
    "Troubles",
    "between",
    "kind_of",
    "row_for",
    "row_of",
    "tried",
    "wait_s",
]
