"""Days of operation in one process: simulated rig, crew and faults around the whole monitor, and what came of each fault.

The monitor is put together as a live run does it: runner, core with all rules, hourly segments with retention, sinks. Only
the broker is left out, and the clock is the rig's. Once a second of the stream somebody looks: the crew at the screen, and the
judge, who knows the truth. After a fault's end four things must come back, each for `HOLD_S` without a break:

    height     VALID, and within its own bound of the truth
    sensors    none stale, none refused
    alarms     of those raised since the fault began, none whose condition still holds (latched ones may stay latched)
    recording  the recorder says that it writes, and loses nothing
"""

import json
import random
import time
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

from monitor.adapters.sessions.folder import DataFolder
from monitor.adapters.sessions.segments import HOUR_NS, Retention, SegmentedRecorder
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path
from monitor.config.toml_file import read_text
from monitor.model.alarm import Finding
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Action, ActionKind, Frame
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.findings import Tally, finding_dict
from monitor.runtime.runner import OnFinding, Runner
from simulators.scenario.plant_source import DEFAULT_ORIGIN_NS, PlantSource
from simulators.scenario.scenario import Scenario, Work
from tests.benchmarks.soak_faults import DATUM, PACE, STOPS, Mishap, string_up
from tests.benchmarks.soak_work import Crew, halt, start_again, work

HOLD_S: Final = 5
"""How long a thing must be well to count as recovered, s."""
RAISED_S: Final = 30.0
"""How long after a fault's end alarms are still taken for its own, s."""
UNSEEN_S: Final = 45.0
"""How long the crew looks at a height that is wrong or not known before it measures and tells, s."""
STUCK_S: Final = 1200.0
"""How long the block may stand before work begins afresh, s."""
REPAIR_S: Final = 60.0
"""How long after the line has parted a new one is strung, s."""
KEPT_DAYS: Final = 0.25
"""Age at which recordings are removed: six hours, so that most of a run's segments are."""
FLUSH_S: Final = 60
"""The recorder writes by real time: no more of the stream than this waits for it, s."""
SCHEDULED: Final = ("overtravel-untested",)
"""Alarms that come by the calendar and stay until the crew has done something."""
PARTS: Final = ("height", "sensors", "alarms", "recording")
_TICK: Final = 5
_LOOK: Final = 100


@dataclass(slots=True)
class Case:
    """One fault and what came of it. Times in s after its end; None: not yet."""

    number: int
    mishap: Mishap
    over: bool = False
    raised: set[str] = field(default_factory=set)
    done_s: dict[str, float] = field(default_factory=dict)
    worst_m: float = 0.0
    """Most by which a height that was called VALID lay beyond its bound, from the start of the fault until it was over."""
    referenced: str = ""
    why: dict[str, str] = field(default_factory=dict)
    lost: int = 0
    outcome: str = ""
    _well_s: dict[str, int] = field(default_factory=dict)

    def judge(self, after_s: float, symptoms: dict[str, str]) -> None:
        """A second has passed since its end; `ills` says what is still wrong, by part."""
        for part in PARTS:
            if part in self.done_s:
                continue
            ill = symptoms.get(part, "")
            if ill:
                self._well_s[part] = 0
                self.why[part] = ill
                continue
            well = self._well_s[part] = self._well_s.get(part, 0) + 1
            if well > HOLD_S:
                self.done_s[part] = max(0.0, after_s - HOLD_S)
        if len(self.done_s) == len(PARTS):
            self.outcome = "recovered"
        elif after_s > self.mishap.limit_s:
            missing = "; ".join(f"{part}: {self.why.get(part, '?')}" for part in PARTS if part not in self.done_s)
            self.outcome = f"NOT RECOVERED ({missing})"

    def row(self) -> dict[str, Any]:
        """One line of the table of faults."""
        m = self.mishap
        return {
            "number": self.number,
            "fault": m.words,
            "start_s": round(m.start_s),
            "length_s": round(m.length_s),
            **{f"{part}_s": round(self.done_s[part]) if part in self.done_s else "" for part in PARTS},
            "reference": self.referenced,
            "beyond_bound_m": round(self.worst_m, 3),
            "lost": self.lost,
            "alarms": " ".join(sorted(self.raised)),
            "outcome": self.outcome or "running",
        }


