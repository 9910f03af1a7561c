"""What is new of a sensor's source: that it is gone or back, or what there is to say of it."""

from typing import NamedTuple


class News(NamedTuple):
    """`sensor` is an index into the rig's tuple, or None where it concerns the source as such."""

    sensor: int | None
    source: str
    """Group and node."""
    words: str
    """Of a sensor: why it has no source, empty where it has one again."""
