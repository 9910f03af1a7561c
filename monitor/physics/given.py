"""Numbers that cannot be, refused in one way and in words."""

import math


def above_zero(**given: float) -> None:
    """Refuse what must be above zero and finite and is not.

    Raises:
        ValueError: names the quantity (with its unit, as it is called in the code) and the value that was given.
    """
    for name, value in given.items():
        if not 0.0 < value < math.inf:
            raise ValueError(f"{name} is {value}: must be a number above zero")


def not_below_zero(**given: float) -> None:
    """Refuse what must be zero or above, and finite, and is not.

    Raises:
        ValueError: names the quantity and the value that was given.
    """
    for name, value in given.items():
        if not 0.0 <= value < math.inf:
            raise ValueError(f"{name} is {value}: must be a number not below zero")
