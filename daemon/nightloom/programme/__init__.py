"""Tonight as it lies ahead: hours, windows, what gaps cost, the weave, which target is due."""
