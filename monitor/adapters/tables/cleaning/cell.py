"""One cell of a log: a reading, or dropped for a reason, or not settled yet."""

from typing import Final

OPEN: Final = "?"
"""Stands for the reason while nobody knows whether the cell is a reading."""
SPIKE: Final = "jumps away and back"
FROZEN: Final = "stood still and then jumped on"
FILLED: Final = "repeated to fill the row"


class Cell:
    """A cell with its time, ns, and its number in the column's own unit. `reason` is empty where it is a reading."""

    __slots__ = ("number", "reason", "si", "t_ns")

    def __init__(self, t_ns: int, number: float, si: float, reason: str = "") -> None:
        self.t_ns = t_ns
        self.number = number
        self.si = si
        self.reason = reason

    @property
    def settled(self) -> bool:
        """Whether it is known what it is."""
        return self.reason is not OPEN
