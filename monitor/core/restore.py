"""Restoring a saved state part by part, and the words that say what came of it."""

import json
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from monitor.core.saved_state import part
from monitor.text import printable


def _unchanged() -> None:
    """Nothing to undo: a part that refuses a state has not changed."""


class Part(NamedTuple):
    """One part of the core that has a state of its own."""

    restore: Callable[[Mapping[str, Any]], None]
    """Restores it; raises ValueError where it cannot."""
    reset: Callable[[], None] = _unchanged
    """Undoes a restore that failed half-way."""


def restore_parts(saved: Mapping[str, Any], parts: Mapping[str, Part]) -> list[str]:
    """Give each part what `saved` holds under its name. Each stands alone: one that cannot be restored starts again. Returns
    these, in words."""
    failed = []
    for name, restorable in parts.items():
        try:
            restorable.restore(part(saved, name))
        except ValueError as error:
            restorable.reset()
            failed.append(f"{name} ({printable(str(error), 120)})")
    return failed


def read_state(payload: bytes) -> dict[str, Any]:
    """The saved state in `payload`; empty where there was no run before.

    Raises:
        ValueError: it is no JSON object.
    """
    try:
        saved: Any = json.loads(payload)
    except RecursionError as error:
        raise ValueError(str(error)) from None
    if not isinstance(saved, dict):
        raise ValueError("it is no JSON object")
    return saved


def words_of_resumed_run(saved: Mapping[str, Any], t_ns: int, failed: list[str]) -> str:
    """What the crew reads of a run that goes on at `t_ns` from `saved`, less the parts that failed."""
    ago = _ago(max(0.0, (t_ns - saved["t_ns"]) / 60e9))
    words = f"went on from the run that ended {ago} ago: look whether the height is right"
    return f"{words}; begun anew: {', '.join(failed)}" if failed else words


def _ago(minutes: float) -> str:
    """A time span for a person: minutes, from two hours on hours, from two days on days."""
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 2880 else f"{minutes / 1440:.0f} days"
