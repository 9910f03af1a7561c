"""Which alarms the crew can have read. Pure: the app gives it snapshots, what is listed, and a running clock of seconds."""

from collections.abc import Sequence
from typing import Final

from monitor.model.alarm import AlarmView
from monitor.model.snapshot import Snapshot
from monitor.ui.queries import standing

SEEN_S: Final = 1.0
"""An alarm can be acknowledged once it has been on view this long, so that no key meant for another one hits it."""


class OnView:
    """Remembers since when each waiting alarm is on view."""

    def __init__(self) -> None:
        self._first_seen_s: dict[str, float] = {}
        self.acknowledged_s = float("-inf")
        """When a key last acknowledged."""
        self.slipped_s = float("-inf")
        """When the cursor of a list last moved to another row by itself."""

    def note(self, snap: Snapshot, listed: Sequence[str], now_s: float) -> None:
        """Look at what is on view: the banner's alarm everywhere, and the keys of those `listed`."""
        waiting = {alarm.key for alarm in snap.alarms if alarm.state.waiting}
        self._first_seen_s = {key: at for key, at in self._first_seen_s.items() if key in waiting}
        ranked = standing(snap)
        on_view = {alarm.key for alarm in ranked[:1]} | set(listed)
        for alarm in ranked:
            if alarm.key in waiting & on_view:
                self._first_seen_s.setdefault(alarm.key, now_s)

    def held(self, now_s: float) -> bool:
        """Whether a press still belongs to the one that acknowledged, however long the key is held."""
        return now_s - self.acknowledged_s < SEEN_S

    def ready(self, alarms: Sequence[AlarmView], now_s: float) -> list[AlarmView]:
        """Those of `alarms` on view long enough; none right after the cursor slipped to another row."""
        if now_s - self.slipped_s < SEEN_S:
            return []
        return [alarm for alarm in alarms if now_s - self._first_seen_s.get(alarm.key, float("inf")) >= SEEN_S]
