"""The core: frames and actions in, findings and snapshots out. No clock, no I/O.

Theory of operation
    Stream time is whatever the frames and `advance` say it is. Conditions are evaluated at the grid points, multiples of
    50 ms of stream time, and at grid point g they see only what came before g: `ingest` first runs every grid point up
    to its frame's time, so a live timer that calls `advance` earlier changes nothing but how soon a finding is out.
    `admit` gives each input its final time, never before the time already advanced to; that time is what gets recorded.
    Hence live, replay and simulation agree finding for finding, and tests prove it with random delays and timers.
    While every sensor is slow, only some grid points are evaluated; which ones depends on the inputs alone
    (`monitor.core.pace`).

    A frame of `CARRIED_TOPIC` begins a new run: the core forgets everything, and restores the state of the run
    before. As it is a recorded input, a restart replays as it was.

    At each grid point: estimate → hoist state → evaluation, which makes the `GridPoint` → guided checks → signals → every
    rule. What comes back: a string set in slips and the acceleration that the brakes show go into the next estimate, and an
    overtravel test that ends is no longer due. A grid point never changes, so signals that no rule looks at are read only
    when they are asked for.
"""

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from types import MappingProxyType
from typing import Any, Final, overload

from monitor.config.optional_tables import STOPPING
from monitor.config.rig import Rig
from monitor.config.rule import RuleSet
from monitor.core.alarms.bank import AlarmBank
from monitor.core.alarms.crew_actions import ASIDE_NOW
from monitor.core.checks.guided_checks import Checks
from monitor.core.estimator.estimator import Estimator
from monitor.core.height_actions import bound_height, doubt_height, reference, said, slip_and_cut
from monitor.core.hoist.state import HoistTracker
from monitor.core.instruments import Instruments
from monitor.core.own_health import read_health
from monitor.core.pace import PRESENT, GridLaw, Pace
from monitor.core.restore import Part, read_state, restore_parts, words_of_resumed_run
from monitor.core.saved_state import FORMAT, part, whole
from monitor.core.sensors.decoder import Decoder
from monitor.core.sensors.register import SensorRegister
from monitor.core.signals.evaluation import Evaluation
from monitor.core.signals.grid_point import GridPoint
from monitor.core.signals.reader import SignalReader
from monitor.core.signals.table import SIGNAL_NAMES, SIGNALS
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import ABSENT_FLAG, Reject, RejectReason, Sample, Validity, Value
from monitor.model.snapshot import HoistState, Snapshot, StopMarks
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, HEALTH_TOPIC, Action, ActionKind, Frame
from monitor.text import printable

Observer = Callable[[int, HoistState, Sequence[float], Sequence[int]], None]
"""Called at each grid point: its time, the hoist state, number and validity of every signal in the order of SIGNALS. The
sequences are the core's own: copy what is to be kept, change nothing."""
_NO_MARKS: Final = StopMarks(math.nan, math.nan, math.nan, False)
_NOT_FITTED_MARKS: Final = StopMarks(math.nan, math.nan, math.nan, True)


