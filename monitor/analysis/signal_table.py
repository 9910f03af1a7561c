"""The derived signals of recorded sessions as a table: a row per step, a column per signal, in SI."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from itertools import takewhile
from pathlib import Path

from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.tables.export import SI_UNITS, SILENT_NS, ExportResult, RowBuffer, Steps, readings_of, rig_of
from monitor.adapters.tables.table_file import Column, ExportError, TableFile
from monitor.config.rule import RuleSet
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES, SIGNALS
from monitor.model.progress import OnProgress, nobody
from monitor.model.reading import Sample, Validity
from monitor.model.stream import GRID_NS, SECOND_NS, Action, Frame
from monitor.runtime.assembly import core_of, law_of
from monitor.runtime.session_feed import WARM_UP_S, begin, settling_s


def export_signals(
    sessions: Sequence[Path],
    out: Path,
    every_ns: int = SECOND_NS,
    names: Sequence[str] = (),
    from_ns: int | None = None,
    to_ns: int | None = None,
    on_progress: OnProgress = nobody,
) -> ExportResult:
    """The derived signals at each multiple of `every_ns`; empty where a signal was not known. `names` picks some of them.

    A table from a later time on begins at the last checkpoint at least a minute before it, like a report (see
    `monitor.runtime.session_feed`), and takes time by its own length; sessions that keep none are replayed from their start.

    Raises:
        ExportError: the step is no multiple of 50 ms, an unknown signal, or the table cannot be written.
        SessionError: a session cannot be read.
    """
    if every_ns <= 0 or every_ns % GRID_NS:
        raise ExportError("the step must be a multiple of 50 ms: signals exist only there")
    unknown = [name for name in names if name not in SIGNAL_NAMES]
    if unknown:
        raise ExportError(f"unknown signal {unknown[0]!r}; known: {', '.join(SIGNAL_NAMES)}")
    picked = [index for index, name in enumerate(SIGNAL_NAMES) if not names or name in names]
    rig = rig_of(sessions)
    with SessionReader(sessions[0]) as session:
        header, rules, where = session.header, session.rules_text, str(session.path)
    columns = [Column("time", "time"), Column("hoist", "text")]
    columns += [Column(f"{SIGNALS[i].name} [{SI_UNITS[SIGNALS[i].dimension]}]", "number") for i in picked]

    def written(core: Core, quick_only: bool) -> ExportResult:
        with TableFile(out, columns) as table, ExitStack() as stack:
            rows = RowBuffer(table, len(columns))
            sampler = _Sampler(core, picked, rows, every_ns, from_ns)
            for item in _inputs(core, sessions, from_ns, to_ns, stack):
                sampler.sample_to(item.t_ns)
                if table.full:
                    break
                core.feed(item)
                if quick_only and core.thinned:
                    raise _SlowDataError
                on_progress(table.rows, item.t_ns)
            silences = sampler.steps.silences
            return rows.result({}, [(start, end) for start, end in silences if from_ns is None or end > from_ns])

    try:
        # No signal looks at a rule; but while data are slow, a rule that waits asks for a further grid point.
        return written(Core(rig, RuleSet(()), law=law_of(header)), True)
    except _SlowDataError:
        return written(core_of(rig, rules, where, header), False)


class _SlowDataError(Exception):
    """The grid is thinned (`monitor.core.pace`)."""


def _inputs(
    core: Core, sessions: Sequence[Path], from_ns: int | None, to_ns: int | None, stack: ExitStack
) -> Iterator[Frame | Sample | Action]:
    """What to feed to a fresh `core` for a table from `from_ns` to before `to_ns`; `stack` closes what is opened."""
    if from_ns is not None:
        chain = stack.enter_context(SessionChain(sessions))
        if chain.checkpoint_before(from_ns - round(settling_s(chain, WARM_UP_S) * 1e9)) is not None:
            return takewhile(lambda item: to_ns is None or item.t_ns < to_ns, begin(core, chain, from_ns, WARM_UP_S))
    return readings_of(sessions, core.decoder, to_ns)


class _Sampler:
    """Writes the signals of `core` at every step, from `from_ns` on, and leaves long silences out."""

    def __init__(self, core: Core, picked: Sequence[int], rows: RowBuffer, every_ns: int, from_ns: int | None) -> None:
        self._core = core
        self._picked = picked
        self._rows = rows
        self._every_ns = every_ns
        self._from_ns = from_ns
        self.steps = Steps(every_ns)
        self._due_ns: int | None = None
        self._heard_ns = 0

    def sample_to(self, t_ns: int) -> None:
        """Every row that is due by `t_ns`, the time of an input that the core is about to take."""
        if self._due_ns is None:
            self._due_ns, self._heard_ns = self.steps.from_on(t_ns), t_ns
        silent = t_ns - self._heard_ns > SILENT_NS
        until_ns = self._heard_ns + SILENT_NS if silent else t_ns
        while self._due_ns <= until_ns:
            self._core.look(self._due_ns)
            if self._from_ns is None or self._due_ns >= self._from_ns:
                self._row(self._due_ns)
            self._due_ns += self._every_ns
        if silent:
            self._due_ns = self.steps.skip(self._due_ns, t_ns)
        self._heard_ns = t_ns

    def _row(self, t_ns: int) -> None:
        values = self._core.values
        numbers = [values[i][0] if values[i][1] <= Validity.DEGRADED else None for i in self._picked]
        self._rows.add(t_ns, self._core.hoist.value, *numbers)
