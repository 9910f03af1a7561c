"""The brake's figures of the same rig about a week before a moment, by its ledger: what a night is held against."""

from pathlib import Path
from typing import Final

from monitor.adapters.ledger.entries import DAY_NS
from monitor.adapters.ledger.ledger import Entry, Ledger, LedgerError, ledger_path

WEEK_NS: Final = 7 * DAY_NS
_SPARE_NS: Final = 3 * DAY_NS
"""How far from a week the nearest entry may be."""


def brake_week_before(folder: Path, rig: str, t_ns: int) -> Entry | None:
    """The entry of the day nearest to a week before `t_ns`, at most three days off; None where the ledger in `folder` has none,
    or cannot be read."""
    try:
        path = ledger_path(folder, rig)
        if not path.exists():
            return None
        with Ledger(path, 1.0) as ledger:
            found = ledger.entries("brake", t_ns - WEEK_NS - _SPARE_NS, t_ns - WEEK_NS + _SPARE_NS)
    except LedgerError:
        return None
    return min(found, key=lambda entry: abs(entry.t_ns - (t_ns - WEEK_NS)), default=None)
