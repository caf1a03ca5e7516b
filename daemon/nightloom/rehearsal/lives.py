"""A daemon that is killed and started again while its rehearsed rig goes on.

To be killed is to do nothing more: not one step of any task, no clearing up, no last word. So what
was begun in a life never goes on from the moment it ends. Nor is it let go of as long as this
process lasts, as a coroutine that is collected clears up after itself.
"""

import asyncio
import atexit
import contextlib
import gc
import sys
from collections.abc import Callable, Coroutine, Generator, Iterator
from contextvars import ContextVar
from typing import Protocol, TypeVar

T = TypeVar("T")

Begun = Coroutine[object, object, T] | Generator[object, None, T]


class Closing(Protocol):
    """What the system closes when a process ends: a file, the lock of a ledger."""

    def close(self) -> None: ...


class Life:
    """One life of a daemon: what it began, and what it holds open."""

    def __init__(self) -> None:
        self.over = self.buried = False
        self.begun: dict[_Mortal, None] = {}
        self._held: list[Closing] = []
        self._itself = self

    def holds(self, one: Closing) -> None:
        """Have something closed when this life ends early."""
        self._held.append(one)

    def end(self) -> None:
        """End it here and now."""
        self.over = True
        for one in self._held:
            one.close()

    def bury(self) -> None:
        """Its tasks may be cancelled, which they do not notice."""
        self.buried = True
        if not _GRAVES:
            atexit.register(gc.freeze)  # which keeps what holds itself, as each life does
        _GRAVES.append(self)


_GRAVES: list[Life] = []
_LIFE: ContextVar[Life | None] = ContextVar("life", default=None)


class _Mortal(Coroutine[object, object, object]):
    """A coroutine that stands still for ever once the life in which it was begun is over."""

    def __init__(self, work: Begun[object], life: Life) -> None:
        self._work, self._life = work, life

    def send(self, value: object) -> object:
        if self._life.over:
            return self._stand_still()
        try:
            return self._work.send(value)  # type: ignore[arg-type]
        except BaseException:
            self._life.begun.pop(self, None)  # it has ended
            raise

    def throw(self, *error: object) -> object:
        if self._life.buried:
            raise asyncio.CancelledError
        if self._life.over:
            return self._stand_still()
        try:
            return self._work.throw(*error)  # type: ignore[call-overload]
        except BaseException:
            self._life.begun.pop(self, None)
            raise

    def close(self) -> None:
        """A life that is over closes nothing itself."""
        if not self._life.over:
            self._work.close()

    def __await__(self) -> Generator[object, None, object]:
        raise TypeError("only a task may run it")

    def _stand_still(self) -> object:
        never: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        return next(iter(never.__await__()))  # as whoever awaits it hands it to its task


class Lives:
    """The lives of one daemon over a night: `kill` ends one, and another begins."""

    def __init__(self, died: Callable[[], None], begins: Callable[[], None]) -> None:
        self._died, self._begins = died, begins
        self._lives: list[Life] = []
        self._killed, self._again = asyncio.Event(), asyncio.Event()
        self._deaths = 0

    @property
    def alive(self) -> bool:
        """Whether a life is lived."""
        return bool(self._lives) and not self._lives[-1].over

    async def kill(self, down_s: float) -> None:
        """End the life that is lived, if there is one, and have the next begin so much later."""
        self._deaths += 1
        mine = self._deaths
        self._again.clear()
        if self.alive:
            self._lives[-1].end()
            self._died()
            self._killed.set()
        await asyncio.sleep(down_s)
        if mine == self._deaths:  # nobody has killed it since
            self._again.set()

    async def run(self, live: Callable[[Life], Coroutine[object, object, T]]) -> T:
        """Live until a life comes to its own end, and give what that came to."""
        with _mortal_tasks(asyncio.get_running_loop()):
            while True:
                life = Life()
                self._lives.append(life)
                self._killed.clear()
                living = _begun(live(life), life)
                killed = asyncio.ensure_future(self._killed.wait())
                try:
                    await asyncio.wait({living, killed}, return_when=asyncio.FIRST_COMPLETED)
                except asyncio.CancelledError:
                    living.cancel()
                    raise
                finally:
                    killed.cancel()
                if living.done():
                    return living.result()
                await self._again.wait()
                self._begins()

    def bury(self) -> None:
        """The night has been judged, and its loop may end."""
        for life in self._lives:
            if life.over:
                life.bury()


def _begun(work: Coroutine[object, object, T], life: Life) -> asyncio.Task[T]:
    """The first task of a life; those that it begins belong to the same one."""
    token = _LIFE.set(life)
    try:
        return asyncio.create_task(work)
    finally:
        _LIFE.reset(token)


@contextlib.contextmanager
def _mortal_tasks(loop: asyncio.AbstractEventLoop) -> Iterator[None]:
    """Have each task that is created within a life end with it."""
    usual = loop.get_task_factory()
    assert usual is not None
    sys.set_asyncgen_hooks(None, None)  # or the loop would have generators clear up at its end

    def create(loop: asyncio.AbstractEventLoop, work: Begun[object], **options: object) -> object:
        context = options.get("context")
        life = _LIFE.get() if context is None else context.get(_LIFE)  # type: ignore[attr-defined]
        if life is not None:
            mortal = _Mortal(work, life)
            life.begun[mortal] = None
            work = mortal
        return usual(loop, work, **options)

    loop.set_task_factory(create)  # type: ignore[arg-type]
    try:
        yield
    finally:
        loop.set_task_factory(usual)
