"""A process that keeps a ledger until it is killed: ``python -m tests.adapters.ledger.writer_child LEDGER``.

Prints the time of each note once it is on the disk, as a reader of its own finds it there.
"""

import sys
import time
from pathlib import Path

from monitor.adapters.ledger.writer import LedgerWriter
from monitor.model.alarm import Finding, Severity
from monitor.model.stream import Action, ActionKind


def note(t_ns: int) -> tuple[Action, Finding]:
    """A note of the crew, and what the core says to it."""
    text = f"note {t_ns}"
    action = Action(t_ns, ActionKind.NOTE, text=text, who="ab")
    return action, Finding(t_ns, "action", str(ActionKind.NOTE), Severity.NOTICE, "", "ab", text)


def main(path: Path) -> None:
    writer = LedgerWriter(path, lambda t_ns, kind, text: None, 1)
    writer.start(lambda: None)
    t_ns = reported = 1
    while True:
        t_ns += 1
        action, finding = note(t_ns)
        writer.action(action)
        writer.finding(finding)
        while reported < writer.written:
            reported += 1
            sys.stdout.write(f"{reported}\n")
            sys.stdout.flush()
        time.sleep(0.002)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
