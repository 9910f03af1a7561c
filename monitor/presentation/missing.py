"""What a rig's file leaves out, in words."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from monitor.config.optional_tables import Table
from monitor.config.rig import Rig
from monitor.errors import UserError
from monitor.language import tr

TABLE_WORDS: Final[Mapping[Table, str]] = MappingProxyType(
    {
        "line": "drilling line",
        "drum": "drum",
        "reference": "wraps at a height",
        "brake": "friction brake",
        "braking": "brake timing and ratios",
        "aux": "auxiliary brake",
        "hydraulics": "hydraulics",
        "overtravel": "height of the overtravel device",
    }
)
"""Each table of the rig's file that may be left out."""


def words_of_missing(rig: Rig) -> str:
    """The tables that `rig` has not, as "no drum, friction brake, hydraulics"; empty when it has all."""
    missing = [tr(words) for table, words in TABLE_WORDS.items() if not rig.has(table)]
    return tr("no {missing}", missing=", ".join(missing)) if missing else ""


def require(rig: Rig, what: str, *tables: Table) -> None:
    """Go on only where the rig's file has all of `tables`; `what` is not to be had without them.

    Raises:
        UserError: it lacks some, named as the file would have them.
    """
    missing = [f"[{table}]" for table in tables if not rig.has(table)]
    if missing:
        raise UserError(f"{what}: not fitted, as the file of the rig {rig.name} has no {' and no '.join(missing)}")
