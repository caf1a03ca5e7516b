"""Seen from a browser or another computer: status, log, last frame and requests over HTTP.

Nobody who comes here can slow the night: everything that they send or take is bounded.
"""
