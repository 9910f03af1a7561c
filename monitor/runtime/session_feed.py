"""Feeding a recorded session into a fresh core, from its start or from any moment of it.

From the start, the core gets every input. From a later moment, it first restores the recorder's last checkpoint before that
moment (references, alarms, shelves, brake health, sums: all that a restart would keep). Then it gets the inputs from there on,
for at least `SETTLE_S`, so that filters and conditions settle. Sessions without checkpoints, as older versions wrote them, are
fed from `WARM_UP_S` before the moment, after the last height reference of the crew.
"""

import contextlib
import json
from collections.abc import Iterator
from typing import Final, Literal

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import Checkpoint
from monitor.adapters.sessions.reader import SessionReader
from monitor.core.engine import Core
from monitor.model.reading import Sample
from monitor.model.stream import CARRIED_TOPIC, Action, ActionKind, Frame

SETTLE_S: Final = 15.0
WARM_UP_S: Final = 60.0
SETTLE_READINGS: Final = 12
"""The least number of readings of the quickest sensor."""
_DATUM: Final = (ActionKind.REFERENCE_HEIGHT, ActionKind.SLIP_AND_CUT)


def begin(
    core: Core,
    session: SessionReader | SessionChain,
    from_ns: int | None = None,
    settle_s: float = SETTLE_S,
    damaged: Literal["raise", "skip"] = "raise",
) -> Iterator[Frame | Sample | Action]:
    """Bring a fresh `core` to what it knew at least `settle_s` before `from_ns` (the session's start when None), and return
    the inputs to feed it from there on. `damaged` as in `SessionReader.inputs`. See the top of this file."""
    place_ns, kept = bring(core, session, from_ns, settle_s, damaged)
    return session.readings(core.decoder, place_ns, damaged, kept)


def bring(
    core: Core,
    session: SessionReader | SessionChain,
    from_ns: int | None = None,
    settle_s: float = SETTLE_S,
    damaged: Literal["raise", "skip"] = "raise",
) -> tuple[int | None, Checkpoint | None]:
    """The first half of `begin`: `from_ns` and `after` of the inputs to feed, for `SessionReader.inputs`."""
    start_ns = session.t_first_ns
    settle_s = settling_s(session, settle_s)
    if from_ns is None or from_ns <= start_ns:
        # A later hour alone begins with what the hours before it had left; any other session begins where it began.
        later = session.header.get("segment", 1) != 1
        kept = session.checkpoint_before(start_ns + 1_000_000_000) if later else None
        from_ns = None
    else:
        kept = session.checkpoint_before(from_ns - round(settle_s * 1e9))
        from_ns -= round(max(WARM_UP_S, settle_s) * 1e9)
    if kept is not None:
        with contextlib.suppress(ValueError):  # of a version that this one does not know
            core.restore(kept.state, kept.t_ns, same_run=True)
            return None, kept
    if from_ns is not None:
        _take_datum(core, session, from_ns, damaged)
    return from_ns, None


def settling_s(session: SessionReader | SessionChain, settle_s: float) -> float:
    """`settle_s`, or longer: where readings come seconds apart, filters and conditions settle by their number, not by the time.
    0 stays 0."""
    if settle_s <= 0.0:
        return settle_s
    return max(settle_s, SETTLE_READINGS / max(sensor.rate_hz for sensor in session.rig.sensors))


def _take_datum(
    core: Core, session: SessionReader | SessionChain, from_ns: int, damaged: Literal["raise", "skip"]
) -> None:
    """Give `core` the height reference of a session without checkpoints: feed it the last cut and the heights that the crew set
    after it, and move its state to `from_ns`. Without that, heights would be by the rig's file, as if nothing had been cut."""
    datums = [found for found in session.findings() if found.key in _DATUM and found.t_ns < from_ns]
    cuts = [place for place, found in enumerate(datums) if found.key == ActionKind.SLIP_AND_CUT]
    given_ns = [found.t_ns for found in datums[cuts[-1] if cuts else -1 :]]
    if not given_ns:
        return
    for item in session.readings(core.decoder, given_ns[0] - round(WARM_UP_S * 1e9), damaged):
        if item.t_ns >= min(from_ns, given_ns[-1] + round(SETTLE_S * 1e9)):
            break
        core.feed(item)
    if core.now_ns:
        state = json.dumps(core.state(), allow_nan=False).encode()
        core.feed(Frame(from_ns, CARRIED_TOPIC, state))
