"""One situation being driven: the plant, the real core of the monitor, and the trainee's hand on the levers.

The hand is an input of the simulated plant and nothing else. What the monitor sees of it comes over the rig's sensors, as on a
real rig; it publishes nothing and acts on nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from monitor.config.rig_file import find_rig
from monitor.core.engine import Core
from monitor.model.alarm import Finding, Severity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import SECOND_NS, Action
from simulators.crew.operator import Moves
from simulators.machine.plant import Plant
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.training.situations import Situation

STANDING_M_S: Final = 0.02
STOOD_NS: Final = 1_500_000_000
"""A block that stood for so long after it had moved has come to rest."""
_COPY_NS: Final = 50_000_000
STEP: Final = 0.1
"""Of a lever at one press of a key."""
_DRIVE_STEP_M_S: Final = 0.2
_FASTEST_M_S: Final = 1.6


@dataclass(slots=True)
class Hand:
    """Where the trainee has the levers."""

    brake: float = 1.0
    """0 to 1."""
    aux: float = 0.0
    drive_m_s: float = 0.0

    def pull(self, by: float) -> None:
        """Move the brake lever; more is braking."""
        self.brake = _within(self.brake + by)

    def auxiliary(self, by: float) -> None:
        """Move the auxiliary brake's lever."""
        self.aux = _within(self.aux + by)

    def drive(self, steps: int) -> None:
        """Ask the drive for more or less speed upward; at 0 the clutch is out."""
        self.drive_m_s = round(min(_FASTEST_M_S, max(0.0, self.drive_m_s + steps * _DRIVE_STEP_M_S)), 2)

    def stop(self) -> None:
        """Everything that stops at once: brake fully, drive and clutch off."""
        self.brake, self.drive_m_s = 1.0, 0.0


def _within(share: float) -> float:
    return round(min(1.0, max(0.0, share)), 2)


@dataclass(frozen=True, slots=True)
class Heard:
    """A word as it came, and the plant at that moment."""

    t_ns: int
    key: str
    message: str
    severity: Severity
    height_m: float
    speed_m_s: float
    plant: Plant


@dataclass(slots=True)
class Course:
    """How it went since the trainee has the levers: a row for every 50 ms."""

    t_ns: list[int] = field(default_factory=list)
    height_m: list[float] = field(default_factory=list)
    speed_m_s: list[float] = field(default_factory=list)
    brake: list[float] = field(default_factory=list)
    mark_m: list[float] = field(default_factory=list)
    """The assured stop mark that the monitor showed; NaN while it knew none."""
    copies: list[tuple[int, Plant]] = field(default_factory=list)
    """The plant, while it moved toward the limit."""


class Lesson:
    """One attempt at a situation; the same `seed` gives the same machine. `begin` leads in to it, `advance` moves on."""

    def __init__(self, situation: Situation, seed: int = 1) -> None:
        self.situation = situation
        self.rig = find_rig(situation.scenario.rig)
        self.source = PlantSource(self.rig, situation.scenario, seed)
        self.core: Core = shipped_core(self.rig)
        self.hand = Hand()
        self.heard: list[Heard] = []
        self.course = Course()
        self.yours_ns = 0
        """When the trainee got the levers; 0 before."""
        self.over = False
        self._moved = False
        self._still_ns = 0
        self._ticks = self.source.ticks()
        self.source.operator.follow(self._moves())

    @property
    def plant(self) -> Plant:
        """The machine."""
        return self.source.plant

    @property
    def now_ns(self) -> int:
        """Stream time reached."""
        return self.core.now_ns

    def snapshot(self) -> Snapshot:
        """What the monitor knows."""
        return self.core.snapshot()

    def act(self, action: Action) -> None:
        """What the trainee tells the monitor: an acknowledgement."""
        self._hear(self.core.feed(action))

    def begin(self) -> None:
        """Play the lead-in, as fast as it goes, up to the moment at which the levers change hands."""
        while not self.yours_ns and not self.over:
            self._tick()

    def advance(self, to_ns: int) -> None:
        """Let plant and monitor move on to a stream time, or to the end of the situation."""
        while not self.over and self.core.now_ns < to_ns:
            self._tick()

    def _moves(self) -> Moves:
        operator = self.source.operator
        yield from self.situation.lead_in(operator)
        levers, hand = self.plant.levers, self.hand
        hand.brake, hand.aux, hand.drive_m_s = round(levers.brake, 2), round(levers.aux, 2), round(levers.speed_m_s, 2)
        self.yours_ns = self.source.origin_ns + round(self.plant.t_s * SECOND_NS)
        while True:
            levers.brake, levers.aux = hand.brake, hand.aux
            levers.speed_m_s, levers.clutch = hand.drive_m_s, hand.drive_m_s > 0.0
            yield

    def _tick(self) -> None:
        step = next(self._ticks, None)
        if step is None:
            self.over = True
            return
        now_ns, items = step
        for item in items:
            self._hear(self.core.feed(item))
        self._hear(self.core.advance(now_ns))
        if self.yours_ns and now_ns % _COPY_NS == 0:
            self._note(now_ns)

    def _hear(self, findings: list[Finding]) -> None:
        for found in findings:
            if self.yours_ns and (found.raised or found.prompted):
                plant = self.plant
                self.heard.append(
                    Heard(
                        found.t_ns,
                        found.key,
                        found.message,
                        found.severity,
                        plant.height_m,
                        plant.speed_m_s,
                        plant.clone(),
                    )
                )

    def _note(self, now_ns: int) -> None:
        plant, course, down = self.plant, self.course, self.situation.down
        marks = self.core.snapshot().marks
        course.t_ns.append(now_ns)
        course.height_m.append(plant.height_m)
        course.speed_m_s.append(plant.speed_m_s)
        course.brake.append(plant.levers.brake)
        course.mark_m.append(marks.assured_down_m if down else marks.assured_up_m)
        moving = abs(plant.speed_m_s) > STANDING_M_S
        if moving:
            self._moved, self._still_ns = True, now_ns
            if (plant.speed_m_s < 0.0) == down:
                course.copies.append((now_ns, plant.clone()))
        elif self._moved and now_ns - self._still_ns >= STOOD_NS:
            self.over = True


def driven(lesson: Lesson) -> Iterator[Lesson]:
    """The lesson after each 50 ms, until it is over: for a hand that is not a person's."""
    while not lesson.over:
        lesson.advance(lesson.now_ns + _COPY_NS)
        yield lesson
