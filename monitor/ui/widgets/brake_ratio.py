"""Ratios of the brakes against what they must hold, in words and colour."""

from monitor.language import tr
from monitor.model.reading import Validity, Value
from monitor.presentation.brake_causes import ROWS
from monitor.presentation.format import SI, word
from monitor.ui.drawing.theme import TEXT_ROLE, Role, marked
from monitor.ui.view import View


def friction_part(view: View) -> str:
    """What gets hot: band brakes have rims, calipers discs."""
    return tr("rim") if view.rig.brake.kind == "band" else tr("disc")


def ratio(name: str, value: Value, minimum: float) -> str:
    """A ratio, judged in words against its required minimum. `name` is its signal."""
    if not value.known or value.word:
        return word(value)
    text = f"{SI.value(value, 'ratio')} ×"
    return marked(tr("{text} LOW", text=text), ROWS[name].severity) if value.number < minimum else text


def ratio_role(name: str, value: Value, minimum: float) -> Role:
    """Plain when it is enough."""
    if not value.known:
        return "caution" if value.validity is Validity.INVALID else "dim"
    return TEXT_ROLE[ROWS[name].severity] if value.number < minimum and not value.word else "strong"
