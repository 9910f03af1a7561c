"""FIGURES.md, the one table of what was measured: each row says when, at which commit and on which machine.

A benchmark's `main` returns its figures as data. ``python -m tests.benchmarks NAME --write`` renews the rows of that benchmark
that it measured again and keeps all others as they stand, so that a stale figure shows by its date and its commit. What
the benchmark printed is kept beside it, in ``outputs/NAME.txt``.
"""

import os
import platform
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

FOLDER: Final = Path(__file__).parent
PAGE: Final = FOLDER / "FIGURES.md"
OUTPUTS: Final = FOLDER / "outputs"
HEAD: Final = ("figure", "value", "goal", "date", "commit", "machine", "run with `python -m tests.benchmarks`")
_RULE: Final = "|" + " --- |" * len(HEAD)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: what it is, the number in its unit, and what is aimed at (words, in the same unit)."""

    name: str
    value: float
    unit: str = ""
    goal: str = ""

    @property
    def text(self) -> str:
        """The number with its unit."""
        number = f"{self.value:,.0f}" if abs(self.value) >= 1000 else f"{self.value:.4g}"
        return f"{number} {self.unit}".strip()


def as_installed(folder: Path) -> dict[str, str]:
    """The environment of a process that finds its modules compiled in `folder` from its second start on, as an installation has
    them, whatever the environment says about that: compiling alone takes a third of a second."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": str(folder)}


def show(*figures: Figure) -> list[Figure]:
    """Print figures, one a line, and give them back."""
    for figure in figures:
        goal = f" (goal: {figure.goal})" if figure.goal else ""
        print(f"{figure.name:<58} {figure.text:>16}{goal}", flush=True)
    return list(figures)


@dataclass(frozen=True, slots=True)
class Stamp:
    """When, of what and on what figures were measured."""

    date: str
    commit: str
    """Short hash; with a "+" where files of the tree differ from it."""
    machine: str


def stamp() -> Stamp:
    """That of a measurement that begins now."""
    return Stamp(datetime.now(UTC).date().isoformat(), _commit(), _machine())


def _commit() -> str:
    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=FOLDER, capture_output=True, text=True, check=True).stdout.strip()

    own = (f":(exclude){PAGE.name}", f":(exclude){OUTPUTS.name}")
    changed = git("status", "--porcelain", "--", ":/", *own)
    return git("rev-parse", "--short=7", "HEAD") + ("+" if changed else "")


def _machine() -> str:
    """Processor, cores, Python and how busy the machine was at the start."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        processor = next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        processor = platform.processor() or platform.machine()
    words = f"{processor}, {os.cpu_count()} cores, Python {platform.python_version()}"
    return f"{words}, load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else words


def cells_of(line: str) -> list[str] | None:
    """The cells of a row of the table; None for any other line, the table's head included."""
    cells = [cell.strip() for cell in line.strip().strip("|").split(" | ")]
    if not line.startswith("| ") or len(cells) != len(HEAD) or cells[0] in (HEAD[0], "---"):
        return None
    return cells


def renewed(page: str, benchmark: str, figures: Sequence[Figure], at: Stamp, options: str = "") -> str:
    """`page` with `figures` of `benchmark` in its table.

    A row of the same benchmark and name is replaced where it stands; a new one comes after the benchmark's last; every other
    line stays as it is.
    """
    command = f"`{benchmark}{' -- ' + options if options else ''}`"
    new = {figure.name: _row(figure, at, command) for figure in figures}
    lines = page.splitlines()
    own: list[int] = []
    end = 0
    for number, line in enumerate(lines):
        cells = cells_of(line)
        if cells is None and line != _RULE:
            continue
        end = number + 1
        if cells is not None and _benchmark(cells) == benchmark:
            lines[number] = new.pop(cells[0], line)
            own.append(number)
    place = own[-1] + 1 if own else end
    lines[place:place] = new.values()
    return "\n".join(lines) + "\n"


def _row(figure: Figure, at: Stamp, command: str) -> str:
    return f"| {' | '.join((figure.name, figure.text, figure.goal, at.date, at.commit, at.machine, command))} |"


def _benchmark(cells: Sequence[str]) -> str:
    return cells[-1].strip("`").split()[0]
