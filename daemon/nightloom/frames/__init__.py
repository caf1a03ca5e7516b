"""Frames: star measurement, headers, names, and writing them so that none is lost."""
