"""The morning report: what a night came to, as one page that needs nothing else.

Rules turn the night's records into data (`minutes`, `same_sky`, `opening`, `combining`, `colours`),
`charts`, `timeline` and `page` draw them; `reading`, `looking_up`, `pictures` and `writing` look
at the log, the ledger and the frames.
"""

from nightloom.report.apart import NotWritten, write_apart
from nightloom.report.looking_up import NoRecords, Sources
from nightloom.report.writing import Written, findings, report_file, write_report

__all__ = [
    "NoRecords",
    "NotWritten",
    "Sources",
    "Written",
    "findings",
    "report_file",
    "write_apart",
    "write_report",
]
