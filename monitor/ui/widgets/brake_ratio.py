"""Ratios of the brakes against what they must hold, in words and colour."""

from monitor.model.reading import Validity, Value
from monitor.presentation.format import SI, word
from monitor.ui.drawing.theme import Role
from monitor.ui.view import View


def friction_part(view: View) -> str:
    """What gets hot: band brakes have rims, calipers discs."""
    return "rim" if view.rig.brake.kind == "band" else "disc"


def ratio(value: Value, minimum: float) -> str:
    """A ratio, judged in words against its required minimum."""
    if not value.known or value.word:
        return word(value)
    text = f"{SI.value(value, 'ratio')} ×"
    return f"▲ {text} LOW" if value.number < minimum else text


def ratio_role(value: Value, minimum: float) -> Role:
    """Plain when it is enough."""
    if not value.known:
        return "caution" if value.validity is Validity.INVALID else "dim"
    return "warning" if value.number < minimum and not value.word else "strong"
