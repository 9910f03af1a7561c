"""Slow data in words: how often the position comes, and what nobody can be warned of in time meanwhile."""

from collections.abc import Mapping
from typing import Final

from monitor.language import msgid, tr
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import plain

LATE_STOP: Final = msgid("a late stop")
_BLIND: Final[Mapping[str, tuple[str, ...]]] = {
    msgid("a weak or slow brake"): ("effectiveness", "response_time"),
    msgid("a failing auxiliary brake"): ("aux_share", "aux_missing"),
}
"""What rules on these signals warn of: they need readings many times a second. A late stop needs them on any rig."""
_POSITIONS: Final = ("drum_counts", "block_position")


def is_slow(snap: Snapshot) -> bool:
    """Whether the height comes seconds apart just now."""
    slow = snap.value("slow_data")
    return slow.known and slow.number > 0.5


def blind_to(values: Mapping[str, Value]) -> tuple[str, ...]:
    """What cannot be warned of while data are slow, of what this rig could be warned of otherwise."""
    fitted = [
        words
        for words, names in _BLIND.items()
        if any(name in values and values[name].validity is not Validity.NOT_FITTED for name in names)
    ]
    return (LATE_STOP, *fitted)


def interval(snap: Snapshot) -> str:
    """How often the position comes: "every 10 s"; "seldom" before that is known."""
    rates = [sensor.rate_hz for sensor in snap.sensors if sensor.quantity in _POSITIONS and sensor.rate_hz > 0.0]
    if not rates:
        return tr("seldom")
    seconds = 1.0 / max(rates)
    return tr("every {seconds} s", seconds=plain(seconds, 0 if seconds >= 2.95 else 1))


def slow_words(snap: Snapshot) -> str:
    """One sentence for slow data: "position every 10 s: cannot warn of a late stop"."""
    return tr(
        "position {interval}: cannot warn of {dangers}",
        interval=interval(snap),
        dangers=", ".join(tr(words) for words in blind_to(snap.values)),
    )
