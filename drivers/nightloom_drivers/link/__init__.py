"""A link carries INDI properties to devices, real or simulated."""

from nightloom_drivers.link.indi import IndiLink
from nightloom_drivers.link.link import Condition, Link, Listener
from nightloom_drivers.link.loopback import LoopbackLink, Responder
from nightloom_drivers.link.vector import (
    Blob,
    Defined,
    Event,
    Found,
    Kind,
    Lost,
    Received,
    Removed,
    Said,
    State,
    Updated,
    Value,
    Vector,
)

__all__ = [
    "Blob",
    "Condition",
    "Defined",
    "Event",
    "Found",
    "IndiLink",
    "Kind",
    "Link",
    "Listener",
    "LoopbackLink",
    "Lost",
    "Received",
    "Removed",
    "Responder",
    "Said",
    "State",
    "Updated",
    "Value",
    "Vector",
]
