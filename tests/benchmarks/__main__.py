"""``python -m tests.benchmarks [NAME …]``: run the named benchmarks, or all of them, one after the other.

Each is also a module of its own with options (``python -m tests.benchmarks.stop_figures --help``). Machines are noisy: read
ratios and CPU times, not wall times, and compare only what one run printed.
"""

import sys
import time
from importlib import import_module
from pathlib import Path


def names() -> list[str]:
    """Every benchmark of this folder."""
    return sorted(path.stem for path in Path(__file__).parent.glob("*_figures.py"))


def main() -> int:
    """Run them; 2 for a name that there is not."""
    wanted = sys.argv[1:] or names()
    unknown = [name for name in wanted if name not in names()]
    if unknown:
        print(f"no benchmark is called {', '.join(unknown)}; there are: {', '.join(names())}", file=sys.stderr)
        return 2
    for name in wanted:
        sys.argv = [f"tests.benchmarks.{name}"]
        module = import_module(sys.argv[0])
        print(f"--- {name}: {(module.__doc__ or '').splitlines()[0]}", flush=True)
        start = time.monotonic()
        module.main()
        print(f"({name} took {time.monotonic() - start:.0f} s)\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
