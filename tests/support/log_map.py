"""The map of a field log with a time, a position `pos` and a load `load`, as most logs here have them."""


def log_map(time: str = "time", unit: str = "m", position: str = "", load: str = "") -> str:
    """Its text: the column of the time (s), the position's unit, and further lines for the position and for the load."""
    return f"""format = 1
rig = "land"
[time]
columns = ["{time}"]
format = "s"
[[columns]]
column = "pos"
quantity = "block_position"
unit = "{unit}"
{position}
[[columns]]
column = "load"
quantity = "hook_load"
unit = "kN"
{load}
"""
