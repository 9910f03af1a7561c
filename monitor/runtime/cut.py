"""A piece of a recording as a session of its own, which replays: minute 02:10 to 02:25 for whoever should look at it.

The piece begins as a later hour of a run does: with a checkpoint of what the core knew, then the inputs. What is recorded as its
findings is what a core says that begins with this checkpoint: so the piece replays to the letter, and its findings are those of
the whole as a replay shows them that was moved to that place.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.folder import started_ns
from monitor.adapters.sessions.format import SUFFIX, SessionError
from monitor.adapters.sessions.remarks import add_remark
from monitor.adapters.sessions.whole import whole_session
from monitor.core.engine import Core
from monitor.model.progress import OnProgress, nobody
from monitor.model.stream import Action, Frame
from monitor.runtime.assembly import core_of
from monitor.runtime.runner import Runner
from monitor.runtime.session_feed import bring

_LONGEST_WAIT_NS: Final = 10_000_000_000
"""Stream time for which the beginning waits for a moment at which the core's state is complete."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What was written."""

    path: Path
    from_ns: int
    to_ns: int
    frames: int
    findings: int


def cut_out(chain: SessionChain, from_ns: int, to_ns: int, target: Path, on_progress: OnProgress = nobody) -> Piece:
    """Write what `chain` has from `from_ns` to `to_ns` to a new session at `target`, with its notes and remarks.

    Raises:
        SessionError: `target` exists or may not be called so, or there is nothing in that time.
    """
    if started_ns(target) is not None:
        raise SessionError(
            f"{target}: is a name as the monitor gives them, and the piece would count as a run of the rig; give another"
        )
    before = core_of(chain.rig, chain.rules_text, f"{chain.path}: rules", chain.header)
    place_ns, kept = bring(before, chain, from_ns)
    inputs = chain.inputs(place_ns, after=kept)
    first = _lead_up(before, inputs, from_ns)
    if first is None or first.t_ns > to_ns:
        raise SessionError(f"{chain.name}: has no readings in that time")
    state, at_ns = before.state(), before.now_ns
    core = core_of(chain.rig, chain.rules_text, f"{chain.path}: rules", chain.header)
    core.restore(state, at_ns, same_run=True)
    header = {**chain.header, "segment": 2, "piece": {"of": chain.path.name, "from": from_ns, "to": to_ns}}
    header.pop("dictionary", None)
    with whole_session(target, header) as recorder:
        recorder.checkpoint(at_ns, state)
        for note in chain.notes():
            if from_ns <= note.t_ns <= to_ns:
                recorder.note(note.t_ns, note.kind, note.text, note.number)
        runner = Runner(core, recorder)
        item: Frame | Action | None = first
        while item is not None and item.t_ns <= to_ns:
            if isinstance(item, Frame):
                runner.frame(item)
            else:
                runner.action(item)
            on_progress(runner.frames, item.t_ns)
            item = next(inputs, None)
        runner.advance(min(to_ns, chain.end_ns))
    for remark in chain.remarks():
        if from_ns <= remark.t_ns <= to_ns:
            add_remark(target, remark)
    return Piece(target, first.t_ns, core.now_ns, runner.frames, runner.findings)


def _lead_up(core: Core, inputs: Iterator[Frame | Action], from_ns: int) -> Frame | Action | None:
    """Feed what came before `from_ns`; the first input of the piece, at a moment when the core can keep its state."""
    for item in inputs:
        if item.t_ns >= from_ns and (core.can_checkpoint or item.t_ns > from_ns + _LONGEST_WAIT_NS):
            core.advance(item.t_ns - 1)
            return item
        core.feed(item)
    return None


def check_name(target: Path) -> None:
    """Look at the name before the work.

    Raises:
        SessionError: it does not end as sessions do.
    """
    if target.suffix != SUFFIX:
        raise SessionError(f"{target}: the name of a session must end in {SUFFIX}")
