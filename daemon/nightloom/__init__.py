"""Runs an unattended backyard observatory through the night: decides what is done next, and why."""