class Core:
    """The pure core of the monitor, for one rig and one set of rules."""

    def __init__(self, rig: Rig, rules: RuleSet, aside: int = ASIDE_NOW, law: GridLaw | None = PRESENT) -> None:
        """`aside`: version of what the crew may set aside (see `monitor.core.alarms.crew_actions`). `law` thins the grid while
        data are slow; None evaluates every grid point."""
        self.rig = rig
        self._aside = aside
        self._law = law
        self.now_ns = 0
        self.observer: Observer | None = None
        """For reports and exports, which want every grid point. Gets all signals, or those that `observe` named."""
        self._observed: SignalReader | None = None
        self._rules = rules
        self._watched = SignalReader(rig, rules.signals)
        self._unwatched = SignalReader(rig, set(SIGNAL_NAMES) - rules.signals)
        self._fused = [sensor.role in ("position", "mark") for sensor in rig.sensors]
        self._reset()

    def _reset(self) -> None:
        """The start of a run: nothing is known."""
        rig = self.rig
        self.decoder = Decoder(rig)
        """Makes readings of frames. Who has the fields of a plain frame apart may ask it, and let the core `take` the reading."""
        self._sensors = SensorRegister(rig)
        self._estimator = Estimator(rig)
        self._tracker = HoistTracker(rig)
        self._evaluation = Evaluation(rig, self._sensors)
        self._instruments = Instruments(self._sensors, self._fused)
        self._point: GridPoint | None = None
        """The last grid point; None before the first."""
        self._bank = AlarmBank(self._rules, self._watched.names, self._aside)
        self._checks = Checks(rig)
        self._numbers: list[float] = [math.nan] * len(SIGNALS)
        self._validities: list[int] = [int(Validity.INVALID)] * len(SIGNALS)
        self._next_grid = 0
        self._pace = None if self._law is None else Pace(rig, self._law)
        self._thinned = False  # whether `_next_grid` was set by the law for slow data
        self._connected_once = False
        self._watched_values: tuple[list[float], list[int]] = ([], [])
        """Numbers and validities of the signals that rules look at."""
        self._all_read = True
        """Whether the signals that no rule looks at are those of the last grid point."""
        self._action_handlers: Mapping[str, Callable[[Action], list[Finding]]] = {
            ActionKind.REFERENCE_HEIGHT: lambda action: reference(
                action, self.rig, self._estimator, self._evaluation, self._checks
            ),
            ActionKind.SLIP_AND_CUT: lambda action: slip_and_cut(
                action, self.rig, self._estimator, self._evaluation, self._checks
            ),
            ActionKind.DOUBT_HEIGHT: lambda action: doubt_height(action, self._estimator),
            ActionKind.BOUND_HEIGHT: lambda action: bound_height(action, self._estimator, self._evaluation),
            ActionKind.NOTE: lambda action: [said(action, printable(action.text, 400))],
            ActionKind.HAND_OVER: lambda action: [said(action, printable(action.text, 400))],
            ActionKind.CHECK_START: lambda action: self._checks.start(action.t_ns, action.target, action.who),
            ActionKind.CHECK_STEP: lambda action: self._checks.step(action.t_ns, action.target, action.who),
            ActionKind.CHECK_ABORT: lambda action: self._checks.abort(action.t_ns, action.target, action.who),
        }
        """Who takes an action of the crew; all others are the alarms'."""

    # --- inputs -----------------------------------------------------------------------------------------------------

    @overload
    def admit(self, item: Frame) -> Frame: ...
    @overload
    def admit(self, item: Action) -> Action: ...
    @overload
    def admit(self, item: Sample) -> Sample: ...
    def admit(self, item: Frame | Sample | Action) -> Frame | Sample | Action:
        """The same input with the time at which it counts: its arrival, but never before the time advanced to."""
        return item if item.t_ns >= self.now_ns else item.moved_to(self.now_ns)

    def feed(self, item: Frame | Sample | Action) -> list[Finding]:
        """Admit one input of any kind and take it: `admit`, then `ingest`, `take` or `act`. The findings that it made due."""
        if isinstance(item, Sample):
            return self.take(self.admit(item))
        if isinstance(item, Frame):
            return self.ingest(self.admit(item))
        return self.act(self.admit(item))

    def ingest(self, frame: Frame) -> list[Finding]:
        """Take one admitted frame; the findings of the grid points that it made due, and of what it tells of the sources.
        Raises ValueError: it was not admitted (its time lies before the time advanced to)."""
        if frame.topic == CARRIED_TOPIC:
            return self._resume_run(frame)
        t_ns = frame.t_ns
        findings = self._run_to(t_ns)
        if frame.topic == HEALTH_TOPIC:
            self._take_health(frame)
            self._choose_grid(t_ns)
            return findings
        for item in self.decoder.decode(frame):
            if isinstance(item, Reject):
                self._sensors.refuse(item)
            else:
                self.take(item)
        if self.decoder.news:
            findings += self._instruments.source_news(self.decoder.news, t_ns)
        if self._thinned or (self._pace is not None and self._pace.slow):
            self._choose_grid(t_ns)
        return findings

    def take(self, sample: Sample) -> list[Finding]:
        """Take one admitted reading, of a frame that was decoded already: the record of its sensor first, then the estimator."""
        t_ns, place = sample.t_ns, sample.sensor
        findings = self._run_to(t_ns)
        reason = self._sensors.records[place].accept(sample)
        if reason is None:
            if self._pace is not None:
                self._pace.reading(place, t_ns)
            if self._estimator.uses[place]:
                reason = self._estimator.ingest(sample)
        if reason is not None:
            self._sensors.refuse(Reject(t_ns, place, reason))
        if self._thinned or (self._pace is not None and self._pace.slow):
            self._choose_grid(t_ns)
        return findings

    def act(self, action: Action) -> list[Finding]:
        """Take one admitted action of the crew."""
        findings = self._run_to(action.t_ns)
        findings += self._action_handlers.get(action.kind, self._bank.act)(action)
        self._choose_grid(action.t_ns)
        return findings

    def advance(self, now_ns: int) -> list[Finding]:
        """Let stream time pass up to `now_ns`; the findings of the grid points on the way. The past is ignored."""
        # Before the first input there is no stream: the time at which it starts must be the same when replayed.
        return self._run_to(now_ns) if now_ns > self.now_ns > 0 else []

    def look(self, grid_ns: int) -> None:
        """Advance to a point of the grid and evaluate that one, too, where the grid is thinned: `values` are then those of that
        time, not of the last reading. For tables; what is said there is said to nobody, so a run that is recorded never looks."""
        self.advance(grid_ns)
        if self._thinned and self._point is not None and self._point.t_ns < grid_ns:
            self._evaluate(grid_ns, [])

    def observe(self, observer: Observer, names: Collection[str]) -> tuple[str, ...]:
        """Call `observer` at each grid point with these signals alone; their names in the order in which they come."""
        self.observer = observer
        self._observed = SignalReader(self.rig, names)
        return self._observed.names

    # --- output -----------------------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """All that a screen may show, as of the last grid point. Changes nothing."""
        self._read_all()
        t_ns = self.now_ns
        values = {
            name: Value(number, Validity(validity))
            for name, number, validity in zip(SIGNAL_NAMES, self._numbers, self._validities, strict=True)
        }
        return Snapshot(
            t_ns=t_ns,
            rig=self.rig.name,
            hoist=self._tracker.state,
            values=MappingProxyType(values),
            marks=self._marks(),
            limits=self._evaluation.calculator.limits,
            alarms=self._bank.views(),
            blind_rules=self._bank.blind_rules,
            sensors=self._instruments.views(t_ns, self._estimator),
            rejects=MappingProxyType(dict(self._sensors.reasons)),
            health=self._evaluation.health,
            silenced=self._bank.silenced,
            checks=self._checks.views(),
            left_out=self._rules.left_out,
        )

    def _marks(self) -> StopMarks:
        """The stop marks at the last grid point, as far as this rig can have any."""
        known = _NO_MARKS if self._point is None else self._point.stop.result.marks
        return known if self.rig.has(*STOPPING) else _NOT_FITTED_MARKS

    @property
    def thinned(self) -> bool:
        """Whether every sensor is slow, so that only some grid points are evaluated (`monitor.core.pace`)."""
        return self._thinned

    @property
    def hoist(self) -> HoistState:
        """What the hoist was doing at the last grid point."""
        return self._tracker.state

    @property
    def values(self) -> Sequence[tuple[float, int]]:
        """(number, validity) of every signal at the last grid point, in the order of SIGNALS. For reports and trials."""
        self._read_all()
        return list(zip(self._numbers, self._validities, strict=True))

    def brake_number(self, name: str) -> tuple[float, int]:
        """(number, validity) of one of the brake watch's own figures that is no signal (see `BrakeHealth.number`).
        Raises KeyError: it has none of that name."""
        number = self._evaluation.brake_health.number(name)
        return number if self.rig.has(*STOPPING) else ABSENT_FLAG

    # --- across a restart ---------------------------------------------------------------------------------------------

    @property
    def can_checkpoint(self) -> bool:
        """Whether `state` holds everything worth keeping: a guided check that is running does not live on in it."""
        return not self._checks.running

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values. Changes nothing."""
        return {
            "format": FORMAT,
            "rig": self.rig.name,
            "t_ns": self.now_ns,
            "height": self._estimator.state(),
            "hoist": self._tracker.saved_state(),
            "alarms": self._bank.state(),
            "checks": self._checks.state(),
            "brake": self._evaluation.brake_health.state(),
            "line work": self._evaluation.line_work.state(),
            "verdicts": self._instruments.state(),
        } | self.decoder.state() | ({} if self._pace is None else {"pace": self._pace.state()})  # fmt: skip

    def restore(self, saved: Mapping[str, Any], t_ns: int, same_run: bool = False) -> list[str]:
        """Continue at `t_ns` from what `state` gave; for a fresh core, before its first input.

        `same_run` says that the state is of this very run (a replay that seeks), not of one before.
        Each part stands alone: one that cannot be restored starts again. Returns these, in words.

        Raises:
            ValueError: it is no state of this rig at all; nothing is restored then.
        """
        if saved.get("format") != FORMAT or saved.get("rig") != self.rig.name:
            raise ValueError("it is of another rig, or of another version of Stopmark")
        gap_s = max(0, t_ns - whole(saved, "t_ns")) * 1e-9
        evaluation = self._evaluation
        if self._pace is not None and "pace" in saved:  # states of older versions have none
            with suppress(ValueError):
                self._pace.restore(part(saved, "pace"), same_run)
        if same_run:  # between two runs a node may have been born again: no birth is taken over from the run before
            self.decoder.restore(saved)
            self._instruments.source_news(self.decoder.news, t_ns)
        failed = restore_parts(
            saved,
            {
                "height": Part(lambda part: self._estimator.restore(part, gap_s), self._new_estimator),
                "hoist": Part(self._tracker.restore),
                "alarms": Part(self._bank.restore),
                "checks": Part(self._checks.restore),
                "brake": Part(lambda part: evaluation.brake_health.restore(part, t_ns)),
                "line work": Part(lambda part: evaluation.line_work.restore(part, same_run)),
            },
        )
        self._estimator.direction = self._tracker.direction
        self._instruments.restore(saved.get("verdicts"))
        return failed

    def _new_estimator(self) -> None:
        """The height is not known."""
        self._estimator = Estimator(self.rig)

    def _resume_run(self, frame: Frame) -> list[Finding]:
        """A run begins, from the state of the run before."""
        t_ns, words, after = frame.t_ns, "", "carried"
        self._reset()
        try:
            saved = read_state(frame.payload)
            if saved:
                words = words_of_resumed_run(saved, t_ns, self.restore(saved, t_ns))
        except ValueError as error:
            self._reset()
            after = "anew"
            words = f"began anew: what the run before left cannot be used ({printable(str(error), 120)})"
        findings = self._run_to(t_ns)
        self._choose_grid(t_ns)
        if words:
            findings.insert(0, Finding(t_ns, "health", "carried", Severity.NOTICE, "", after, words))
        return findings

    # --- the grid ---------------------------------------------------------------------------------------------------

    def _run_to(self, t_ns: int) -> list[Finding]:
        """Run every grid point up to `t_ns`; their findings."""
        if self.now_ns <= t_ns < self._next_grid:  # none is due
            self.now_ns = t_ns
            return []
        if t_ns < self.now_ns:
            raise ValueError(f"input at {t_ns} ns lies before {self.now_ns} ns, the time advanced to: admit it first")
        if self._next_grid == 0:
            self._sensors.start(t_ns)
            self._next_grid = -(-t_ns // GRID_NS) * GRID_NS
        findings: list[Finding] = []
        while self._next_grid <= t_ns:
            self._evaluate(self._next_grid, findings)
            if self._thinned and self._pace is not None:
                waiting = self._tracker.waiting or self._bank.waiting
                self._next_grid = self._pace.after_point(self._next_grid, waiting)
            else:
                self._next_grid += GRID_NS
        self.now_ns = t_ns
        return findings

    def _choose_grid(self, t_ns: int) -> None:
        """After an input at `t_ns`: the next grid point, by which of the grids now holds. A guided check has the full one."""
        pace = self._pace
        if pace is None:
            return
        if pace.slow and not self._checks.running:
            self._thinned = True
            self._next_grid = pace.after_input(t_ns)
        elif self._thinned:
            self._thinned = False
            self._next_grid = (t_ns // GRID_NS + 1) * GRID_NS

    def _evaluate(self, g: int, findings: list[Finding]) -> None:
        """One grid point, in the one order: sensors, estimate, hoist state, evaluation, guided checks, signals, rules."""
        sensors, estimator, tracker = self._sensors, self._estimator, self._tracker
        evaluation, checks, instruments = self._evaluation, self._checks, self._instruments
        sensors.update(g, self._thinned)
        estimator.trust_load(g, sensors.load_known, sensors.load_stepped)
        estimate = estimator.estimate(g)
        set_downs = tracker.set_downs
        hoist = tracker.update(g, estimate, evaluation.hook_load(tracker.direction))
        estimator.direction = tracker.direction
        if tracker.set_downs > set_downs:
            estimator.set_down(g)
        if tracker.changed_hands:
            estimator.connection(g)
        due = checks.overtravel_due(g)
        dropped = instruments.recent_drops(g, evaluation.health.dropped + sensors.missing + self.decoder.missing)
        loss = tracker.loss
        point = evaluation.run(
            g,
            estimate,
            hoist,
            tracker.direction,
            tracker.string_load_n,
            dropped,
            due,
            loss.flag,
            loss.slack,
            self._thinned,
        )
        estimator.add_known_acceleration(point.brakes.known_acceleration_m_s2)
        findings += checks.evaluate(g, point)
        if checks.overtravel_due(g) is not due:
            # A test that ends here, or the stream that begins here, counts from this grid point on.
            point = point.with_overtravel_due(not due)
        self._point = point
        self._watched_values = seen = self._watched.read(point)
        self._all_read = False
        findings += instruments.changes(g, estimator)
        findings += self._bank.evaluate(g, *seen, hoist, instruments.flags, checks.expected)
        if self.observer is not None:
            if self._observed is None:
                self._read_all()
                self.observer(g, hoist, self._numbers, self._validities)
            else:
                self.observer(g, hoist, *self._observed.read(point))

    def _read_all(self) -> None:
        """Read the signals that no rule looks at, and put all in order, if that was not done since the last grid point."""
        point = self._point
        if self._all_read or point is None:
            return
        self._all_read = True
        numbers, validities = self._numbers, self._validities
        for reader, read in ((self._watched, self._watched_values), (self._unwatched, self._unwatched.read(point))):
            for place, number, validity in zip(reader.places, *read, strict=True):
                numbers[place] = number
                validities[place] = validity

    # --- small parts ------------------------------------------------------------------------------------------------

    def _take_health(self, frame: Frame) -> None:
        """The monitor's own state, as the runner reports it."""
        health = read_health(frame.payload)
        if health is None:  # only the runner writes it; a damaged session may hold anything
            self._sensors.refuse(Reject(frame.t_ns, None, RejectReason.NOT_JSON, HEALTH_TOPIC))
            return
        self.decoder.connection(health.connected)
        if health.connected and not self._connected_once:
            # No sensor is late before there was a connection; a missing connection has a rule of its own.
            self._connected_once = True
            self._sensors.start(frame.t_ns)
        self._evaluation.health = health
