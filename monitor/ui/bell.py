"""When the terminal's bell rings. Pure: the app gives it snapshots and a running clock, it answers yes or no.

A terminal has one sound, so that the severity is in the rhythm: DANGER rings three times every two seconds, WARNING twice every
five, as long as one waits for an acknowledgement; CAUTION rings once; NOTICE never. Silence (after ANSI/ISA-18.2) stops the
sound and acknowledges nothing; the core lifts it when a new alarm comes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How often the bell rings in a row, and how long from the first ring of a row to that of the next; None: one row alone."""

    rings: int
    every_s: float | None


RHYTHMS: Final = {
    Severity.DANGER: Rhythm(3, 2.0),
    Severity.WARNING: Rhythm(2, 5.0),
    Severity.CAUTION: Rhythm(1, None),
}
"""Ours: no standard knows a terminal's bell. Rows of three, two and one are told apart without counting."""
GAP_S: Final = 0.25
"""Between two rings of a row: terminals take rings that are closer for one."""
RINGS: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""States of an alarm that ring unless silenced."""


def ringing_alarms(snap: Snapshot) -> dict[str, Severity]:
    """What rings unless it is silenced, by key."""
    return {alarm.key: alarm.severity for alarm in snap.alarms if alarm.state in RINGS}


class Bell:
    """Remembers what it has rung for."""

    def __init__(self) -> None:
        self._known: dict[str, Severity] = {}
        self._row_s = float("-inf")
        """When the first ring of the last row was due."""
        self._rung_s = float("-inf")
        self._left = 0
        """Rings of the row that are still to come."""
        self.fresh = Severity.NOTICE
        """Severity of the worst alarm that the last look found new; NOTICE where none was."""

    def due(self, snap: Snapshot, now_s: float) -> bool:
        """Whether to ring now. `now_s` is any clock that only goes forward."""
        return self.ring(ringing_alarms(snap), snap.silenced, now_s)

    def ring(self, ringing: Mapping[str, Severity], silenced: bool, now_s: float) -> bool:
        """As `due`, for what wants to ring: severities by key."""
        known = self._known
        fresh = [severity for key, severity in ringing.items() if severity > known.get(key, Severity.NOTICE)]
        self._known = dict(ringing)
        self.fresh = max(fresh, default=Severity.NOTICE)
        if silenced or not ringing:
            self._left = 0
            return False
        rhythm = RHYTHMS.get(max(ringing.values()))
        if rhythm is None:
            return False
        again = rhythm.every_s is not None and now_s - self._row_s >= rhythm.every_s
        if self.fresh > Severity.NOTICE or again:
            self._row_s, self._left = now_s, rhythm.rings
        elif now_s - self._rung_s < GAP_S:
            return False
        if not self._left:
            return False
        self._left -= 1
        self._rung_s = now_s
        return True
