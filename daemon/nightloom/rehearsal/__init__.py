"""A whole night through the simulated rig: on virtual time, or through a real socket."""

from nightloom.rehearsal.play import Meddler, Played, play_over_socket, play_virtually
from nightloom.rehearsal.rehearsal import Rehearsal
from nightloom.rehearsal.troubles import TROUBLES, Trouble

__all__ = [
    "TROUBLES",
    "Meddler",
    "Played",
    "Rehearsal",
    "Trouble",
    "play_over_socket",
    "play_virtually",
]
