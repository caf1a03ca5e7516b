"""The log: typed events, one JSON object a line."""

from nightloom.telemetry import events
from nightloom.telemetry.describe import all_events, describe_events
from nightloom.telemetry.event import Event
from nightloom.telemetry.log import Listener, Log, log_sha256

__all__ = [
    "Event",
    "Listener",
    "Log",
    "all_events",
    "describe_events",
    "events",
    "log_sha256",
]
