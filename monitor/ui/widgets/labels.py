"""Names and dimensions of signals and quantities, from the core's tables."""

from monitor.core.signals.table import SIGNALS
from monitor.language import msgid, tr
from monitor.model.quantities import QUANTITIES
from monitor.presentation.format import NOT_FITTED_WORD
from monitor.ui.view import View
from monitor.units import Dimension

_SIGNALS = {signal.name: signal for signal in SIGNALS}


_OF_A_SENSOR = {
    "sensor_stale": msgid("sensor silent"),
    "sensor_rejecting": msgid("readings refused"),
    "sensor_out_of_range": msgid("reading out of range"),
    "sensor_doubtful": msgid("readings in doubt"),
}
"""Signals of one sensor, which the table does not list."""


def signal_label(name: str) -> str:
    """What a signal is called."""
    if name in _OF_A_SENSOR:
        return tr(_OF_A_SENSOR[name])
    return tr(_SIGNALS[name].label) if name in _SIGNALS else name.replace("_", " ")


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
    return tr(QUANTITIES[name].label) if name in QUANTITIES else name.replace("_", " ")


_SWITCH_WORDS = {
    QUANTITIES["overtravel_electric"].label: (msgid("TRIPPED"), msgid("not tripped")),
    QUANTITIES["overtravel_air"].label: (msgid("TRIPPED"), msgid("not tripped")),
    QUANTITIES["clutch_engaged"].label: (msgid("engaged"), msgid("released")),
    QUANTITIES["height_mark"].label: (msgid("at the mark"), msgid("not at it")),
}


_YES_NO = msgid("yes"), msgid("no")


def switch_words(label: str) -> tuple[str, str]:
    """What a switch of that label, in English or translated, says when it is on and when it is off."""
    on, off = next((words for key, words in _SWITCH_WORDS.items() if label in (key, tr(key))), _YES_NO)
    return tr(on), tr(off)


def device_words(view: View) -> str:
    """At which height the overtravel device is set."""
    return view.units.text(view.rig.limits.device_m, "length") if view.rig.has("overtravel") else tr(NOT_FITTED_WORD)
