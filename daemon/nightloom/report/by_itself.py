"""Writes one report as a process of its own: what to write comes in, what it says goes out.

What comes in is a pickle, through the pipe that the daemon itself holds the other end of.
"""

import json
import os
import pickle
import sys

from nightloom.errors import BadInput
from nightloom.ledger import LedgerError
from nightloom.report.writing import write_report
from nightloom_drivers.leash import end_with


def main() -> int:
    """Read what to write from standard input, and write it."""
    sources, file = pickle.loads(sys.stdin.buffer.read())
    try:
        answer, status = {"said": write_report(sources, file).said}, 0
    except (BadInput, LedgerError, OSError) as error:
        answer, status = {"reason": str(error)}, 1
    except Exception as error:  # noqa: BLE001  a mistake of ours is told, and is no fault of the night
        answer, status = {"reason": f"{type(error).__name__}: {error}"}, 1
    print(json.dumps(answer))  # noqa: T201
    return status


if __name__ == "__main__":
    end_with(int(sys.argv[1]))
    os.nice(19)
    sys.exit(main())
