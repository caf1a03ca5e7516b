"""Chromium without a screen, told what to do over a pipe by its DevTools protocol.

Source: Chrome DevTools Protocol; `--remote-debugging-pipe` reads JSON from descriptor 3, writes it
to 4, and ends each message by a zero byte.
"""

import base64
import contextlib
import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

from nightloom_drivers.clock import real_monotonic_s

PROGRAM = "chromium"

START = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 10) for end in sys.argv[1:3]]
os.dup2(ends[0], 3), os.dup2(ends[1], 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
"""Puts two pipes where Chromium looks for them."""

OPTIONS = (
    "--headless=new", "--remote-debugging-pipe", "--no-first-run", "--disable-gpu",
    "--disable-dev-shm-usage", "--disable-background-networking", "--disable-extensions",
    "--hide-scrollbars",
    "--no-sandbox",  # it needs rights that test machines lack, and sees our own page only
)  # fmt: skip


OVERLAPS = """(() => {
  const found = [];
  for (const drawn of document.querySelectorAll('svg')) {
    const box = (one) => one.getBoundingClientRect();
    const meet = (a, b, room) => a.left < b.right - room && b.left < a.right - room
      && a.top < b.bottom - room && b.top < a.bottom - room;
    const name = drawn.getAttribute('aria-label');
    const texts = [...drawn.querySelectorAll('text')];
    const edge = box(drawn);
    texts.forEach((one, number) => {
      const a = box(one);
      if (a.left < edge.left - 1 || a.right > edge.right + 1 || a.top < edge.top - 1
          || a.bottom > edge.bottom + 1) found.push(`${name}: ${one.textContent} sticks out`);
      for (const other of texts.slice(number + 1))
        if (meet(a, box(other), 1)) found.push(`${name}: ${one.textContent}, ${other.textContent}`);
      for (const mark of drawn.querySelectorAll('circle'))
        if (meet(a, box(mark), 1)) found.push(`${name}: a mark on ${one.textContent}`);
      for (const path of drawn.querySelectorAll('path')) {
        const matrix = path.getScreenCTM();
        const length = path.getTotalLength();
        for (let at = 0; at <= length; at += 3) {
          const point = path.getPointAtLength(at).matrixTransform(matrix);
          if (point.x > a.left + 1 && point.x < a.right - 1
              && point.y > a.top + 2 && point.y < a.bottom - 2) {
            found.push(`${name}: a curve through ${one.textContent}`);
            break;
          }
        }
      }
    });
  }
  return found;
})()"""
"""Names in drawings that stick out, or lie on each other, on a mark or on a curve."""


class Failed(Exception):
    """The browser could not do what it was told."""


class Browser:
    """One browser with one page."""

    def __init__(self) -> None:
        program = shutil.which(PROGRAM)
        assert program, f"{PROGRAM} is not installed; tests/all.sh installs it"
        self._home = Path(tempfile.mkdtemp(prefix="browser-"))
        to_read, self._to = os.pipe()
        self._from, to_write = os.pipe()
        for end in (to_read, to_write):
            os.set_inheritable(end, True)
        words = [program, *OPTIONS, f"--user-data-dir={self._home}", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", START, str(to_read), str(to_write), *words],
            pass_fds=(to_read, to_write),
            env={**os.environ, "HOME": str(self._home)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(to_read)
        os.close(to_write)
        self._messages = self._read()
        self._numbers = itertools.count(1)
        self._session: str | None = None
        self.complaints: list[str] = []
        """What the page's script failed at, and what the browser refused it."""

    def __enter__(self) -> Self:
        target = self.tell("Target.createTarget", url="about:blank")["targetId"]
        attached = self.tell("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.tell(f"{domain}.enable")
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        os.close(self._to)
        os.close(self._from)
        shutil.rmtree(self._home, ignore_errors=True)

    def tell(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and wait for its answer. Raises Failed."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        for answer in self._messages:
            self._note(answer)
            if answer.get("id") == number:
                if "error" in answer:
                    raise Failed(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result
        raise AssertionError("the browser has ended")

    def size(self, width_px: int, height_px: int) -> None:
        """Be a screen of that size."""
        self.tell(
            "Emulation.setDeviceMetricsOverride",
            width=width_px,
            height=height_px,
            deviceScaleFactor=1,
            mobile=width_px < 600,
        )

    def open(self, url: str) -> None:
        """Go to a page."""
        self.tell("Page.navigate", url=url)

    def run(self, script: str) -> Any:
        """The value of an expression in the page; a promise is waited for."""
        done = self.tell(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in done, done
        return done["result"].get("value")

    def until(self, condition: str, within_s: float = 15.0) -> None:
        """Wait until an expression is true in the page. Raises AssertionError."""
        ends_s = real_monotonic_s() + within_s
        while real_monotonic_s() < ends_s:
            with contextlib.suppress(Failed):  # a page that is on its way to another has no script
                if self.run(f"(() => {{ try {{ return Boolean({condition}); }} catch {{}} }})()"):
                    return
            threading.Event().wait(0.03)
        raise AssertionError(f"not within {within_s} s: {condition}")

    def picture(self, file: Path, *, whole: bool = False) -> None:
        """Take a picture of what is seen, or of all of the page."""
        taken = self.tell("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        file.write_bytes(base64.b64decode(taken["data"]))

    def _read(self) -> Iterator[dict[str, Any]]:
        rest = b""
        while read := os.read(self._from, 2**16):
            *whole, rest = (rest + read).split(b"\0")
            yield from map(json.loads, whole)

    def _note(self, message: dict[str, Any]) -> None:
        said = message.get("params", {})
        match message.get("method"):
            case "Runtime.exceptionThrown":
                self.complaints.append(json.dumps(said["exceptionDetails"]))
            case "Log.entryAdded" if said["entry"]["level"] in ("warning", "error"):
                self.complaints.append(f"{said['entry']['text']} {said['entry'].get('url', '')}")
