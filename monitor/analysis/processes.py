"""Work spread over processes of its own, which ends with this one: at Ctrl-C, at SIGTERM, at an error in one of them."""

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import active_children, get_context
from multiprocessing.sharedctypes import RawArray
from types import FrameType
from typing import Any, Final, TypeVar

from monitor.model.progress import OnProgress

One = TypeVar("One")
Result = TypeVar("Result")
_LOOK_S: Final = 0.5
"""Between two looks at how far the processes are."""


def in_processes(
    work: Callable[[One, OnProgress], Result],
    ones: Sequence[One],
    jobs: int,
    on_progress: Callable[[list[int], list[int]], None],
) -> list[Result]:
    """`work` on each of `ones`, in `jobs` processes at a time; the results in their order.

    `on_progress` hears now and then what the work on each of them told last: its rows, and the stream time, 0 where nothing yet.

    Raises:
        OSError, ImportError, BrokenProcessPool: the machine gives no processes, or ended one.
    """
    # Fresh processes: a copy of this one would share its open database files, which SQLite forbids.
    context = get_context("spawn")
    so_far = RawArray("q", 2 * len(ones))
    with _ended_in_order(), ProcessPoolExecutor(jobs, context, initializer=_begin, initargs=(so_far,)) as pool:
        try:
            with _put_off():
                # Not `map`: it cancels at an error, and a cancelled future makes the pool complain when its processes end.
                futures = [pool.submit(_run, work, one, place) for place, one in enumerate(ones)]
            while wait(futures, _LOOK_S).not_done and not any(map(_failed, futures)):
                on_progress(so_far[::2], so_far[1::2])
            return [future.result() for future in futures]
        except BaseException:
            for process in active_children():  # what they are at is of no use any more, and would be waited for
                process.terminate()
            raise


def _failed(future: "Future[Any]") -> bool:
    return future.done() and future.exception() is not None


@contextmanager
def _put_off() -> Iterator[None]:
    """Signals that end this process do so when this is over: a process that was half started would complain. Those started
    meanwhile never get a Ctrl-C, which a terminal sends to all: they are ended by this one."""
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    mask = getattr(signal, "pthread_sigmask", None)
    try:
        for number in before:
            signal.signal(number, lambda number, _frame: came.append(number))
    except ValueError:  # not the main thread: signals are not its business
        yield
        return
    # What is started inherits the mask; the handler is for a signal that another thread of this process gets.
    masked = mask(signal.SIG_BLOCK, {signal.SIGINT}) if mask is not None else None
    try:
        yield
    finally:
        if mask is not None:
            mask(signal.SIG_SETMASK, masked)
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        for late in came:
            signal.raise_signal(late)


@contextmanager
def _ended_in_order() -> Iterator[None]:
    """While processes work for this one, a signal that ends it is an exception: it ends them too, and leaves nothing behind."""

    def end(number: int, _frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    try:
        before = signal.signal(signal.SIGTERM, end)
    except ValueError:  # not the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


_so_far: Any = None
"""In a process that works for another: what each piece of work told last, rows and time in turns."""


def _begin(so_far: Any) -> None:
    global _so_far
    _so_far = so_far
    signal.signal(
        signal.SIGINT, signal.SIG_DFL
    )  # where it cannot be kept away: the process that started this one speaks


def _run(work: Callable[[One, OnProgress], Result], one: One, place: int) -> Result:
    def on_progress(rows: int, t_ns: int) -> None:
        _so_far[2 * place], _so_far[2 * place + 1] = rows, t_ns

    return work(one, on_progress)
