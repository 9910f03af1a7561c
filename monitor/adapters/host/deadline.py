"""Waiting for a disk that may not answer."""

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


async def within(seconds: float, read: Callable[[], T], stop: asyncio.Event) -> T | None:
    """What `read` gives, called in a thread; None when that takes longer than `seconds`, or `stop` is set first.

    The thread is one that nobody waits for: a disk that hangs must keep neither the loop nor the process.

    Raises:
        Exception: whatever `read` raised.
    """
    loop = asyncio.get_running_loop()
    found: asyncio.Future[T] = loop.create_future()

    def deliver(value: T) -> None:
        if not found.done():
            found.set_result(value)

    def fail(error: Exception) -> None:
        if not found.done():
            found.set_exception(error)

    def work() -> None:
        with contextlib.suppress(RuntimeError):  # of the loop: the run is over
            try:
                value = read()
            except Exception as error:
                loop.call_soon_threadsafe(fail, error)
            else:
                loop.call_soon_threadsafe(deliver, value)

    threading.Thread(target=work, name="waiting for the disk", daemon=True).start()
    stopping = asyncio.ensure_future(stop.wait())
    await asyncio.wait((found, stopping), timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    stopping.cancel()
    if found.done():
        return found.result()
    found.cancel()
    return None
