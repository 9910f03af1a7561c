"""Commands that a person ends with Ctrl-C, as a terminal does it: the whole group of processes gets SIGINT."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.support.broker import wait_until


def interrupted(
    words: list[str], at_work: Callable[[int], bool], then_s: float = 0.0, group: bool = True
) -> tuple[int, str, str]:
    """Run `stopmark` with `words` and end it `then_s` after `at_work`, which is asked with its process id. The exit code, and
    what it wrote to standard output and standard error."""
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        # A shell that is no person's starts what runs in the background with SIGINT ignored, and that is inherited.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        wait_until(lambda: process.poll() is not None or at_work(process.pid), "it is at work", 60.0)
        time.sleep(then_s)
        assert process.poll() is None, process.communicate()
        (os.killpg if group else os.kill)(process.pid, signal.SIGINT)
        said, complained = process.communicate(timeout=120.0)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
    return process.returncode, said, complained


def has_children(pid: int) -> bool:
    """Whether other processes work for it."""
    return len(Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()) > 1
