"""How many keys the tasks of a driller or a mechanic take, driven in the real app (`tests/ui/usability.py`).

Run it with ``python -m tests.benchmarks.usability_figures``. A task that its keys do not do has the figure NaN.
"""

from collections.abc import Sequence

from tests.benchmarks.figures import Figure, show
from tests.ui.usability import MOST_KEYS, SIZES, all_carried_out


def main(_arguments: Sequence[str] | None = None) -> list[Figure]:
    """Print the figures: the most keys of both sizes."""
    found = [all_carried_out(size) for size in SIZES]
    figures = []
    for runs in zip(*found, strict=True):
        task = runs[0][0]
        keys = max(keys if done else float("nan") for _, done, keys in runs)
        name = f"keys to {task.words} ({' '.join(task.keys)})"
        figures += show(Figure(name, keys, "keys", f"at most {MOST_KEYS}"))
    return figures


if __name__ == "__main__":
    main()
