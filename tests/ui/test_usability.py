"""Every task is done by keys alone, with few of them, at the usual sizes."""

import pytest

from tests.ui.usability import MOST_KEYS, SIZES, TASKS, Task, carried_out


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("task", TASKS, ids=lambda task: task.words)
async def test_a_task_takes_few_keys(task: Task, size: tuple[int, int]) -> None:
    done, keys = await carried_out(task, size)
    assert done
    assert keys <= MOST_KEYS
