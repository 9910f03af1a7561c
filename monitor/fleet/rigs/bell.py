"""One bell for all rigs: it can be silenced where it rings, until something new does."""

from collections.abc import Mapping, Sequence

from monitor.fleet.rigs.overview import Shown
from monitor.model.alarm import Severity
from monitor.ui.bell import Bell


def ringing(rigs: Sequence[Shown]) -> dict[str, Severity]:
    """What wants to ring of all rigs, by rig and key: what is silenced at a rig is silent here, too."""
    found = {f"{rig.name} is not watched": Severity.DANGER for rig in rigs if rig.problem}
    for rig in rigs:
        if rig.row is not None and not rig.row.silenced:
            found |= {f"{rig.name}/{key}": severity for key, severity in rig.row.ringing.items()}
    return found


class RigsBell:
    """When to ring."""

    def __init__(self) -> None:
        self._bell = Bell()
        self.silenced = False
        """Whether somebody asked for quiet, and nothing new has rung since."""

    @property
    def fresh(self) -> Severity:
        """Severity of the worst that the last look found new; NOTICE where nothing was."""
        return self._bell.fresh

    def due(self, found: Mapping[str, Severity], now_s: float) -> bool:
        """Whether to ring now for what was `found`; `now_s` is any clock that only goes forward."""
        due = self._bell.ring(found, self.silenced, now_s)
        if self.silenced and self.fresh > Severity.NOTICE:
            self.silenced = False
            due = self._bell.ring(found, False, now_s)
        self.silenced = self.silenced and bool(found)
        return due
