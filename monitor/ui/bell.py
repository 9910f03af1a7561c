"""When the terminal's bell rings. Pure: the app gives it snapshots and a running clock, it answers yes or no.

DANGER rings every second, WARNING every five, as long as one waits for an acknowledgement; CAUTION rings once; NOTICE
never. Silence (after ANSI/ISA-18.2) stops the sound and acknowledges nothing; the core lifts it when a new alarm
comes.
"""

from typing import Final

from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import Snapshot

EVERY_S: Final = {Severity.DANGER: 1.0, Severity.WARNING: 5.0}
RINGS: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""States of an alarm that ring unless silenced."""


class Bell:
    """Remembers what it has rung for."""

    def __init__(self) -> None:
        self._known: dict[str, Severity] = {}
        self._last_s = float("-inf")
        self.fresh = Severity.NOTICE
        """Severity of the worst alarm that the last look found new; NOTICE where none was."""

    def due(self, snap: Snapshot, now_s: float) -> bool:
        """Whether to ring now. `now_s` is any clock that only goes forward."""
        ringing = {alarm.key: alarm.severity for alarm in snap.alarms if alarm.state in RINGS}
        known = self._known
        fresh = [severity for key, severity in ringing.items() if severity > known.get(key, Severity.NOTICE)]
        self._known = ringing
        self.fresh = max(fresh, default=Severity.NOTICE)
        if snap.silenced or not ringing:
            return False
        every = EVERY_S.get(max(ringing.values()))
        again = every is not None and now_s - self._last_s >= every
        if fresh or again:
            self._last_s = now_s
            return True
        return False
