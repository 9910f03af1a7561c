"""A height that was lost comes back by itself where a ready-made position shows that it means what it meant before.

Theory of operation. A ready-made position has no counts to lose: what it says next is as good as what it said before, unless its
zero has moved. Three things tell the two apart (derived here).

1. A reading that no block can have had (beyond the mast) lost the height, and the readings after it go on from where the block
   was before, within reach of its greatest speed: that one was wrong. Once `AGREEING` of them agree among themselves the
   height is back.
2. The position jumped, and agrees with itself again; the string is then taken from slips or set at one of the heights at which
   that was done before: the zero stands.
3. `OWN_PLACES` such connections in a row agree among themselves, elsewhere than before: the zero was set anew, and what the
   position says now is the height, as it is for the system that it comes from.

Nothing of this holds for a drum's counts: those need a height from outside (`height_references`).
"""

from collections.abc import Mapping
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.estimator.connections import SLOW_M_S, TOLERANCE_M, Connections
from monitor.core.estimator.position_filter import OUTSIDE_MAST_M, PositionFilter
from monitor.core.estimator.sources import PositionSource
from monitor.core.saved_state import number, whole

AGREEING: Final = 10
AGREEING_SLOW: Final = 3
AGREEING_NS: Final = 1_000_000_000
"""So many readings in a row, over so long at least, must agree with one another."""
REACH_M: Final = 0.5
"""Noise, bounce and rounding of the time, between two readings (common practice, no source)."""
OWN_PLACES: Final = 3
WORDS_NS: Final = 60_000_000_000
"""How long it is said that the height came back."""
BACK_WORDS: Final = "height regained: position goes on from where the block was"
PLACE_WORDS: Final = "height regained: string handled at a height as before"
OWN_WORDS: Final = "height regained: position agrees with itself, its zero may be new"


class HeightRegain:
    """Watches the position that leads. `look` after each of its readings, `connection` where the string changes hands."""

    __slots__ = (
        "_agreed", "_agreed_ns", "_before", "_good", "_jumped", "_last", "_mast", "_new_places", "_own", "_places", "_said_ns",
        "_speed_m_s", "_track",
    )  # fmt: skip

    def __init__(self, rig: Rig, track: PositionFilter) -> None:
        self._track = track
        self._speed_m_s = track.max_speed_m_s
        self._mast = (rig.mast.floor_m - OUTSIDE_MAST_M, rig.mast.crown_m + OUTSIDE_MAST_M)
        self._last = (0, 0.0)
        """(time, height) of the last reading."""
        self._good = (0, 0.0)
        """The last that was believed while the height was known."""
        self._before: tuple[int, float] | None = None
        """The last reading before the height was lost; None while it is not."""
        self._jumped = False
        """Whether the position went on from elsewhere, so that connections must show whether its zero stands."""
        self._agreed = 0
        self._agreed_ns = 0
        self._places = Connections(TOLERANCE_M)
        """Where the string changed hands while the height was known."""
        self._new_places = Connections(TOLERANCE_M)
        self._own = 0
        """Connections in a row that agree with those since the jump."""
        self._said_ns = 0

    def look(self, source: PositionSource, taken_ns: int, z: float, believed: bool) -> None:
        """A reading `z` of the source that leads, after the filter had it and has `believed` it, or not."""
        track = self._track
        last_ns, last = self._last
        self._last = (taken_ns, z)
        if self._said_ns and taken_ns - self._said_ns > WORDS_NS:
            self._said_ns = 0
            if source.diagnosis in (BACK_WORDS, PLACE_WORDS, OWN_WORDS):
                source.diagnosis = ""
        if track.unexplained_m == 0.0:
            self._before = None
            if believed:
                self._good = (taken_ns, z)
            return
        low, high = self._mast
        if self._before is None:
            self._before = self._good
            self._jumped = low < z < high
            self._agreed = 0
            self._new_places.restart()
            self._own = 0
        if not (low < z < high) or not self._reaches((last_ns, last), taken_ns, z):
            self._agreed = 0
            return
        self._agreed += 1
        if self._agreed == 1:
            self._agreed_ns = last_ns
            self._jumped = self._jumped or not self._reaches(self._before, taken_ns, z)
        need = AGREEING_SLOW if source.slow else AGREEING
        if not self._jumped and self._agreed >= need and taken_ns - self._agreed_ns >= AGREEING_NS:
            self._regain(source, BACK_WORDS)

    def connection(self, t_ns: int) -> None:
        """The string changes between slips and hook just now."""
        track = self._track
        if not track.started or track.lead.drum:
            return
        x, v, _ = track.predicted_at(t_ns)
        if not -SLOW_M_S < v < SLOW_M_S:
            return
        if track.unexplained_m == 0.0:
            self._places.compare(x, track.way.total_m)
            return
        if self._agreed < AGREEING_SLOW:
            return
        if self._places.known(x):
            self._regain(track.lead, PLACE_WORDS)
            return
        found = self._new_places.compare(x, track.way.total_m)
        if found is not None and found.off_m == 0.0:
            self._own += 1
            if self._own >= OWN_PLACES:
                self._places.restart()
                self._regain(track.lead, OWN_WORDS)

    def _reaches(self, one: tuple[int, float], t_ns: int, z: float) -> bool:
        return abs(z - one[1]) <= self._speed_m_s * (t_ns - one[0]) * 1e-9 + REACH_M

    def _regain(self, source: PositionSource, words: str) -> None:
        self._track.unexplained_m = 0.0
        self._before = None
        source.diagnosis = words
        self._said_ns = self._last[0]

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values."""
        saved: dict[str, Any] = {"places": self._places.state(self._track.way.total_m), "jumped": self._jumped}
        if self._before is not None:
            saved["before_ns"], saved["before_m"] = self._before
        return saved

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave.

        Raises:
            ValueError: it is not such a state.
        """
        if isinstance(places := saved.get("places"), Mapping):
            self._places.restore(places)
        self._jumped = saved.get("jumped") is True
        if "before_ns" in saved:
            self._before = (whole(saved, "before_ns"), number(saved, "before_m", -200.0, 200.0))
