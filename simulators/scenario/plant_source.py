"""A simulated session: the plant, its operator, its faults and its sensors, as frames in the order they arrive.

The same rig, scenario and seed give the same frames to the byte, at any speed. What the truth did
meanwhile (a limit passed, the crown struck) is kept beside the frames, because no frame carries it.
"""

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from monitor.config.rig import Rig
from monitor.config.toml_file import ConfigError
from monitor.model.stream import Action, ActionKind, Frame
from simulators.crew.operator import HAND_TICKS
from simulators.crew.programs import operator_of
from simulators.machine.plant import TICK_NS, TICK_S, Plant
from simulators.machine.truth import Truth
from simulators.scenario.scenario import Scenario
from simulators.sensors.channel import Attached, Channel, Message, SourceClock
from simulators.sensors.node import nodes_of, on_sparkplug

DEFAULT_ORIGIN_NS: Final = 1_767_225_600_000_000_000
"""Start of a session that has no start of its own: the first of January 2026, UTC."""


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """Something the truth did: its name (see `simulators.scenario.scenario.Event`), when, where and how fast."""

    name: str
    t_ns: int
    height_m: float
    speed_m_s: float


class PlantSource:
    """Iterate to get the frames of `scenario` on `rig`. `events` fills as time goes on.

    Args:
        origin_ns: Stream time of the start.
        duration_s: Length; None takes the scenario's.
        truth: The machine; None draws it by `seed`.
        on_event: Called with each truth event as it happens.

    Raises:
        ConfigError: the scenario does not fit the rig.
    """

    def __init__(
        self,
        rig: Rig,
        scenario: Scenario,
        seed: int = 1,
        origin_ns: int = DEFAULT_ORIGIN_NS,
        duration_s: float | None = None,
        truth: Truth | None = None,
        on_event: Callable[[TruthEvent], None] | None = None,
    ) -> None:
        rig = on_sparkplug(rig) if scenario.sparkplug else rig
        problems = scenario.problems_on(rig)
        if problems:
            raise ConfigError([f"scenario {scenario.name or '(unnamed)'}: {problem}" for problem in problems])
        self.rig, self.scenario, self.seed, self.origin_ns = rig, scenario, seed, origin_ns
        self.duration_s = scenario.duration_s if duration_s is None else duration_s
        self.truth = truth or Truth.from_rig(rig, f"{scenario.name}:{seed}", scenario.truth_spread)
        self.plant = Plant(rig, self.truth, scenario.work.start_m)
        self.operator = operator_of(self.plant, rig, scenario.work.program, seed, scenario.work.settings)
        carry = scenario.transport
        self.clock = SourceClock(origin_ns, int(carry.clock_offset_s * 1e9), carry.clock_drift)
        self.channels = [
            Channel(rig, sensor, self.clock, f"{scenario.name}:{seed}", carry.latency_s, carry.jitter_s, carry.batch)
            for sensor in rig.sensors
        ]
        self.nodes = nodes_of(rig, f"{scenario.name}:{seed}")
        self._node_of = {
            sensor.id: node
            for node in self.nodes
            for sensor in rig.sensors
            if sensor.sparkplug is not None and node.is_of(sensor.sparkplug)
        }
        self.events: list[TruthEvent] = []
        self.slip_turns_per_s = 0.0
        self._on_event = on_event
        self._retained: list[Message] = []
        self._arrivals: list[tuple[int, int, Message]] = []
        self._count = 0
        self._changes: list[tuple[float, int, bool]] = []
        self._attached: list[list[Attached]] = []
        for i, fault in enumerate(scenario.faults):
            touched = fault.sensors()
            channels = [c for c in self.channels if touched is None or c.sensor.id in touched]
            items = []
            for channel in channels:
                item = Attached(fault)
                channel.attached.append(item)
                items.append(item)
            self._attached.append(items)
            self._changes.append((fault.start_s, i, True))
            if fault.length_s is not None:
                self._changes.append((fault.end_s, i, False))
        self._changes.sort(key=lambda change: (change[0], change[1]))
        self._reported: set[str] = set()
        self._parted_reported = False

    def __iter__(self) -> Iterator[Frame]:
        for item in self.items():
            if isinstance(item, Frame):
                yield item

    def items(self) -> Iterator[Frame | Action]:
        """Frames in order of arrival, and between them what the crew tells the monitor."""
        for _, items in self.ticks():
            yield from items

    def ticks(self) -> Iterator[tuple[int, list[Frame | Action]]]:
        """Tick by tick: the stream time reached, and what arrived on the way. The plant stands at that time."""
        plant, operator, origin = self.plant, self.operator, self.origin_ns
        due = [(origin + channel.phase_ns, i) for i, channel in enumerate(self.channels)]
        heapq.heapify(due)
        arrivals, changes = self._arrivals, self._changes
        actions = sorted(self.scenario.actions, key=lambda action: action.at_s)
        for tick in range(round(self.duration_s / TICK_S)):
            t_s = tick * TICK_S
            while changes and changes[0][0] <= t_s:
                self._change(*changes.pop(0)[1:])
            if tick % HAND_TICKS == 0:
                operator.step()
            if self.slip_turns_per_s:
                plant.slip_turns += self.slip_turns_per_s * TICK_S
                plant.wake()
            plant.tick()
            now = origin + (tick + 1) * TICK_NS
            self._detect_events(now)
            while due[0][0] <= now:
                at, i = due[0]
                channel = self.channels[i]
                heapq.heapreplace(due, (at + channel.period_ns, i))
                for message in channel.sample(plant, now, t_s):
                    if message.arrival_ns < 0:  # kept by the gateway until a time of the run
                        message.arrival_ns = origin - message.arrival_ns
                    self._send(message)
            items: list[Frame | Action] = []
            while arrivals and arrivals[0][0] <= now:
                arrival, _, message = heapq.heappop(arrivals)
                if message.sensor:
                    self._node_of[message.sensor].take(message)
                    continue
                items.append(Frame(arrival, message.topic, message.payload, message.retained))
            for node in self.nodes:
                items += node.frames(now, self.clock.read_ns(now) // 1_000_000)
            while actions and actions[0].at_s <= t_s:
                action = actions.pop(0)
                items.append(Action(now, ActionKind(action.kind), action.target, action.number, who="crew"))
            yield now, items

    @property
    def end_ns(self) -> int:
        """Stream time at which the session ends."""
        return self.origin_ns + round(self.duration_s / TICK_S) * TICK_NS

    def _send(self, message: Message) -> None:
        self._count += 1
        heapq.heappush(self._arrivals, (message.arrival_ns, self._count, message))

    def _change(self, index: int, begins: bool) -> None:
        """A fault begins or ends."""
        fault = self.scenario.faults[index]
        for item in self._attached[index]:
            item.active = begins
        self.plant.wake()
        if begins:
            fault.begin(self)
        else:
            fault.finish(self)

    def remember_retained(self) -> None:
        """What a broker would keep: the last message of every topic."""
        self._retained = [
            channel.last for channel in self.channels if channel.last is not None and not channel.last.sensor
        ]

    def send_retained(self) -> None:
        """The broker hands out what it kept, as retained messages."""
        now = self.origin_ns + self.plant.ticks * TICK_NS
        for i, kept in enumerate(self._retained):
            self._send(Message(now + 1_000_000 + i, kept.topic, kept.payload, retained=True))

    def _detect_events(self, now_ns: int) -> None:
        """Report limits passed, floor or crown struck, and a parted line, each once until the block is back inside its limits."""
        plant = self.plant
        y = plant.height_m
        limits = self.rig.limits
        if plant.parted and not self._parted_reported:
            self._parted_reported = True
            self._report("parted", now_ns)
        if limits.lower_m <= y <= limits.upper_m:
            if self._reported:
                self._reported.clear()
            return
        if y < limits.lower_m:
            self._report_once("lower_limit", now_ns)
            if y <= plant.truth.floor_m:
                self._report_once("floor", now_ns)
        else:
            self._report_once("upper_limit", now_ns)
            if y >= plant.truth.crown_m:
                self._report_once("crown", now_ns)

    def _report_once(self, name: str, now_ns: int) -> None:
        if name in self._reported:
            return
        self._reported.add(name)
        self._report(name, now_ns)

    def _report(self, name: str, now_ns: int) -> None:
        event = TruthEvent(name, now_ns, self.plant.height_m, self.plant.speed_m_s)
        self.events.append(event)
        if self._on_event is not None:
            self._on_event(event)
