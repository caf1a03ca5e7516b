"""Arrays handed to worker processes."""

import asyncio
import gc
import multiprocessing
import os
import pickle
from pathlib import Path

import numpy as np
import pytest

from nightloom.executor import Handle, NotComputed, SharedArray, Workers
from nightloom_drivers.memory_file import LEAST_BYTES, zeros
from worker_tasks import described, dies, dies_once, hangs, refused


def memory_files() -> list[str]:
    links = [one.readlink() for one in Path("/proc/self/fd").iterdir() if one.is_symlink()]
    return [str(link) for link in links if "memfd" in str(link)]


@pytest.mark.parametrize("rows", [4, LEAST_BYTES // 200])
def test_workers_get_arrays_large_and_small(rows: int) -> None:
    """In another process, with the values and the shape that were given, strided ones too."""
    wide = np.arange(rows * 200, dtype=np.uint16).reshape(rows, 200)
    with Workers() as workers:
        for array in (wide, wide[:, ::2], wide[::-1].T):
            pid, total, shape, _ = asyncio.run(workers(described, array, 3))
            assert pid != os.getpid()
            assert (total, shape) == (3 * int(array.sum()), array.shape)


def test_a_shared_array_cannot_be_written_by_the_worker() -> None:
    """It is handed over without a copy, and only to be read."""
    large = np.zeros(LEAST_BYTES, np.uint16)
    with Workers() as workers:
        assert asyncio.run(workers(described, large, 1))[3] is False


def test_the_memory_of_shared_arrays_is_given_back() -> None:
    """After an answer, after an error, and after a call that was given up."""
    large = np.ones(LEAST_BYTES, np.uint16)
    before = memory_files()

    async def calls(workers: Workers) -> None:
        await workers(described, large, 1)
        with pytest.raises(ValueError, match="not this one"):
            await workers(refused, large)
        given_up = asyncio.create_task(workers(described, large, 1))
        await asyncio.sleep(0)
        given_up.cancel()
        with pytest.raises(asyncio.CancelledError):
            await given_up
        for _ in range(3):  # behind the one that was given up
            await workers(described, large[:9], 1)
        assert memory_files() == before

    with Workers() as workers:
        asyncio.run(workers(described, large, 1))  # opens what the pool keeps open
        asyncio.run(calls(workers))


def test_an_array_outlives_the_one_who_shared_it() -> None:
    """What was unpickled keeps its memory."""
    shared = SharedArray(np.arange(10))
    handle = pickle.loads(pickle.dumps(shared))
    assert isinstance(handle, Handle)
    seen = handle.open()
    del shared
    assert seen.tolist() == list(range(10))
    with pytest.raises(FileNotFoundError):
        handle.open()


@pytest.mark.parametrize("count", [LEAST_BYTES // 2, LEAST_BYTES])
def test_what_lies_in_a_memory_file_is_handed_over_as_it_is(count: int) -> None:
    """A frame that was decoded into one is not copied; a part of it is, and what is small."""
    before = memory_files()
    frame = zeros((4, count // 4), np.uint16)
    frame[:] = 7
    with Workers() as workers:
        shared, part = SharedArray(frame), SharedArray(frame[1:])
        assert len(memory_files()) - len(before) == 3  # numpy's mapping has a descriptor of its own
        assert int(asyncio.run(workers(described, frame, 1))[1]) == 7 * frame.size
        handles = [pickle.loads(pickle.dumps(one)) for one in (shared, part)]
        frame[:] = 8
        assert [int(one.open().max()) for one in handles] == [8, 7]
    del frame, shared, part
    gc.collect()
    assert memory_files() == before


def test_a_worker_that_dies_or_hangs_is_replaced_and_leaves_nothing_behind() -> None:
    """Those who ask meanwhile and afterwards get their answers, and no memory stays shared."""
    large = np.ones(LEAST_BYTES, np.uint16)
    before = memory_files()

    async def calls(workers: Workers) -> None:
        for deadly in (dies, hangs, dies):
            beside = asyncio.create_task(workers(described, large, 2))
            with pytest.raises(NotComputed, match="its worker died, or gave no answer in 3 s"):
                await workers(deadly, large)
            assert (await beside)[1] == 2 * large.sum()
            assert (await workers(described, large, 3))[1] == 3 * large.sum()
            for _ in range(3):  # the pool lets go of a call when it takes up the next
                await workers(described, large[:9], 1)
            assert memory_files() == before

    with Workers(deadline_s=3.0) as workers:
        asyncio.run(workers(described, large, 1))
        asyncio.run(calls(workers))
    assert multiprocessing.active_children() == []


def test_a_call_whose_worker_was_killed_is_made_again(tmp_path: Path) -> None:
    with Workers() as workers:
        assert asyncio.run(workers(dies_once, tmp_path / "mark")) != os.getpid()


def test_workers_that_hang_do_not_hold_up_the_end() -> None:
    async def given_up(workers: Workers) -> None:
        call = asyncio.create_task(workers(hangs, np.ones(3, np.uint16)))
        await asyncio.sleep(0)
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call

    with Workers() as workers:
        asyncio.run(workers(described, np.ones(3, np.uint16), 1))
        asyncio.run(given_up(workers))
    assert multiprocessing.active_children() == []
