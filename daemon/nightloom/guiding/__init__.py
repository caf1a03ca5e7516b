"""Guiding as arithmetic: guide stars, calibration, corrections, settling."""
