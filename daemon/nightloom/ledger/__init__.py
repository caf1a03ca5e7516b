"""The record that survives: frames, verdicts, curves, in one SQLite file."""
