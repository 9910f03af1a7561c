"""A process that writes ledger entries until it is killed; prints each id once the entry is on the disk."""

import sys
from pathlib import Path

from monitor.adapters.ledger.ledger import Ledger


def main(path: Path) -> None:
    with Ledger(path) as ledger:
        while True:
            entry = ledger.add("note", 1, 1, who="ab", text="x" * 200, numbers={"n_s": 1.5})
            sys.stdout.write(f"{entry.id}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
