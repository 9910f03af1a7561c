"""What is written while the power may go, and how each disk that a cut leaves is judged.

A case writes below a folder on a `PowerDisk` and says what is promised as it goes; its judge takes the folder as a cut
left it, and what had been promised by then, and raises AssertionError where that is not kept. Used by a short test and by
``python -m tests.benchmarks power_figures``.
"""

import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.host.output_file import write_whole
from monitor.adapters.ledger.ledger import Ledger
from monitor.adapters.sessions.catalogue import copy_session, verify_session
from monitor.adapters.sessions.folder import DataFolder, session_files
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.segments import Retention, SegmentedRecorder
from monitor.adapters.sessions.whole import whole_session
from monitor.adapters.tables.table_file import Column, TableFile
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from monitor.runtime.assembly import header_of
from tests.adapters.sessions.streams import START_NS, rig_stream
from tests.support.power import PowerDisk
from tests.support.recorded import rules

RIG: Final = "land"
HEADER: Final = header_of(find_rig(RIG), rules(), "LIVE", START_NS)
SECONDS: Final = 6.0
SEGMENT_NS: Final = 2_000_000_000
FRAMES: Final = tuple(rig_stream(SECONDS))
STEP: Final = 60
"""Frames between two promises of the recorder."""
KEEP: Final = Retention(None, None, None)
OLD, NEW = "old " * 3_000, "new " * 5_000
ROWS: Final = 2_000


def frames_of(path: Path) -> list[Frame]:
    """The frames of a session; none where it holds none yet."""
    try:
        with SessionReader(path) as session:
            return [item for item in session.inputs() if isinstance(item, Frame)]
    except SessionError:
        return []


def record(folder: Path, disk: PowerDisk) -> None:
    """Segments of two seconds."""
    with DataFolder(folder) as held, SegmentedRecorder(held, RIG, HEADER, START_NS, KEEP, SEGMENT_NS) as recorder:
        for count, frame in enumerate(FRAMES, 1):
            recorder.frame(frame)
            if count % STEP == 0:
                assert recorder.flush()
                disk.promise(count)
    disk.promise(len(FRAMES))


def recorded(folder: Path, promised: list[int]) -> None:
    """All that was on the disk is there, in order and once; the next start sees it and records beside it."""
    before = list(session_files(folder))
    kept = [frame for path in before for frame in frames_of(path)]
    assert kept == list(FRAMES[: len(kept)]), "a frame is missing or doubled"
    assert len(kept) >= max(promised, default=0), f"{max(promised) - len(kept)} frames lost"
    more = FRAMES[:20]
    later_ns = START_NS + 60_000_000_000
    with DataFolder(folder) as held, SegmentedRecorder(held, RIG, HEADER, later_ns, KEEP, SEGMENT_NS) as recorder:
        assert bool(recorder.session_before) == bool(before), "the next start does not see the run before"
        for frame in more:
            recorder.frame(frame._replace(t_ns=frame.t_ns + 60_000_000_000))
        assert recorder.flush()
        new = recorder.path
    for path in before:
        if frames_of(path):
            assert not verify_session(path), "a session is unsound"
    assert len(frames_of(new)) == len(more), "the next start does not record"
    assert not before or frames_of(before[0]) == list(FRAMES[: len(frames_of(before[0]))]), "an old session has changed"


def keep_ledger(folder: Path, disk: PowerDisk) -> None:
    """Entries one by one and together."""
    with Ledger(folder / "test.ledger") as ledger:
        for count in range(1, 16):
            ledger.add("note", count, count, text="x" * 300)
            disk.promise(count)
        with ledger.together():
            for count in range(16, 21):
                ledger.add("note", count, count, text="x" * 300)
        disk.promise(20)


def ledger_kept(folder: Path, promised: list[int]) -> None:
    """Every entry is there once and sealed, those written together all or none, and the ledger takes more."""
    with Ledger(folder / "test.ledger") as ledger:
        times = [entry.t_ns for entry in ledger.entries()]
        assert times == list(range(1, len(times) + 1)), "an entry is missing or doubled"
        assert max(promised, default=0) <= len(times), "an entry is lost"
        assert len(times) not in range(16, 20), "half of what belongs together"
        ledger.add("note", 99, 99)
        assert not ledger.verify(), "the ledger is unsound"


def write_files(folder: Path, disk: PowerDisk) -> None:
    """An import, a copy of it, a table, and a page written anew."""
    session = folder / "import.stopmark"
    with whole_session(session, HEADER) as recorder:
        for frame in FRAMES:
            recorder.frame(frame)
    disk.promise(session.name)
    copy_session(session, folder / "copy.stopmark")
    disk.promise("copy.stopmark")
    with TableFile(folder / "table.csv", [Column("n", "whole")]) as table:
        table.write([list(range(ROWS))])
    disk.promise("table.csv")
    write_whole(folder / "page.html", OLD)
    disk.promise("page.html")
    write_whole(folder / "page.html", NEW)
    disk.promise("new page")


def files_whole(folder: Path, promised: list[str]) -> None:
    """What has a final name is whole; what was said to be written is there."""
    names = {path.name for path in folder.iterdir()}
    for name in {"import.stopmark", "copy.stopmark"} & names:
        assert not verify_session(folder / name), f"{name} is unsound"
        assert frames_of(folder / name) == list(FRAMES), f"half of {name}"
    if "table.csv" in names:
        assert len((folder / "table.csv").read_text().splitlines()) == ROWS + 1, "half a table"
    if "page.html" in names:
        assert (folder / "page.html").read_text() in ((NEW,) if "new page" in promised else (OLD, NEW)), "half a page"
    assert names >= set(promised) - {"new page"}, "a file that was written is gone"


@dataclass(frozen=True, slots=True)
class Case:
    """What is written, and how what is left is judged."""

    write: Callable[[Path, PowerDisk], None]
    judge: Callable[[Path, list], None]  # type: ignore[type-arg]


CASES: Final = {
    "sessions": Case(record, recorded),
    "ledger": Case(keep_ledger, ledger_kept),
    "files": Case(write_files, files_whole),
}


def written(case: Case, folder: Path) -> PowerDisk:
    """The disk that saw `case` being written below `folder`."""
    folder.mkdir()
    with PowerDisk(folder) as disk:
        case.write(folder, disk)
    return disk


def faults(case: Case, disk: PowerDisk, folder: Path, seeds: range) -> Iterator[str]:
    """What was not kept after a cut at a random moment, for each of `seeds` at which something was not."""
    for seed in seeds:
        draw = random.Random(seed)
        cut = draw.randint(0, len(disk.steps))
        left = folder / f"left-{seed}"
        left.mkdir()
        disk.after_cut(cut, draw, left)
        try:
            case.judge(left, disk.promised(cut))
        except (AssertionError, SessionError) as error:
            yield f"seed {seed}, cut at {cut} of {len(disk.steps)}: {error}"
        shutil.rmtree(left)
