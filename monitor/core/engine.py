"""The core: frames and actions in, findings and snapshots out. No clock, no I/O.

Theory of operation
    Stream time is whatever the frames and `advance` say it is. Conditions are evaluated at the grid points, multiples of
    50 ms of stream time, and at grid point g they see only what came before g: `ingest` first runs every grid point up
    to its frame's time, so a live timer that calls `advance` earlier changes nothing but how soon a finding is out.
    `admit` gives each input its final time, never before the time already advanced to; that time is what gets recorded.
    Hence live, replay and simulation agree finding for finding, and tests prove it with random delays and timers.

    A frame of `CARRIED_TOPIC` begins a new run: the core forgets everything, and takes up what the run before left
    behind. As it is a recorded input, a restart replays as it was.

    Over 450 lines, because it is the one place where everything meets and the order of things is fixed.

    At each grid point: estimate → hoist state → one look (`Now`) → guided checks → signals → every rule. Signals that no
    rule looks at are read when somebody asks for them, or before anything changes that they are made of.
"""

import json
import math
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final, TypeVar

from monitor.config.rig import Rig
from monitor.config.rule import RuleSet
from monitor.core.alarms.bank import AlarmBank
from monitor.core.checks.guided_checks import Checks
from monitor.core.estimator.estimator import Estimator
from monitor.core.hoist.state import HoistTracker
from monitor.core.saved_state import FORMAT, part, whole
from monitor.core.sensors.decoder import Decoder
from monitor.core.sensors.register import SensorRecord, SensorRegister
from monitor.core.signals.evaluation import Now
from monitor.core.signals.table import SIGNAL_NAMES, SIGNALS, SignalReader
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import Reject, RejectReason, Validity, Value
from monitor.model.snapshot import HoistState, SensorView, Snapshot, StopMarks
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, HEALTH_TOPIC, Action, ActionKind, Frame, Health
from monitor.text import printable

T = TypeVar("T", Frame, Action)
Observer = Callable[[int, HoistState, Sequence[float], Sequence[int]], None]
"""Told at each grid point: its time, the hoist state, number and validity of every signal in the order of SIGNALS. The
sequences are the core's own: copy what is to be kept, change nothing."""
_RECENT_NS: Final = 60_000_000_000
_NO_MARKS: Final = StopMarks(math.nan, math.nan, math.nan, False)
_YES: Final = (1.0, int(Validity.VALID))
_NO: Final = (0.0, int(Validity.VALID))
_ALL_WELL: Final = (_NO, _NO, _NO)
_VALIDITIES: Final = tuple(Validity)


