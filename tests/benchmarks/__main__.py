"""``python -m tests.benchmarks NAME … | all [--write]``: run the named benchmarks, one after the other.

With ``--write`` their figures go into FIGURES.md and what they print into ``outputs/NAME.txt``. What stands after ``--`` goes to
the benchmark: ``python -m tests.benchmarks pipeline_figures --write -- rate``. ``all`` leaves out the long ones (`LONG`), whose
rows say how to run them. Each is also a module of its own (``python -m tests.benchmarks.stop_figures --help``). Machines are
noisy: read ratios and CPU times, not wall times, and compare only what one run printed.
"""

import contextlib
import io
import re
import sys
import time
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Final, TextIO

from tests.benchmarks.figures import OUTPUTS, PAGE, renewed, stamp

LONG: Final[Mapping[str, str]] = {
    "mutation_figures": "--module physics --sample 300",
    "notice_figures": "--calm 48 --danger 100",
    "soak_figures": "--hours 72 --faults 200 --seed 5",
    "trial_figures": "--set danger --runs 500",
}
"""Benchmarks that take an hour or more, and the options with which their figures are measured."""


def names() -> list[str]:
    """Every benchmark of this folder."""
    return sorted(path.stem for path in Path(__file__).parent.glob("*_figures.py"))


class Tee(io.StringIO):
    """Text that goes on to `screen` as well."""

    def __init__(self, screen: TextIO) -> None:
        super().__init__()
        self.screen = screen

    def write(self, text: str) -> int:
        self.screen.write(text)
        return super().write(text)

    def flush(self) -> None:
        self.screen.flush()


def run(name: str, options: Sequence[str], write: bool) -> None:
    """One benchmark; with `write` into the table and beside it."""
    module = import_module(f"tests.benchmarks.{name}")
    at = stamp()
    print(f"--- {name}: {(module.__doc__ or '').splitlines()[0]}", flush=True)
    start = time.monotonic()
    with contextlib.redirect_stdout(Tee(sys.stdout)) as printed:
        figures = module.main(list(options))
    print(f"({name} took {time.monotonic() - start:.0f} s)\n", flush=True)
    if write:
        page = PAGE.read_text(encoding="utf-8")
        PAGE.write_text(renewed(page, name, figures, at, " ".join(options)), encoding="utf-8")
        OUTPUTS.mkdir(exist_ok=True)
        head = f"{at.date}, commit {at.commit}, {at.machine}; options: {' '.join(options) or 'none'}\n\n"
        part = "-".join([name, *re.findall(r"\w+", " ".join(options))])
        (OUTPUTS / f"{part}.txt").write_text(head + printed.getvalue(), encoding="utf-8")


def main(arguments: Sequence[str]) -> int:
    """Run them; 2 for words that are not understood."""
    words, options = list(arguments), []
    if "--" in words:
        place = words.index("--")
        words, options = words[:place], words[place + 1 :]
    write = "--write" in words
    wanted = [word for word in words if word != "--write"]
    if wanted in ([], ["all"]):
        wanted = [name for name in names() if name not in LONG]
        for name, how in LONG.items():
            print(f"left out, for it takes long: python -m tests.benchmarks {name} --write -- {how}", file=sys.stderr)
    unknown = [name for name in wanted if name not in names()]
    if unknown:
        print(f"no benchmark is called {', '.join(unknown)}; there are: all, {', '.join(names())}", file=sys.stderr)
        return 2
    if options and len(wanted) != 1:
        print("options after -- go to one benchmark; name it", file=sys.stderr)
        return 2
    for name in wanted:
        run(name, options, write)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
