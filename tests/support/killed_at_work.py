"""A process with everything at work that writes, killed at any moment, and a judge of what is left.

It records segments of a fifth of a second with retention at work, keeps the ledger, and in its main thread does one of `WORKS`
over and over: imports a log, writes a report, exports a table and copies a session. The recorder commits every 50 ms, so that
a kill is often in the middle. Each process goes on in the folder that the one before left, as after a restart.
"""

import contextlib
import multiprocessing
import os
import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import count, pairwise
from pathlib import Path
from typing import Any, Final

from monitor.adapters.host.output_file import write_whole
from monitor.adapters.ledger.ledger import Ledger
from monitor.adapters.ledger.writer import LedgerWriter
from monitor.adapters.sessions import recorder as recorder_module
from monitor.adapters.sessions.catalogue import copy_session, verify_session
from monitor.adapters.sessions.folder import DataFolder, session_files
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.segments import Retention, SegmentedRecorder, Usage
from monitor.adapters.tables.export import export_readings
from monitor.cli import main as stopmark
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from monitor.runtime.assembly import header_of
from tests.adapters.ledger.writer_child import note
from tests.support.broker import wait_until
from tests.support.recorded import rules
from tests.support.slow_data import MAP, Pull

RIG: Final = "land"
SEGMENT_NS: Final = 200_000_000
MOST_FILES: Final = 6
"""Sessions that retention leaves."""
PERIOD_S: Final = 0.05
PAGE: Final = "<html>" + "a row of the report\n" * 20_000 + "</html>"
MOST_SAID: Final = 6_000
"""Bytes that the longest-lived one has said: some 200 readings. By the clock a starved machine would kill all at their start."""


def usage(folder: Path) -> Usage:
    """A disk of which each session takes a hundredth."""
    return Usage(100, 100, sum(1 for _ in session_files(folder)))


# --- the process that is killed ---------------------------------------------------------------------------------------------


def imports(folder: Path, number: int) -> list[Path]:
    """The command itself."""
    out = folder / f"import-{number}.stopmark"
    words = ["import", str(folder / "log.csv"), "--map", str(folder / "map.toml"), "-o", str(out)]
    with open(os.devnull, "w", encoding="utf-8") as nowhere, contextlib.redirect_stdout(nowhere):
        assert stopmark(words) == 0
    return [out]


def reports(folder: Path, number: int) -> list[Path]:
    """As the command does it, once the page is made; every second one replaces the one before."""
    out = folder / f"report-{number // 2}.html"
    write_whole(out, PAGE)
    return [out]


def tables(folder: Path, number: int) -> list[Path]:
    """A table of a session, and a copy of it."""
    out = folder / f"table-{number}.csv"
    export_readings([folder / "whole.stopmark"], out)
    return [out, copy_session(folder / "whole.stopmark", folder / f"copy-{number}.stopmark")]


WORKS: Final[Mapping[str, Callable[[Path, int], list[Path]]]] = {"import": imports, "report": reports, "table": tables}


