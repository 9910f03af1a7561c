"""A process that records until it is killed: ``python -m tests.adapters.sessions.recording_child SESSION``.

Prints the number of each frame it has given to the recorder, the moment, the moment when it had been given, and for how long
by then the recorder says that not everything was on the disk (s), so that the test knows what could be lost.
"""

import sys
import time
from pathlib import Path

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.sessions.recorder import Recorder
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from tests.adapters.sessions.streams import HEADER


def main(path: Path) -> None:
    clock = StreamClock.live()
    recorder = Recorder(path, HEADER)
    count = 0
    while True:
        t_ns = clock.now_ns()
        recorder.frame(Frame(t_ns, f"rig/test/{count % 7}", b'{"value": %d, "seq": %d}' % (count * 17 % 1000, count)))
        if count % 10 == 9:
            recorder.action(Action(t_ns, ActionKind.NOTE, number=float(count)))
            recorder.finding(Finding(t_ns, "health", "k", Severity.NOTICE, "", "", "said", number=float(count)))
        sys.stdout.write(f"{count} {t_ns} {clock.now_ns()} {recorder.behind_s:.4f}\n")
        sys.stdout.flush()
        count += 1
        time.sleep(0.004)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
