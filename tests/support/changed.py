"""The core's own values, plain classes so that they cost little, by their parts: to compare, and to change one of them."""

from typing import Any, TypeVar

Item = TypeVar("Item")


def parts(item: object) -> dict[str, Any]:
    """All that a value of the core was made from, by name."""
    kind: Any = type(item)
    names = kind.__slots__ if hasattr(kind, "__slots__") else kind.__mypyc_attrs__  # compiled classes name them so
    return {name: getattr(item, name) for name in names}


def changed(item: Item, **changes: Any) -> Item:
    """Another one like `item`, but for these."""
    return type(item)(**parts(item) | changes)
