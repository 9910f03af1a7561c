"""`kill -9` at random moments with the recorder, the ledger, retention, and an import, a report or an export at work.

Run it with ``python -m tests.benchmarks kill_figures -- --kills 1000``, or for so many minutes at most. Each process goes on in
the folder of the one before; ten share one. `tests.support.killed_at_work` says what they do and how it is judged.
"""

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.figures import Figure, show
from tests.support.killed_at_work import Killer


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print what was lost, doubled or half, and the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=30, metavar="N")
    parser.add_argument("--minutes", type=float, default=60.0, help="after which it ends with those it has made")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    began_s = time.monotonic()
    with TemporaryDirectory() as folder:
        killer = Killer(Path(folder), args.seed)
        for run in range(args.kills):
            killer.kill(run)
            if time.monotonic() - began_s > 60.0 * args.minutes:
                break
    tally = killer.tally
    for words in tally.faults:
        print(words)
    print(f"{tally.frames:,} frames, {tally.entries:,} entries and {tally.files:,} files looked at")
    spoilt = len({words.split(" ")[1] for words in tally.faults})
    return show(
        Figure(
            "kill -9 with all at work: nothing lost, doubled or half",
            tally.kills - spoilt,
            f"of {tally.kills:,}",
            "all",
        ),
        Figure("kill -9 with all at work: stream missing at worst", max(tally.lost_s, default=0.0), "s", "1"),
        Figure("kill -9 with all at work: one of them", (time.monotonic() - began_s) / max(1, tally.kills), "s"),
    )


if __name__ == "__main__":
    main()
