"""A whole night through the simulated rig: on virtual time, or through a real socket."""

from nightloom.rehearsal.play import Meddler, Played, play_over_socket, play_virtually
from nightloom.rehearsal.rehearsal import Rehearsal

__all__ = ["Meddler", "Played", "Rehearsal", "play_over_socket", "play_virtually"]
