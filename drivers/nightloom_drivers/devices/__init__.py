"""Typed devices over a link: each command returns when it is done, or raises."""