def at_work(folder: Path, data: Path, run: int, work: str) -> None:
    """Write until killed. Into ``said-RUN`` go lines: what was given and for how long it was not yet on the disk, what the ledger
    has written, and which files are done."""
    recorder_module.PERIOD_S = PERIOD_S  # type: ignore[misc]
    said = os.open(folder / f"said-{run}", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    now_ns = time.time_ns()
    header = header_of(find_rig(RIG), rules(), "LIVE", now_ns)
    kept = Retention(None, (MOST_FILES + 0.5) / 100, None)
    with DataFolder(data) as held:
        recorder = SegmentedRecorder(held, RIG, header, now_ns, kept, SEGMENT_NS, usage)
        ledger = LedgerWriter(data / f"{RIG}.ledger", recorder.note, now_ns)
        ledger.start(lambda: None)

        def stream() -> None:
            for number in count():
                t_ns = time.time_ns()
                recorder.frame(Frame(t_ns, f"rig/land/{number % 5}", b'{"run": %d, "n": %d}' % (run, number)))
                if number % 8 == 0:
                    action, finding = note(t_ns)
                    ledger.action(action)
                    ledger.finding(finding)
                given_s = time.monotonic()
                os.write(said, b"%d %.6f %.6f %d\n" % (number, given_s, recorder.behind_s, ledger.written))
                time.sleep(0.002)

        threading.Thread(target=stream, daemon=True).start()
        for number in count(run * 1000):
            for path in WORKS[work](folder, number):
                os.write(said, f"done {path.name}\n".encode())


# --- the judge --------------------------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What was found over many kills."""

    kills: int = 0
    frames: int = 0
    entries: int = 0
    files: int = 0
    lost_s: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


class Killer:
    """Kills such processes one after the other in `folder`."""

    def __init__(self, folder: Path, seed: int = 1) -> None:
        self.folder = folder
        self.tally = Tally()
        self._draw = random.Random(seed)
        self._server = multiprocessing.get_context("forkserver")
        self._server.set_forkserver_preload([__name__])
        self._log = Pull(seed=1, seconds=600.0).csv(folder / "log.csv", 10.0)
        (folder / "map.toml").write_text(MAP)
        assert imports(folder, 0)
        (folder / "import-0.stopmark").rename(folder / "whole.stopmark")
        export_readings([folder / "whole.stopmark"], folder / "whole.csv")
        self._whole = _inputs(folder / "whole.stopmark")
        self._table = (folder / "whole.csv").read_bytes()
        self._entered: set[int] = set()

    def kill(self, run: int) -> None:
        """One process, one kill, and what is left of it."""
        data = self.folder / f"data-{run // 10}"
        data.mkdir(exist_ok=True)
        said = self.folder / f"said-{run}"
        work = list(WORKS)[run % len(WORKS)]
        process = self._server.Process(target=at_work, args=(self.folder, data, run, work))
        process.start()
        enough = self._draw.randint(1, MOST_SAID)
        wait_until(lambda: said.exists() and said.stat().st_size >= enough, "the process writes")
        time.sleep(self._draw.uniform(0.0, 0.01))
        alive = process.is_alive()
        process.kill()
        process.join()
        assert alive, f"run {run} ended by itself"
        lines = said.read_text(encoding="ascii").split("\n")[:-1]
        self.tally.kills += 1
        for part in (self._recorded, self._ledger, self._files):
            try:
                part(data, run, lines)
            except (AssertionError, SessionError) as error:
                self.tally.faults.append(f"run {run} ({work}): {error}")
        said.unlink()

    def _recorded(self, data: Path, run: int, lines: list[str]) -> None:
        """In order and once, and no more missing than the recorder said."""
        given = [line.split() for line in lines if not line.startswith("done")]
        kept: list[int] = []
        for path in session_files(data):
            try:
                frames = [item for item in _inputs(path) if isinstance(item, Frame)]
            except SessionError:
                continue  # killed before anything was in it: if anything should be, it is missed below
            own = [
                int(frame.payload.split()[-1][:-1])
                for frame in frames
                if frame.payload.startswith(b'{"run": %d,' % run)
            ]
            if own:
                found = verify_session(path)
                assert not found, f"{path.name}: {found}"
            kept += own
        assert all(later == earlier + 1 for earlier, later in pairwise(kept)), "a frame is missing or doubled"
        self.tally.frames += len(kept)
        first_lost = kept[-1] + 1 if kept else 0
        if first_lost < len(given):
            lost_s = float(given[-1][1]) - float(given[first_lost][1])
            self.tally.lost_s.append(lost_s)
            assert lost_s <= float(given[-1][2]) + 0.01, f"{lost_s:.3f} s lost, said were {given[-1][2]} s"
        files = len(list(session_files(data)))
        assert files <= MOST_FILES + 12, f"{files} sessions: retention does not remove"

    def _ledger(self, data: Path, run: int, lines: list[str]) -> None:
        """What was written is there, once, with its seals, and so is what runs before had written."""
        path = data / f"{RIG}.ledger"
        written = max((int(line.split()[3]) for line in lines if not line.startswith("done")), default=0)
        with Ledger(path) as ledger:
            found = ledger.verify()
            assert not found, f"ledger: {found}"
            times = [entry.t_ns for entry in ledger.entries("note")]
            restarts = len(ledger.entries("restart"))
        if run % 10 == 0:
            self._entered = set()
        assert len(times) == len(set(times)), "an entry is doubled"
        assert self._entered <= set(times), "an entry of a run before is gone"
        new = len(set(times) - self._entered)
        assert new + restarts >= written, f"{written - new} entries lost"
        self.tally.entries += new
        self._entered = set(times)

    def _files(self, data: Path, run: int, lines: list[str]) -> None:
        """What has a final name is whole, what was done is there; parts have names that no command takes for results."""
        done = {line.split()[1] for line in lines if line.startswith("done")}
        there = {
            path.name: path
            for kind in ("import", "report", "table", "copy")
            for path in self.folder.glob(f"{kind}-*.*")
        }
        assert done <= set(there), f"gone: {done - set(there)}"
        for name, path in there.items():
            self.tally.files += 1
            if path.suffix == ".html":
                assert path.read_text(encoding="utf-8") == PAGE, f"{name} is half"
            elif path.suffix == ".csv":
                assert path.read_bytes() == self._table, f"{name} is half"
            elif path.suffix == ".stopmark":
                assert not verify_session(path), f"{name} is unsound"
                assert len(_inputs(path)) == len(self._whole), f"{name} is half"
        for path in self.folder.iterdir():
            if path.name.startswith(("import-", "report-", "table-", "copy-", ".")):
                path.unlink()


def _inputs(path: Path) -> list[Any]:
    with SessionReader(path) as session:
        return list(session.inputs())
