"""The other end of a terminal: reads as many bytes a second as it is told, and answers where the cursor is."""

import os
import re
import select
import time
from typing import Final

QUESTION: Final = re.compile(rb"\x1b\[(\d+);(\d+)H\x1b\[6n")


class SlowTerminal:
    """Reads the end `master` of a pseudo terminal. `answers`: whether it is one that answers at all."""

    def __init__(self, master: int, answers: bool = True) -> None:
        self.seen = b""
        self.asked = 0
        self._master, self._answers, self._answered = master, answers, 0

    def read(self, most: int = 65_536) -> int:
        """Read what is there, at most so many bytes; how many there were."""
        if not select.select([self._master], [], [], 0)[0]:
            return 0
        data = os.read(self._master, most)
        self.seen += data
        while (found := QUESTION.search(self.seen, self._answered)) is not None:
            self._answered = found.end()
            self.asked += 1
            if self._answers:
                os.write(self._master, b"\x1b[%s;%sR" % found.groups())
        return len(data)

    def read_for(self, seconds: float, rate: float = float("inf"), until: bytes | None = None) -> int:
        """Read at `rate` bytes a second for so long, or until `until` is seen from now on; how many bytes were read."""
        began_s, count, mark = time.monotonic(), 0, len(self.seen)
        while (passed_s := time.monotonic() - began_s) < seconds:
            due = rate * passed_s - count
            got = self.read(65_536 if due == float("inf") else min(65_536, int(due))) if due >= 1 else 0
            count += got
            if until is not None and until in self.seen[mark:]:
                break
            if not got:
                time.sleep(0.01)
        return count

    def backlog(self) -> int:
        """Bytes that were written and not yet read; they are read now."""
        count = 0
        while got := self.read():
            count += got
            time.sleep(0.002)
        return count
