"""How every command ends: its exit status, and the sentences on stderr when it cannot do it."""

import os
import sys
from collections.abc import Callable

from nightloom.errors import BadInput, FramesNotKept
from nightloom.ledger import LedgerError
from nightloom_drivers.errors import DeviceError

DONE, FAILED, BAD_INPUT = 0, 1, 2
"""Exit statuses: done; tried and not done; not even tried, because what was given is wrong."""

_INTERRUPTED, _UNHEARD = 130, 141  # what shells report for SIGINT and SIGPIPE


def answer(command: Callable[[], int]) -> int:
    """Run a command; expected errors become sentences on stderr, all others a traceback."""
    try:
        status = command()
        sys.stdout.flush()  # so that a closed pipe is noticed here
    except BadInput as error:
        return _refuse(str(error), BAD_INPUT)
    except FramesNotKept as error:
        return _refuse(str(error), FAILED)
    except (DeviceError, LedgerError) as error:
        return _refuse(f"{error}.", FAILED)
    except KeyboardInterrupt:
        return _INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has left (as `head` does): let Python's last flush go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _UNHEARD
    return status


def _refuse(sentences: str, status: int) -> int:
    print(sentences, file=sys.stderr)
    return status
