"""One row below: the answer to the last key, or the keys."""

from rich.cells import cell_len

from monitor.ui.drawing.canvas import Area
from monitor.ui.view import KeyRow, View


def footer(area: Area, view: View) -> None:
    """One row: the answer to the last key, or the fullest row of keys that fits; its last two (other screens, help) always."""
    keys_or_message(area, view.message, view.keys)


def keys_or_message(area: Area, message: str, rows: tuple[KeyRow, ...]) -> None:
    """As `footer`, of what it needs alone."""
    if message:
        area.fill("title")
        area.say(1, 0, message, "title")
        return

    def size(row: KeyRow) -> int:
        return sum(cell_len(key) + cell_len(label) + (4 if label else 2) for key, label in row)

    rows = rows or ((),)
    keys = list(next((row for row in rows if size(row) < area.width), rows[-1]))
    # The last two, other screens and help, stay.
    while len(keys) > 2 and size(tuple(keys)) >= area.width:
        keys.pop(-3)
    x = 1
    for key, label in keys:
        start = x
        x = area.put(x, 0, f" {key} ", "key")
        if label:
            x = area.put(x, 0, f" {label} ", "dim")
        area.spot(0, key, "key", start, x - start)
