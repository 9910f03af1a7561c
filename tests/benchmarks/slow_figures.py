"""What slow data cost: an import of readings every 1, 3 and 10 s, its memory, and a table of signals from its end.

Run it with ``python -m tests.benchmarks.slow_figures``. A log of position and load over a simulated trip is imported by the
command itself, in a process of its own; CPU time counts, less that of importing a few rows (start of Python, rules, rig).
``--rows 1000000 --periods 10`` shows that memory stays flat.
"""

import argparse
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.signal_table import export_signals
from tests.benchmarks.figures import Figure, show
from tests.support.slow_data import MAP, Pull

ROWS = 30_000
PERIODS_S = (1.0, 3.0, 10.0)
FEW = 20
LAST_NS = 360_000_000_000


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Cost of importing slow data.")
    parser.add_argument("--rows", type=int, default=ROWS, help="rows of each log")
    parser.add_argument(
        "--periods", default=",".join(map(str, PERIODS_S)), help="seconds between rows; the last is looked into"
    )
    args = parser.parse_args(arguments)
    figures: list[Figure] = []
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "map.toml").write_text(MAP)
        for period_s in map(float, args.periods.split(",")):
            start_s, _ = imported(folder, "few", FEW, period_s)
            cpu_s, peak_mb = imported(folder, "all", args.rows, period_s)
            words = f"rows every {period_s:g} s: "
            figures += show(
                Figure(
                    words + "import, CPU time",
                    args.rows / (cpu_s - start_s),
                    "rows/s",
                    "6000" if period_s == 10.0 else "",
                ),
                Figure(words + f"memory at the most, {args.rows:,} rows", peak_mb, "MB", "300"),
            )
        session = folder / "all.stopmark"
        with SessionChain([session]) as chain:
            end_ns = chain.end_ns
        began = time.process_time()
        export_signals([session], folder / "end.csv", from_ns=end_ns - LAST_NS)
        figures += show(Figure(words + "signals of the last six minutes", time.process_time() - began, "s"))
    return figures


def imported(folder: Path, name: str, rows: int, period_s: float) -> tuple[float, float]:
    """(CPU time in s, greatest memory in MB) of importing so many rows into `name`.stopmark.

    Raises:
        RuntimeError: the import failed.
    """
    log = Pull(seed=7, seconds=rows * period_s).csv(folder / f"{name}.csv", period_s)
    out = folder / f"{name}.stopmark"
    out.unlink(missing_ok=True)
    words = [sys.executable, "-m", "monitor.cli", "import", str(log), "--map", str(folder / "map.toml"), "-o", str(out)]
    process = os.posix_spawn(
        words[0], words, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    )
    _, status, used = os.wait4(process, 0)
    if status:
        raise RuntimeError(f"the import of {log} failed")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0


if __name__ == "__main__":
    main()