class Latency:
    """Times of one call, of one hour at a time, in memory that does not grow."""

    def __init__(self, most: int = 80_000) -> None:
        self._ns = array("Q", bytes(8 * most))
        self._count = 0

    def add(self, ns: int) -> None:
        """One more."""
        if self._count < len(self._ns):
            self._ns[self._count] = ns
            self._count += 1

    def take(self) -> dict[str, float]:
        """Median, 99 % and longest in us, and begin anew."""
        ordered = sorted(self._ns[: self._count])
        count, self._count = self._count, 0
        if not count:
            return {"p50_us": 0.0, "p99_us": 0.0, "max_us": 0.0}
        return {
            "p50_us": ordered[count // 2] / 1e3,
            "p99_us": ordered[int(0.99 * count)] / 1e3,
            "max_us": ordered[-1] / 1e3,
        }


class FindingLines:
    """A sink: every finding as a line of JSON, as `stopmark watch` prints it, and what `Case` needs of it."""

    def __init__(self, out: IO[str]) -> None:
        self._out = out
        self.open_cases: list[Case] = []
        self.count = 0

    def __call__(self, finding: Finding) -> None:
        """One finding."""
        self.count += 1
        self._out.write(json.dumps(finding_dict(finding), allow_nan=False) + "\n")
        raised = finding.after in ("unacknowledged", "latched unacknowledged")
        if finding.kind == "alarm" and raised and finding.key not in SCHEDULED:
            for case in self.open_cases:
                case.raised.add(finding.key)


def soak_rig() -> Rig:
    """The shipped land rig, with a hook load that tells its quality: so every fault of the catalogue can be had on it."""
    rig = find_rig("land")
    sensors = tuple(s.model_copy(update={"quality": "/q"}) if s.id == "hook-load" else s for s in rig.sensors)
    return rig.model_copy(update={"sensors": sensors})


class Soak:
    """One run. Iterate `seconds` to the end; `cases`, `runner` and the rest may be read at any second."""

    def __init__(
        self,
        mishaps: Iterable[Mishap],
        hours: float,
        seed: int,
        folder: Path,
        findings: IO[str],
        rig: Rig | None = None,
        origin_ns: int = DEFAULT_ORIGIN_NS,
    ) -> None:
        self.rig = rig = rig or soak_rig()
        self.folder = folder
        self.paced = False
        scenario = Scenario(
            name="soak",
            description="days of work, and everything that can go wrong",
            rig=rig.name,
            duration_s=hours * 3600.0,
            work=Work(program="wait", start_m=rig.limits.lower_m + 2.0),
            # A machine much weaker than its file is rightly called weak all the time, which would be taken for a fault's.
            truth_spread=0.5,
        )
        self.source = source = PlantSource(rig, scenario, seed, origin_ns=origin_ns)
        self.draw = random.Random(f"soak:{seed}")
        rules_path = Path(default_rules_path())
        rules = read_text(rules_path)
        self.core = core_of(rig, rules, str(rules_path))
        self.held = DataFolder(folder)
        header = header_of(rig, rules, "SIMULATED", source.origin_ns)
        retention = Retention(max_age_days=KEPT_DAYS, max_disk_share=None, min_free_bytes=None)
        self.recorder = SegmentedRecorder(self.held, rig.name, header, source.origin_ns, retention, HOUR_NS)
        self.lines = FindingLines(findings)
        self.tally = Tally()
        self.runner = Runner(self.core, self.recorder, (OnFinding(self.lines, self.tally),))
        self.runner.connected = True
        self.crew = Crew(source.plant, rig, random.Random(f"crew:{seed}"), self._act)
        self.cases: list[Case] = []
        self.actions = 0
        self.cpu, self.wall = Latency(), Latency()
        self.calm = {"looked": 0, "valid": 0, "wrong": 0, "worst_m": 0.0, "stuck": 0, "unasked": 0, "parted": 0}
        """Looks while no fault was open."""
        self._waiting = sorted(mishaps, key=lambda mishap: mishap.start_s)
        self._open: list[Case] = []
        self._moved_s = 0.0
        self._parted_s = 0.0
        self._moved_m = 0.0
        self._wrong_s = 0
        self._halt_s: float | None = None
        source.operator.follow(work(source.operator, self.draw, self._act))

    def close(self) -> None:
        """End the recording and let the folder go."""
        self.recorder.close()
        self.held.close()

    def _act(self, kind: ActionKind, target: str, number: float | None) -> None:
        self.actions += 1
        self.runner.action(Action(self.core.now_ns, kind, target, number, who="crew"))

    def seconds(self) -> Iterator[float]:
        """Run, second by second of the stream: the time of the run, s."""
        runner, cpu, wall = self.runner, self.cpu, self.wall
        thread_ns, real_ns = time.thread_time_ns, time.perf_counter_ns
        runner.health(self.source.origin_ns)
        for tick, (now_ns, items) in enumerate(self.source.ticks(), 1):
            for item in items:
                assert isinstance(item, Frame)
                runner.message(item)
            if tick % _TICK:
                continue
            real, thread = real_ns(), thread_ns()
            runner.advance(now_ns)
            cpu.add(thread_ns() - thread)
            wall.add(real_ns() - real)
            if tick % (5 * _TICK) == 0:
                runner.health(now_ns)
            if tick % _LOOK == 0:
                t_s = (now_ns - self.source.origin_ns) * 1e-9
                self._look(t_s)
                yield t_s

    # --- once a second ------------------------------------------------------------------------------------------------

    def _look(self, t_s: float) -> None:
        snapshot = self.core.snapshot()
        self._come_and_go(t_s, snapshot)
        self.crew.look(snapshot)
        self._judge(t_s, snapshot)
        self._keep_working(t_s)
        self.source.events.clear()  # nobody reads them here
        if self.paced or self.recorder.state != "on":
            time.sleep(1.0 / PACE)
        elif round(t_s) % FLUSH_S == 0:
            self.recorder.flush(60.0)

    def _come_and_go(self, t_s: float, snapshot: Snapshot) -> None:
        plant = self.source.plant
        if self._waiting and self._waiting[0].start_s <= t_s:
            mishap = self._waiting[0]
            # A block hangs up on its way down; so does no other.
            if mishap.kind != "hung-up" or plant.speed_m_s < -0.2 or t_s > mishap.start_s + 600.0:
                self._waiting.pop(0)
                case = Case(len(self.cases) + 1, mishap)
                case.lost = -self.recorder.lost
                self.cases.append(case)
                self._open.append(case)
                mishap.begin(self, t_s)
                if mishap.kind in STOPS:
                    slow = mishap.kind in ("emergency-not-releasing", "pump-lost")
                    late = self.draw.uniform(3.0, 15.0) if slow else 1.0
                    self._halt_s = t_s + late
        if self._halt_s is not None and t_s >= self._halt_s:
            self._halt_s = None
            self.source.operator.follow(halt(self.source.operator))
        for case in self._open:
            if case.over or t_s < case.mishap.end_s:
                continue
            case.over = True
            case.mishap.finish(self)
            self._halt_s = None
            if case.mishap.kind in STOPS:
                new_line = case.mishap.kind == "line-parted"
                self.source.operator.follow(start_again(self.source.operator, self.draw, self._act, new_line))
            if case.mishap.kind in DATUM:
                case.referenced = "always"
                self.crew.reference_wanted = True
        self.lines.open_cases = [case for case in self._open if t_s <= case.mishap.end_s + RAISED_S]

    def _judge(self, t_s: float, snapshot: Snapshot) -> None:
        value = snapshot.values["height"]
        plant = self.source.plant
        error, bound = abs(value.number - plant.height_m), snapshot.values["height_bound"].number
        beyond = error - bound if value.validity is Validity.VALID else 0.0
        if not self._open:
            calm = self.calm
            calm["looked"] += 1
            if value.validity is Validity.VALID:
                calm["valid"] += 1
                calm["wrong"] += beyond > 0.0
                calm["worst_m"] = max(calm["worst_m"], beyond)
        wrong = value.validity is not Validity.VALID or beyond > 0.05
        over = all(case.over for case in self._open)
        self._wrong_s = self._wrong_s + 1 if wrong and over and not plant.parted else 0
        if self._wrong_s >= UNSEEN_S and not self.crew.reference_wanted:
            self._wrong_s = 0
            self.crew.reference_wanted = True
            if not self._open:
                self.calm["unasked"] += 1
            for case in self._open:
                case.referenced = case.referenced or "needed"
        if not self._open:
            return
        symptoms = self._symptoms(snapshot, error, bound)
        for case in self._open:
            if "height" not in case.done_s:
                case.worst_m = max(case.worst_m, beyond)
            if not case.over:
                continue
            active = [a.key for a in snapshot.alarms if a.active and a.key in case.raised]
            case.judge(t_s - case.mishap.end_s, symptoms | ({"alarms": " ".join(active)} if active else {}))
            if case.outcome:
                case.lost += self.recorder.lost
        self._open = [case for case in self._open if not case.outcome]

    def _symptoms(self, snapshot: Snapshot, error: float, bound: float) -> dict[str, str]:
        symptoms = {}
        value = snapshot.values["height"]
        if value.validity is not Validity.VALID:
            words = next((view.diagnosis for view in snapshot.sensors if view.diagnosis), "")
            symptoms["height"] = f"{value.validity.name}, bound {bound:.2f} m {words}".strip()
        elif error > bound:
            symptoms["height"] = f"VALID and wrong by {error:.3f} m, bound {bound:.3f} m"
        sick = [view.id for view in snapshot.sensors if view.stale or view.rejecting]
        if sick:
            symptoms["sensors"] = " ".join(sick)
        if self.recorder.state != "on":
            symptoms["recording"] = self.recorder.problem
        return symptoms

    def _keep_working(self, t_s: float) -> None:
        """Work that has come to nothing (a hand cannot think of everything) begins afresh. So it does with a new line where
        a fault has ended in a parted one."""
        if not self.source.plant.parted or any(case.mishap.kind == "line-parted" for case in self._open):
            self._parted_s = t_s
        elif t_s - self._parted_s > REPAIR_S:
            self.calm["parted"] += 1
            string_up(self.source)
            self.source.operator.follow(start_again(self.source.operator, self.draw, self._act, new_line=True))
        height_m = self.source.plant.height_m
        if abs(height_m - self._moved_m) > 1.0 or self._moved_s == 0.0:
            self._moved_m, self._moved_s = height_m, t_s
        elif t_s - self._moved_s > STUCK_S and all(case.over for case in self._open):
            self._moved_s = t_s
            self.calm["stuck"] += 1
            self.source.operator.follow(start_again(self.source.operator, self.draw, self._act))
