"""What the commands that talk to a running daemon share."""

import argparse
import sys
from pathlib import Path

from nightloom.cli.answers import BAD_INPUT, DONE, FAILED
from nightloom.cli.configuration import add_config, settings_of
from nightloom.requests import Answer, Change, Done, Refused, Unread, line_of
from nightloom.requests.call import call


def add_asking(parser: argparse.ArgumentParser) -> None:
    """Options that all of them have."""
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as one JSON object")


def output_folder(arguments: argparse.Namespace) -> Path:
    """Where the daemon of the configuration listens. Raises BadInput and SettingsError."""
    return settings_of(arguments).observatory.output_folder


def ask(arguments: argparse.Namespace, change: Change) -> int:
    """Ask for something, and print the answer; 0 when it is in force. Raises NoDaemon."""
    return show(arguments, call(output_folder(arguments), change))


def show(arguments: argparse.Namespace, answer: Answer) -> int:
    """Print an answer; the exit status that it means."""
    if arguments.json:
        print(line_of(answer).decode().rstrip())
    match answer:
        case Refused(why=why) | Unread(why=why):
            if not arguments.json:
                print(why, file=sys.stderr)
            return FAILED if isinstance(answer, Refused) else BAD_INPUT
        case Done(said=said) if not arguments.json:
            print(said)
    return DONE
