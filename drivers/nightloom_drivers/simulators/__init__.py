"""Simulated devices that speak INDI properties."""
