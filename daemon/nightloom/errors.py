"""The one error that every part of the daemon may raise."""


class BadInput(Exception):
    """What was given cannot be used; the message says so in sentences a person can act on."""


class FramesNotKept(Exception):
    """The disk takes no more frames: gathering more would be for nothing."""
