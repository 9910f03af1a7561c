"""A disk that does not answer keeps nobody."""

import asyncio
import threading

import pytest

from monitor.adapters.host.deadline import within


async def test_what_comes_in_time_is_given_and_a_fault_is_raised() -> None:
    assert await within(30.0, lambda: 7, asyncio.Event()) == 7
    with pytest.raises(ValueError, match="of its own"):
        await within(30.0, lambda: int("of its own"), asyncio.Event())


async def test_what_hangs_is_given_up() -> None:
    answer = threading.Event()
    assert await within(0.05, answer.wait, asyncio.Event()) is None
    stop = asyncio.Event()
    asyncio.get_running_loop().call_later(0.05, stop.set)
    assert await asyncio.wait_for(within(60.0, answer.wait, stop), 10.0) is None
    answer.set()  # what comes after all disturbs nobody
    await asyncio.sleep(0.05)
