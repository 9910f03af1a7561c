"""How long work says how far it is, to whoever shows that."""

from collections.abc import Callable

OnProgress = Callable[[int, int], None]
"""Called every now and then with the rows or messages so far and the stream time reached, ns."""


def nobody(_rows: int, _t_ns: int) -> None:
    """For work that nobody watches."""
