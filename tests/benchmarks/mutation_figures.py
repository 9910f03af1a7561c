"""How many small mistakes in the code the tests would see: mutants of one package, killed by its own tests.

``python -m tests.benchmarks.mutation_figures --module physics --sample 300 --seed 1`` (``pip install "stopmark[mutation]"``).
mutmut makes the mutants of all functions in a copy of the tree, and runs each against those tests that reach it. Tables outside
of functions it leaves alone, and lines that raise an error are left out. A mutant that no test reaches counts as alive.
"""

import argparse
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.benchmarks.figures import Figure, show

ROOT: Final = Path(__file__).parents[2]
COPIED: Final = (
    "monitor",
    "simulators",
    "tests",
    "config",
    ".ci",
    ".build",
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
)
MODULES: Final = {
    "alarms": ("monitor/core/alarms/*.py", ("tests/core/alarms", "tests/rules")),
    "stopping": (
        "monitor/core/hoist/stopping.py",
        ("tests/core/hoist", "tests/published/test_stopping.py", "tests/rules"),
    ),
    "signals": ("monitor/core/signals/*.py", ("tests/core/signals", "tests/core/hoist", "tests/rules")),
    "physics": (
        "monitor/physics/*.py",
        ("tests/physics", "tests/published", "tests/core/hoist", "tests/core/brakes/test_hydraulics.py"),
    ),
}
"""What is mutated, and the tests that are to see it."""
ALIVE: Final = ("survived", "no tests")
CHILDREN: Final = 1


def _settings(module: str) -> str:
    files, tests = MODULES[module]
    return f"""
[tool.mutmut]
source_paths = ["monitor"]
only_mutate = ["{files}"]
do_not_mutate_patterns = ['raise ']
also_copy = {[name for name in COPIED if name not in ("monitor", "tests", "pyproject.toml")]}
pytest_add_cli_args = ["-p", "no:cacheprovider", "-p", "no:xdist"]
pytest_add_cli_args_test_selection = {list(tests)}
"""


def copied(module: str, folder: Path) -> None:
    """Put the tree into `folder`, with mutmut's settings for `module`."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            unneeded = shutil.ignore_patterns("__pycache__", "node_modules", "outputs", "pictures")
            shutil.copytree(source, folder / name, ignore=unneeded)
        else:
            shutil.copy(source, folder / name)
    with (folder / "pyproject.toml").open("a", encoding="utf-8") as settings:
        settings.write(_settings(module))


def mutmut(folder: Path, *words: str, may_fail: bool = False) -> str:
    """What the program prints."""
    done = subprocess.run(
        [sys.executable, "-m", "mutmut", *words], cwd=folder, capture_output=True, text=True, check=False
    )
    if done.returncode and not may_fail:
        sys.exit(f"mutmut {' '.join(words[:3])}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.stdout


def states(printed: str) -> dict[str, str]:
    """State of every mutant, by its name, from what ``mutmut results --all true`` prints."""
    return dict(re.findall(r"^ +(\S+__mutmut_\d+): (.+)$", printed, re.MULTILINE))


def main(arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the share of mutants killed and every one that is alive."""
    parser = argparse.ArgumentParser(prog="mutation_figures", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--module", choices=MODULES, default="physics")
    parser.add_argument("--sample", type=int, default=300, help="mutants (default: 300; 0: all)")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="mutation-") as name:
        folder = Path(name)
        copied(args.module, folder)
        mutmut(folder, "run", "none of them", may_fail=True)  # makes them, and finds out which tests reach which
        listed = sorted(states(mutmut(folder, "results", "--all", "true")))
        chosen = random.Random(args.seed).sample(listed, min(args.sample or len(listed), len(listed)))
        mutmut(folder, "run", "--max-children", str(CHILDREN), *chosen)
        found = states(mutmut(folder, "results", "--all", "true"))
        counts = Counter(found[mutant] for mutant in chosen)
        alive = sorted(mutant for mutant in chosen if found[mutant] in ALIVE)
        print(f"{args.module}: {len(chosen)} of {len(listed)} mutants, seed {args.seed}: {dict(counts)}")
        for mutant in alive:
            changed = mutmut(folder, "show", mutant).splitlines()
            lines = [line for line in changed if re.match(r"[-+](?![-+])", line)]
            print(f"  {found[mutant]}: {mutant}\n" + "\n".join(f"    {line}" for line in lines))
    share = 100.0 * (len(chosen) - len(alive)) / len(chosen)
    return show(Figure(f"mutants killed, {args.module}", share, f"% of {len(chosen)} of {len(listed)}", "90"))


if __name__ == "__main__":
    main()