class Core:
    """The monitor's pure heart for one rig and one set of rules."""

    def __init__(self, rig: Rig, rules: RuleSet) -> None:
        self.rig = rig
        self.now_ns = 0
        self.observer: Observer | None = None
        """For reports and exports, which want every grid point. Told of all signals, or of those that `observe` named."""
        self._observed: SignalReader | None = None
        self._rules = rules
        self._decoder = Decoder(rig)
        self._watched = SignalReader(rules.signals)
        self._unwatched = SignalReader(set(SIGNAL_NAMES) - rules.signals)
        self._fused = [sensor.spec.role in ("position", "mark") for sensor in rig.sensors]
        self._fused_places = [place for place, fused in enumerate(self._fused) if fused]
        self._all_well = (_ALL_WELL,) * len(rig.sensors)
        self._begin()

    def _begin(self) -> None:
        """Know nothing: the start of a run."""
        rig = self.rig
        self._sensors = SensorRegister(rig)
        self._estimator = Estimator(rig)
        self._tracker = HoistTracker(rig)
        self._now = Now(rig, self._sensors)
        self._bank = AlarmBank(self._rules, self._watched.names)
        self._checks = Checks(rig)
        self._numbers: list[float] = [math.nan] * len(SIGNALS)
        self._validities: list[int] = [int(Validity.INVALID)] * len(SIGNALS)
        self._next_grid = 0
        self._looked = False
        self._connected_once = False
        self._dropped: deque[tuple[int, int]] = deque()
        self._verdicts: list[str] = [""] * len(rig.sensors)
        self._judged = False
        """Whether any of them is not empty."""
        self._seen: tuple[list[float], list[int]] = ([], [])
        """Numbers and validities of the signals that rules look at."""
        self._all_read = True
        """Whether the signals that no rule looks at are those of the last grid point."""
        self._acts: Mapping[str, Callable[[Action], list[Finding]]] = {
            ActionKind.REFERENCE_HEIGHT: self._reference,
            ActionKind.SLIP_AND_CUT: self._slip_and_cut,
            ActionKind.NOTE: lambda action: [_said(action, printable(action.text, 400))],
            ActionKind.CHECK_START: lambda action: self._checks.start(action.t_ns, action.target, action.who),
            ActionKind.CHECK_STEP: lambda action: self._checks.step(action.t_ns, action.target, action.who),
            ActionKind.CHECK_ABORT: lambda action: self._checks.abort(action.t_ns, action.target, action.who),
        }
        """Who takes an action of the crew; all others are the alarms'."""

    # --- inputs -----------------------------------------------------------------------------------------------------

    def admit(self, item: T) -> T:
        """The same input with the time at which it counts: its arrival, but never before the time advanced to."""
        if item.t_ns >= self.now_ns:
            return item
        return item._replace(t_ns=self.now_ns) if isinstance(item, Frame) else replace(item, t_ns=self.now_ns)

    def feed(self, item: Frame | Action) -> list[Finding]:
        """Admit one input of either kind and take it: `admit`, then `ingest` or `act`. The findings that it made due."""
        if isinstance(item, Frame):
            return self.ingest(self.admit(item))
        return self.act(self.admit(item))

    def ingest(self, frame: Frame) -> list[Finding]:
        """Take one admitted frame; the findings of the grid points that it made due.

        Raises:
            ValueError: the frame was not admitted (its time lies before the time advanced to).
        """
        if frame.topic == CARRIED_TOPIC:
            return self._go_on(frame)
        t_ns = frame.t_ns
        if self.now_ns <= t_ns < self._next_grid:  # no grid point is due
            self.now_ns = t_ns
            findings = []
        else:
            findings = self._run_to(t_ns)
        if frame.topic == HEALTH_TOPIC:
            self._take_health(frame)
            return findings
        sensors = self._sensors
        for item in self._decoder.decode(frame):
            if isinstance(item, Reject):
                sensors.refuse(item)
                continue
            reason = sensors.records[item.sensor].accept(item)
            if reason is None:
                reason = self._estimator.ingest(item)
            if reason is not None:
                sensors.refuse(Reject(item.t_ns, item.sensor, reason))
        return findings

    def act(self, action: Action) -> list[Finding]:
        """Take one admitted action of the crew."""
        findings = self._run_to(action.t_ns)
        self._read_all()
        take = self._acts.get(action.kind, self._bank.act)
        return findings + take(action)

    def advance(self, now_ns: int) -> list[Finding]:
        """Let stream time pass up to `now_ns`; the findings of the grid points on the way. The past is ignored."""
        # Before the first input there is no stream: the time at which it starts must be the same when replayed.
        return self._run_to(now_ns) if now_ns > self.now_ns > 0 else []

    def observe(self, observer: Observer, names: Collection[str]) -> tuple[str, ...]:
        """Have `observer` told at each grid point of these signals alone; their names in the order in which they come."""
        self.observer = observer
        self._observed = SignalReader(names)
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
        views = tuple(self._sensor_view(index, record, t_ns) for index, record in enumerate(self._sensors.records))
        return Snapshot(
            t_ns=t_ns,
            rig=self.rig.name,
            hoist=self._tracker.state,
            values=MappingProxyType(values),
            marks=self._now.stop.marks if self._looked else _NO_MARKS,
            limits=self._now.calculator.limits,
            alarms=self._bank.views(),
            blind_rules=self._bank.blind_rules,
            sensors=views,
            rejects=MappingProxyType(dict(self._sensors.reasons)),
            health=self._now.health,
            silenced=self._bank.silenced,
            checks=self._checks.views(),
        )

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

        Raises:
            KeyError: it has none of that name.
        """
        return self._now.brake_health.number(name)

    # --- across a restart ---------------------------------------------------------------------------------------------

    @property
    def settled(self) -> bool:
        """Whether `state` holds everything worth keeping: a guided check that is running does not live on in it."""
        return not self._checks.running

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values. Changes nothing."""
        return {
            "format": FORMAT,
            "rig": self.rig.name,
            "t_ns": self.now_ns,
            "height": self._estimator.state(),
            "hoist": self._tracker.saved(),
            "alarms": self._bank.state(),
            "checks": self._checks.state(),
            "brake": self._now.brake_health.state(),
            "line work": self._now.line_work.state(),
            "verdicts": {record.id: words for record, words in zip(self._sensors.records, self._verdicts, strict=True)},
        }

    def restore(self, saved: Mapping[str, Any], t_ns: int, same_run: bool = False) -> list[str]:
        """Go on at `t_ns` from what `state` gave; for a fresh core, before its first input.

        `same_run` says that the state is of this very run, looked at again (a replay that seeks), not of one before.
        Each part stands alone: one that cannot be taken up begins anew. Returns these, in words.

        Raises:
            ValueError: it is no state of this rig at all; nothing is taken up then.
        """
        if saved.get("format") != FORMAT or saved.get("rig") != self.rig.name:
            raise ValueError("it is of another rig, or of another version of Stopmark")
        gap_s = max(0, t_ns - whole(saved, "t_ns")) * 1e-9
        now = self._now
        parts: dict[str, Callable[[Mapping[str, Any]], None]] = {
            "height": lambda part: self._estimator.restore(part, gap_s),
            "hoist": self._tracker.resume,
            "alarms": self._bank.restore,
            "checks": self._checks.restore,
            "brake": lambda part: now.brake_health.restore(part, t_ns),
            "line work": lambda part: now.line_work.restore(part, same_run),
        }
        failed = []
        for name, take in parts.items():
            try:
                take(part(saved, name))
            except ValueError as error:
                if name == "height":
                    self._estimator = Estimator(self.rig)
                failed.append(f"{name} ({printable(str(error), 120)})")
        self._estimator.direction = self._tracker.direction
        told = saved.get("verdicts")
        if isinstance(told, Mapping):
            self._verdicts = [printable(str(told.get(record.id, "")), 200) for record in self._sensors.records]
            self._judged = any(self._verdicts)
        return failed

    def _go_on(self, frame: Frame) -> list[Finding]:
        """A run begins, with what the one before left behind."""
        t_ns, words, after = frame.t_ns, "", "carried"
        self._begin()
        try:
            saved: Any = json.loads(frame.payload)
            if not isinstance(saved, dict):
                raise ValueError("it is no JSON object")
            if saved:
                failed = self.restore(saved, t_ns)
                ago = _ago(max(0.0, (t_ns - saved["t_ns"]) / 60e9))
                words = f"went on from the run that ended {ago} ago: look whether the height is right"
                if failed:
                    words += f"; begun anew: {', '.join(failed)}"
        except (ValueError, RecursionError) as error:
            self._begin()
            after = "anew"
            words = f"began anew: what the run before left cannot be used ({printable(str(error), 120)})"
        findings = self._run_to(t_ns)
        if words:
            findings.insert(0, Finding(t_ns, "health", "carried", Severity.NOTICE, "", after, words))
        return findings

    # --- the grid ---------------------------------------------------------------------------------------------------

    def _run_to(self, t_ns: int) -> list[Finding]:
        if t_ns < self.now_ns:
            raise ValueError(f"input at {t_ns} ns lies before {self.now_ns} ns, the time advanced to: admit it first")
        if self._next_grid == 0:
            self._sensors.start(t_ns)
            self._next_grid = -(-t_ns // GRID_NS) * GRID_NS
        findings: list[Finding] = []
        while self._next_grid <= t_ns:
            self._evaluate(self._next_grid, findings)
            self._next_grid += GRID_NS
        self.now_ns = t_ns
        return findings

    def _evaluate(self, g: int, findings: list[Finding]) -> None:
        self._sensors.look(g)
        now, tracker = self._now, self._tracker
        estimate = self._estimator.estimate(g)
        load, validity = now.hook_load(g, tracker.direction)
        set_downs = tracker.set_downs
        hoist = tracker.update(g, estimate, Value(load, _VALIDITIES[validity]))
        self._estimator.direction = tracker.direction
        if tracker.set_downs > set_downs:
            self._estimator.set_down(g)
        now.dropped_recently = self._recent_drops(g)
        now.look(g, estimate, hoist, tracker.direction, tracker.string_load_n)
        self._estimator.braked(now.brake_health.slowing.known_m_s2)
        findings += self._checks.look(g, now)
        now.overtravel_due = self._checks.overtravel_due(g)
        self._looked = True
        self._seen = seen = self._watched.read(now)
        self._all_read = False
        findings += self._bank.evaluate(g, *seen, hoist, self._sensor_flags(g, findings))
        if self.observer is not None:
            if self._observed is None:
                self._read_all()
                self.observer(g, hoist, self._numbers, self._validities)
            else:
                self.observer(g, hoist, *self._observed.read(now))

    def _read_all(self) -> None:
        """Read the signals that no rule looks at, and put all in order, if that was not done since the last grid point."""
        if self._all_read:
            return
        self._all_read = True
        numbers, validities = self._numbers, self._validities
        for reader, read in ((self._watched, self._seen), (self._unwatched, self._unwatched.read(self._now))):
            for place, number, validity in zip(reader.places, *read, strict=True):
                numbers[place] = number
                validities[place] = validity

    def _sensor_flags(self, g: int, findings: list[Finding]) -> tuple[tuple[tuple[float, int], ...], ...]:
        """(stale, rejecting, out of range) of every sensor; a changed drift verdict becomes a finding on the way."""
        records, verdicts = self._sensors.records, self._verdicts
        flags: list[tuple[tuple[float, int], ...]] | None = None
        # Where nothing is odd or was, only what the estimator says of its own sensors can be news.
        for index in range(len(records)) if self._sensors.odd or self._judged else self._fused_places:
            record = records[index]
            rejecting, verdict = record.rejecting or bool(record.verdict), record.verdict
            if self._fused[index]:
                refused, verdict = self._estimator.judged(index)
                rejecting = rejecting or refused
            if verdict != verdicts[index]:
                findings.append(
                    Finding(g, "instrument", f"verdict:{record.id}", Severity.NOTICE, verdicts[index],
                            verdict, verdict or "verdict withdrawn")
                )  # fmt: skip
                verdicts[index] = verdict
                self._judged = any(verdicts)
            if record.stale or rejecting or record.refused_in_row:
                flags = flags or list(self._all_well)
                flags[index] = (
                    _YES if record.stale else _NO, _YES if rejecting else _NO, _YES if record.out_of_range else _NO
                )  # fmt: skip
        return self._all_well if flags is None else tuple(flags)

    # --- small parts ------------------------------------------------------------------------------------------------

    def _take_health(self, frame: Frame) -> None:
        self._read_all()
        try:
            told: Any = json.loads(frame.payload)
            health = Health(
                recording=told["recording"],
                connected=told["connected"],
                dropped=int(told["dropped"]),
                lag_s=float(told["lag_s"]),
                note=printable(str(told["note"]), 120),
            )
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            # Only the runner writes this topic; a damaged session may hold anything.
            self._sensors.refuse(Reject(frame.t_ns, None, RejectReason.NOT_JSON, HEALTH_TOPIC))
            return
        if (
            health.recording not in ("on", "off", "failed")
            or not (health.connected is None or isinstance(health.connected, bool))
            or not math.isfinite(health.lag_s)
        ):
            self._sensors.refuse(Reject(frame.t_ns, None, RejectReason.NOT_JSON, HEALTH_TOPIC))
            return
        if health.connected and not self._connected_once:
            # Nobody can be late before there was a connection; that it is missing has a rule of its own.
            self._connected_once = True
            self._sensors.start(frame.t_ns)
        self._now.health = health

    def _recent_drops(self, t_ns: int) -> int:
        """Readings lost within the last minute: dropped by the monitor, or missing by their sequence numbers.

        `_dropped` holds (time, total) wherever the total changed; its oldest entry is the last from before that minute.
        """
        total = self._now.health.dropped + self._sensors.missing
        dropped = self._dropped
        if not dropped or dropped[-1][1] != total:
            dropped.append((t_ns, total))
        while len(dropped) > 1 and dropped[1][0] <= t_ns - _RECENT_NS:
            dropped.popleft()
        return total - dropped[0][1]

    def _reference(self, action: Action) -> list[Finding]:
        height = action.number
        mast = self.rig.mast
        if height is None or not mast.floor_m <= height <= mast.crown_m:
            return [_said(action, "height reference refused: give a height between floor and crown")]
        before = self._estimator.estimate(action.t_ns)
        speed = before.speed_m_s if math.isfinite(before.speed_bound_m_s) else math.nan
        self._checks.reference(height, before.height_m, speed)
        self._estimator.reference(action.t_ns, height)
        by_m = self._estimator.estimate(action.t_ns).height_m - before.height_m
        if math.isfinite(by_m):
            self._now.brake_health.creep.put_right(by_m)
        return [_said(action, f"height reference taken at {height:.2f} m")]

    def _slip_and_cut(self, action: Action) -> list[Finding]:
        turns = action.number
        most = self.rig.drum.wraps_per_layer * self.rig.drum.max_layers
        if turns is None or not 0 <= turns <= most:
            return [_said(action, f"slip and cut refused: give the wraps on the drum, 0 to {most:g}")]
        self._estimator.slip_and_cut(action.t_ns, turns)
        self._checks.slip_and_cut(action.t_ns)
        self._now.line_work.cut()
        return [_said(action, f"slip and cut: {turns:g} wraps at the reference height")]

    def _sensor_view(self, index: int, record: SensorRecord, t_ns: int) -> SensorView:
        fusion = self._estimator.fusion(index) if self._fused[index] else None
        latency = fusion.latency_s if fusion else None
        return SensorView(
            id=record.id,
            quantity=record.sensor.quantity,
            unit=record.sensor.unit,
            value=self._sensors.value(record, t_ns),
            age_s=(t_ns - record.last_ns) * 1e-9 if record.last_ns >= 0 else math.inf,
            rate_hz=1.0 / record.period_s if record.period_s > 0 else 0.0,
            latency_s=latency,
            innovation=fusion.innovation if fusion else None,
            test_ratio=fusion.test_ratio if fusion else None,
            fused=fusion.fused if fusion else record.good,
            rejected=record.rejected,
            last_reason=record.last_reason,
            stale=record.stale,
            rejecting=record.rejecting or bool(fusion and fusion.rejecting),
            out_of_range=record.out_of_range,
            verdict=fusion.verdict if fusion else record.verdict,
        )


def _said(action: Action, message: str) -> Finding:
    """A finding that records what the crew did."""
    return Finding(action.t_ns, "action", str(action.kind), Severity.NOTICE, "", printable(action.who, 12), message)


def _ago(minutes: float) -> str:
    """A time span for a person: minutes, from two hours on hours, from two days on days."""
    return (
        f"{minutes:.0f} min"
        if minutes < 120
        else f"{minutes / 60:.0f} h"
        if minutes < 2880
        else f"{minutes / 1440:.0f} days"
    )
