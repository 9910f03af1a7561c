"""What is wrong with a session, as far as its tables tell without unpacking: missing blocks, times that cannot be.

The same for whoever reads it: `sessions verify` lists it, replay, report and export say it, and a hole is a gap of the record.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from monitor.adapters.sessions.blocks import open_block
from monitor.adapters.sessions.reader import LONGEST_JUMP_NS, BlockInfo, SessionReader

LAST_NS: Final = 4_102_444_800_000_000_000
"""The year 2100: no session of this program comes from later."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong. Where frames are missing, from the last before to the first after them."""

    words: str
    from_ns: int
    to_ns: int
    missing: int = 0
    """Frames that were counted when it was recorded, and are not there."""


def faults_of(session: SessionReader) -> Iterator[Fault]:
    """What the rows beside the blocks say, in order."""
    frames = 0
    before_ns: int | None = None
    for block in session.blocks():
        at_ns = block.t_first_ns if before_ns is None else before_ns
        if block.first_frame != frames:
            missing = max(0, block.first_frame - frames)
            words = f"block {block.id} starts at frame {block.first_frame}, after {frames} frames"
            if missing:
                words += f": {missing} frames are missing"
            yield Fault(words, at_ns, max(at_ns, block.t_first_ns) if possible(block, before_ns) else at_ns, missing)
        frames = block.first_frame + block.frames
        if not block.t_first_ns <= block.t_last_ns <= block.advanced_ns:
            yield Fault(f"block {block.id}: its times are not in order", at_ns, at_ns)
        elif before_ns is not None and block.frames and block.t_first_ns < before_ns:
            yield Fault(f"block {block.id}: its time falls behind that of the block before", before_ns, before_ns)
        if not possible(block, before_ns):
            yield Fault(f"block {block.id}: its times cannot be those of this session", at_ns, at_ns)
        elif block.frames:
            before_ns = max(at_ns, block.t_last_ns)


def possible(block: BlockInfo, before_ns: int | None) -> bool:
    """Whether the times beside a block can be true, after inputs that ended at `before_ns` (None: there were none)."""
    times = (block.t_first_ns, block.t_last_ns, block.advanced_ns)
    start_ns = min(times) if before_ns is None else before_ns
    return min(times) >= 0 and max(times) < LAST_NS and max(times) - start_ns <= LONGEST_JUMP_NS


def wrong_rows(session: SessionReader) -> Iterator[str]:
    """Where the times beside a block are not those in it. Unpacks every block; those that cannot be are left to others."""
    rows = {block.id: block for block in session.blocks()}
    for number, data in session.packed():
        try:
            block = open_block(data, session.dictionary)
        except ValueError:
            continue
        last_ns = block.first_ns + block.unit_ns * sum(block.steps.numbers())
        row = rows[number]
        if (row.t_first_ns, row.t_last_ns) != (block.first_ns, last_ns):
            yield f"block {number}: the times beside it are not those of the frames in it"
