"""Sends one notice, as a process of its own: it may hang, be killed, or say secrets, unheard.

Reads one JSON object from standard input, never from its arguments, which everybody may see. The
exit status is all that it says: TAKEN, NOT_TAKEN, NO_ADDRESS.
"""

import json
import logging
import sys

from nightloom_drivers.leash import end_with

TAKEN, NOT_TAKEN, NO_ADDRESS = 0, 3, 4


def post(url: str, title: str, text: str) -> int:
    """Send it. What goes wrong underneath is one thing to us: it was not taken."""
    import apprise

    service = apprise.Apprise.instantiate(url)
    if service is None:
        return NO_ADDRESS
    one = apprise.Apprise()
    one.add(service)
    return TAKEN if one.notify(title=title, body=text) else NOT_TAKEN


if __name__ == "__main__":
    end_with(int(sys.argv[1]))
    logging.disable()
    sys.exit(post(**json.load(sys.stdin)))
