"""The two sums of line work that there are of one record, told apart in words.

One is counted on the way, by what was certain at each moment: screen, ledger and cuts go by it. The other adds up the strokes
that the whole record shows afterwards: only it can be told by activity.
"""

from monitor.language import tr
from monitor.presentation.format import plain
from monitor.units import TON_MILE_J


def both_units(work_j: float, decimals: int = 2) -> str:
    """Line work in ton-miles, with so many decimals, and in megajoules."""
    return tr(
        "{miles} ton-miles ({joules} MJ)", miles=plain(work_j / TON_MILE_J, decimals), joules=plain(work_j / 1e6, 0)
    )


def compared_sums(counted_j: float, strokes_j: float) -> str:
    """A sentence beneath a table of the strokes' work: how far its sum is from what was counted on the way, and which is for
    what."""
    words = f"Strokes are added up from the whole record; counted on the way it is {both_units(counted_j)}"
    if counted_j > 0.0:
        over = 100.0 * (strokes_j / counted_j - 1.0)
        side = "more" if over > 0.0 else "less"
        words += ", the same" if abs(over) < 0.05 else f": the strokes make {plain(abs(over), 1)} % {side}"
    return f"{words}. Screen, ledger and cuts go by the count."
