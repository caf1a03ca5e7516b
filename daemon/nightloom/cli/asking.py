"""What the commands that talk to a running daemon share."""

import argparse
import sys

from nightloom.cli.answers import BAD_INPUT, DONE, FAILED
from nightloom.cli.configuration import add_config, settings_of
from nightloom.cli.elsewhere import add_elsewhere, daemon_elsewhere
from nightloom.requests import Answer, Done, Refused, Request, Unread, line_of
from nightloom.requests.call import call


def add_asking(parser: argparse.ArgumentParser) -> None:
    """Options that all of them have."""
    add_config(parser)
    add_elsewhere(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as one JSON object")


def asked(arguments: argparse.Namespace, request: Request) -> Answer:
    """The answer of the configured observatory's daemon, or of that elsewhere. Raises BadInput."""
    daemon = daemon_elsewhere(arguments)
    if daemon is None:
        return call(settings_of(arguments).observatory.output_folder, request)
    from nightloom.requests.afar import call_afar

    return call_afar(daemon, request)


def ask(arguments: argparse.Namespace, request: Request) -> int:
    """Ask for something, and print the answer; 0 when it is in force. Raises BadInput."""
    return show(arguments, asked(arguments, request))


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
