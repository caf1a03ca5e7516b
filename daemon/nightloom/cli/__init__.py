"""The commands."""

from nightloom.cli.command_line import COMMANDS, main

__all__ = ["COMMANDS", "main"]
