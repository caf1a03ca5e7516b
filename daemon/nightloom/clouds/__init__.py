"""Telling clouds from the stars that are missing."""
