"""Scripts of our own, each run in a process of its own that ends with its time or the daemon."""

import asyncio
import contextlib
import os
import sys
from pathlib import Path


async def run_script(
    script: Path, *words: str, given: bytes = b"", deadline_s: float
) -> tuple[int | None, bytes]:
    """Its exit status and what it put out. The number of this process is its first argument.

    Raises TimeoutError at the deadline, and OSError where no process can be had.
    """
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", str(script), str(os.getpid()), *words),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is the daemon's to hear
    )
    try:
        async with asyncio.timeout(deadline_s):
            output, _ = await process.communicate(given)
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    return process.returncode, output
