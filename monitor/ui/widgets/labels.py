"""Names and dimensions of signals and quantities, from the core's tables."""

from monitor.core.signals.table import SIGNALS
from monitor.model.quantities import QUANTITIES
from monitor.presentation.format import NOT_FITTED_WORD
from monitor.ui.view import View
from monitor.units import Dimension

_SIGNALS = {signal.name: signal for signal in SIGNALS}


_OF_A_SENSOR = {
    "sensor_stale": "sensor silent",
    "sensor_rejecting": "readings refused",
    "sensor_out_of_range": "reading out of range",
    "sensor_doubtful": "readings in doubt",
}
"""Signals of one sensor, which the table does not list."""


def signal_label(name: str) -> str:
    """What a signal is called."""
    if name in _OF_A_SENSOR:
        return _OF_A_SENSOR[name]
    return _SIGNALS[name].label if name in _SIGNALS else name.replace("_", " ")


def signal_dimension(name: str) -> Dimension:
    """What a signal measures; plain ratio for one that the core does not list."""
    if name in _OF_A_SENSOR:
        return "switch"
    return _SIGNALS[name].dimension if name in _SIGNALS else "ratio"


def quantity_dimension(name: str) -> Dimension:
    """What a sensor's quantity measures."""
    return QUANTITIES[name].dimension if name in QUANTITIES else "ratio"


def quantity_label(name: str) -> str:
    """What a sensor's quantity is called."""
    return QUANTITIES[name].label if name in QUANTITIES else name.replace("_", " ")


_SWITCH_WORDS = {
    quantity_label("overtravel_electric"): ("TRIPPED", "not tripped"),
    quantity_label("overtravel_air"): ("TRIPPED", "not tripped"),
    quantity_label("clutch_engaged"): ("engaged", "released"),
    quantity_label("height_mark"): ("at the mark", "not at it"),
}


def switch_words(label: str) -> tuple[str, str]:
    """What a switch of that label says when it is on and when it is off."""
    return _SWITCH_WORDS.get(label, ("yes", "no"))


def device_words(view: View) -> str:
    """At which height the overtravel device is set."""
    return view.units.text(view.rig.limits.device_m, "length") if view.rig.has("overtravel") else NOT_FITTED_WORD
