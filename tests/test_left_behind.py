"""The guard against leftovers sees each kind of them, and lets a clean test pass."""

import os
import re
import subprocess
import sys
from pathlib import Path

LEAKING = """
import asyncio
import os
import subprocess
import tempfile
from multiprocessing import get_context, shared_memory

kept = []


async def nap():
    await asyncio.sleep(0.01)


def test_clean(tmp_path):
    async def told():
        task = asyncio.create_task(nap())
        await asyncio.sleep(0)
        task.cancel()

    asyncio.run(told())
    subprocess.run(["true"], check=True)
    (tmp_path / "file").write_text("closed again")
    segment = shared_memory.SharedMemory(create=True, size=64)
    segment.close()
    segment.unlink()
    process = get_context("forkserver").Process(target=os.getpid)
    process.start()
    process.join()
    process.close()


def test_task():
    async def leave():
        kept.append(asyncio.create_task(asyncio.sleep(60)))

    asyncio.run(leave())


def test_process():
    kept.append(subprocess.Popen(["sleep", "20"]))


def test_descriptor():
    kept.append(os.open("/dev/null", os.O_RDONLY))


def test_segment():
    segment = shared_memory.SharedMemory(create=True, size=64)
    segment.close()
    kept.append(segment)


def test_memfd():
    kept.append(os.memfd_create("forgotten"))


def test_ends_what_was_left():
    kept[1].kill()
    kept[1].wait()
    kept[3].unlink()
"""

SAID = {
    "task": r"<Task pending",
    "process": r"process: \d+",
    "descriptor": r"descriptor \d+: /dev/null",
    "segment": r"segment: psm_\w+",
    "memfd": r"descriptor \d+: /memfd:forgotten",
}


def test_each_kind_of_leftover_fails_its_test_and_no_other(tmp_path: Path) -> None:
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    (tmp_path / "conftest.py").write_text("from left_behind import nothing_left_behind\n")
    (tmp_path / "test_leaking.py").write_text(LEAKING)
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-rEp", "-p", "no:cacheprovider", str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parent)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    errors = set(re.findall(r"^ERROR \S+::test_(\w+)", ran.stdout, re.MULTILINE))
    assert errors == set(SAID), ran.stdout
    for kind, said in SAID.items():
        report = ran.stdout.split(f"ERROR at teardown of test_{kind} ")[1].split("ERROR ")[0]
        assert re.search(said, report), report
    assert "7 passed, 5 errors" in ran.stdout
