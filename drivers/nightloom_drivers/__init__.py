"""Talks to an observatory's devices over INDI, real ones and simulated ones alike."""
