"""Pointing: slew, solve, correct; and what the mount misses by, learned."""
