"""The faults of the soak run: how each is drawn, how long the monitor may need after it, and how it is told to come and go.

Three groups: the catalogue of `simulators.faults.table`, what a broker and a network do besides, and what the disk does to the
recorder. A `Mishap` is one of them with its time; `deck` draws them so that every kind comes before any comes twice.
"""

import os
import random
import resource
import sqlite3
import time
from collections.abc import Callable, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol
from unittest.mock import patch

from monitor.adapters.sessions import recorder as recording
from monitor.adapters.sessions.batches import insert
from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.model.stream import Frame
from simulators.faults.base import Fault
from simulators.faults.readings import MissedCounts
from simulators.faults.table import FAULTS, kind_of
from simulators.machine.hydraulics import ATMOSPHERE_PA
from simulators.scenario.plant_source import PlantSource
from simulators.sensors.channel import Attached

if TYPE_CHECKING:
    from monitor.runtime.runner import Runner

RECOVERY_S: Final = 300.0
"""How long after its end a fault may still show, s: the longest delay of a rule and the crew's way to a standstill."""
BRAKE_S: Final = 1200.0
"""The same where only stops under load can show that the brake is sound again."""
HEAT_S: Final = 10_800.0
"""The same where steel has to cool (time constant 55 minutes)."""
BRAKE: Final = (
    "circuit-leak", "pump-lost", "precharge-lost", "pads-glazed", "pads-fresh", "band-slack", "aux-lost", "coolant-lost",
    "emergency-not-releasing", "drive-tripped",
)  # fmt: skip
HEAT: Final = ("hot-discs", "caliper-dragging")
DATUM: Final = ("missed-counts", "rope-slip", "reversed")
"""They move the height's datum: the crew gives the height after them, as it would after seeing the block elsewhere."""
STOPS: Final = ("drive-tripped", "line-parted", "hung-up", "emergency-not-releasing", "pump-lost")
"""Work stops soon after they come."""

PACE: Final = 20.0
"""Stream seconds per real second while the disk refuses."""

WARMING: Final = ("broker-outage", "disk-refuses")
"""They need most memory, so they come in the hour before growth is counted."""
KEPT_S: Final = 60.0
"""Longest stretch that the simulated gateway keeps."""

Draw = Callable[[random.Random, Rig], dict[str, Any]]


def _any_sensor(draw: random.Random, rig: Rig) -> Sensor:
    """Half of the time the drum: it matters most."""
    drum = next(sensor for sensor in rig.sensors if sensor.role == "position")
    return drum if draw.random() < 0.5 else draw.choice(rig.sensors)


def _sensor(draw: random.Random, rig: Rig) -> dict[str, Any]:
    return {"sensor": _any_sensor(draw, rig).id}


def _amount(draw: random.Random, rig: Rig) -> dict[str, Any]:
    sensor = _any_sensor(draw, rig)
    span = 60_000.0 if sensor.quantity == "drum_counts" else sensor.range[1] - sensor.range[0]
    return {"sensor": sensor.id, "amount": draw.choice((-1.0, 1.0)) * draw.uniform(0.05, 0.3) * span}


def _drift(draw: random.Random, rig: Rig) -> dict[str, Any]:
    settings = _amount(draw, rig)
    return {"sensor": settings["sensor"], "per_s": settings["amount"] / 60.0}


def _spikes(draw: random.Random, rig: Rig) -> dict[str, Any]:
    return {**_amount(draw, rig), "share": draw.uniform(0.03, 0.2)}


def _all(**more: tuple[float, float]) -> Draw:
    return lambda draw, rig: {"sensor": "*", **{name: draw.uniform(*span) for name, span in more.items()}}


def _plain(**more: tuple[float, float]) -> Draw:
    return lambda draw, rig: {name: draw.uniform(*span) for name, span in more.items()}


DRAWS: Final[Mapping[str, Draw]] = {
    "freeze": _sensor,
    "bias": _amount,
    "drift": _drift,
    "dropout": lambda draw, rig: {**_sensor(draw, rig), "share": draw.choice((1.0, 1.0, 0.5))},
    "spikes": _spikes,
    "missed-counts": lambda draw, rig: {"sensor": "drum", "share": draw.uniform(0.05, 0.5)},
    "reversed": lambda draw, rig: {"sensor": "drum"},
    "wrong-unit": lambda draw, rig: {**_sensor(draw, rig), "factor": draw.choice((0.2248, 14.504, 0.0689, 4.448))},
    "bad-quality": lambda draw, rig: {"sensor": draw.choice([s.id for s in rig.sensors if s.quality is not None])},
    "duplicate": _all(share=(0.1, 0.5)),
    "out-of-order": _all(share=(0.05, 0.3), delay_s=(0.05, 0.3)),
    "late": lambda draw, rig: {"sensor": draw.choice(("*", "drum")), "delay_s": draw.uniform(0.1, 3.0)},
    "clock-step": lambda draw, rig: {"step_s": draw.choice((-3600.0, -2.0, 3.0, 3600.0))},
    "gateway-restart": _plain(),
    "broker-outage": lambda draw, rig: {"buffered": draw.random() < 0.7},
    "sparkplug-node": lambda draw, rig: {"what": draw.choice(("death", "rebirth", "missing", "stored"))},
    "circuit-leak": lambda draw, rig: {"circuit": draw.choice((1, 2)), "share": draw.uniform(0.2, 0.6)},
    "pump-lost": _plain(seep=(1.0, 3.0)),
    "precharge-lost": _plain(share=(0.3, 0.8)),
    "pads-glazed": _plain(factor=(0.55, 0.9)),
    "pads-fresh": _plain(factor=(1.05, 1.3)),
    "hot-discs": _plain(temperature_c=(150.0, 340.0)),
    "caliper-dragging": _plain(torque_n_m=(3000.0, 12_000.0)),
    "band-slack": _plain(share=(0.2, 0.5)),
    "aux-lost": _plain(),
    "coolant-lost": _plain(),
    "drive-tripped": _plain(),
    "emergency-not-releasing": _plain(share=(0.4, 0.8)),
    "overtravel-not-reset": _plain(shift_m=(1.0, 4.0)),
    "overtravel-electric-failed": _plain(),
    "rope-slip": _plain(turns_per_s=(0.005, 0.02)),
    "line-parted": _plain(),
    "hung-up": _plain(),
}
"""How a fault of the catalogue is drawn: its fields but start and length."""


class World(Protocol):
    """What a mishap may touch."""

    source: PlantSource
    runner: "Runner"
    folder: Path
    paced: bool
    """Whether the stream runs at `PACE` at most."""


@contextmanager
def connection_lost(world: World) -> Any:
    """The monitor loses the broker, knows it, and gets nothing until it is back; then come the retained messages."""
    world.runner.connected = False
    world.source.remember_retained()
    yield
    world.runner.connected = True
    world.source.send_retained()


@contextmanager
def stale_retained(world: World) -> Any:
    """The broker hands out what it kept, in the middle of the work and again later."""
    world.source.remember_retained()
    world.source.send_retained()
    yield
    world.source.send_retained()


@contextmanager
def dropped(world: World) -> Any:
    """The monitor's queue runs over."""
    world.runner.dropped += 40
    yield
    world.runner.dropped += 2


@contextmanager
def topic_storm(world: World) -> Any:
    """Thousands of topics that nobody has configured, with names and payloads of all kinds."""
    _shout(world, 0)
    yield
    _shout(world, 3000)


def _shout(world: World, first: int) -> None:
    now_ns = world.runner.core.now_ns
    for i in range(first, first + 3000):
        world.runner.message(Frame(now_ns, f"storm/{i}/{i * i}", b"x" * (i % 300), i % 2 == 0))


@contextmanager
def rubbish(world: World) -> Any:
    """A known topic with payloads that are no readings."""
    topic = world.source.channels[0].topic
    now_ns = world.runner.core.now_ns
    for payload in (b"", b"{", b"\xff\xfe", b"null", b'{"value": "x"}', b'{"value": NaN}', b"[" * 2000, b"9" * 100_000):
        world.runner.message(Frame(now_ns, topic, payload))
    yield


@contextmanager
def disk_full(world: World) -> Any:
    """The disk says that it is full in the middle of every transaction."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with _paced(world), patch.object(recording, "insert", full):
        yield


@contextmanager
def disk_refuses(world: World) -> Any:
    """The operating system refuses every write to a file."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with _paced(world):
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def disk_slow(world: World) -> Any:
    """Every block takes the disk half a second."""

    def slow(*args: Any) -> None:
        time.sleep(0.5)
        insert(*args)

    with _paced(world), patch.object(recording, "insert", slow):
        yield


@contextmanager
def folder_removed(world: World) -> Any:
    """The folder of the recordings goes away (a share that is lost) and comes back."""
    away = world.folder.with_name(world.folder.name + "-away")
    with _paced(world):
        os.rename(world.folder, away)
        yield
        os.rename(away, world.folder)


@contextmanager
def _paced(world: World) -> Any:
    """The recorder tries again by real time: what it must hold meanwhile shall be in proportion."""
    world.paced = True
    try:
        yield
    finally:
        world.paced = False


EXTRA: Final[Mapping[str, Callable[[World], Any]]] = {
    "connection-lost": connection_lost,
    "stale-retained": stale_retained,
    "readings-dropped": dropped,
    "topic-storm": topic_storm,
    "rubbish": rubbish,
    "disk-full": disk_full,
    "disk-refuses": disk_refuses,
    "disk-slow": disk_slow,
    "folder-gone": folder_removed,
}
"""Faults that are none of the rig: of the network, the broker, the monitor's own queue and disk."""
DISK: Final = ("disk-full", "disk-refuses", "disk-slow", "folder-gone")
KINDS: Final = (*(kind_of(fault) for fault in FAULTS), *EXTRA)
_CLASSES: Final = {kind_of(fault): fault for fault in FAULTS}


@dataclass(slots=True)
class Mishap:
    """One fault of the run. Times in s of the run."""

    kind: str
    start_s: float
    length_s: float
    settings: dict[str, Any] = field(default_factory=dict)
    """Fields of the fault, as drawn."""
    fault: Fault | None = None
    _attached: list[Attached] = field(default_factory=list)
    _around: Any = None

    @property
    def words(self) -> str:
        """The fault in one line."""
        fields = " ".join(f"{name}={value:.4g}" if isinstance(value, float) else f"{name}={value}" for name, value in
                          self.settings.items())  # fmt: skip
        return f"{self.kind} {fields}".strip()

    @property
    def limit_s(self) -> float:
        """How long after its end it may still show."""
        return HEAT_S if self.kind in HEAT else BRAKE_S if self.kind in BRAKE else RECOVERY_S

    @property
    def end_s(self) -> float:
        """When it goes."""
        return self.start_s + self.length_s

    def begin(self, world: World, t_s: float) -> None:
        """It comes, at `t_s` of the run."""
        self.start_s = t_s
        source = world.source
        if self.kind in EXTRA:
            self._around = EXTRA[self.kind](world)
            self._around.__enter__()
            return
        fault = self.fault = _CLASSES[self.kind](start_s=t_s, length_s=self.length_s, **self.settings)
        touched = fault.sensors()
        for channel in source.channels:
            if touched is None or channel.sensor.id in touched:
                item = Attached(fault, active=True)
                channel.attached.append(item)
                self._attached.append(item)
        source.plant.wake()
        fault.begin(source)

    def finish(self, world: World) -> None:
        """It goes, or is repaired."""
        source = world.source
        if self._around is not None:
            self._around.__exit__(None, None, None)
            return
        assert self.fault is not None
        source.plant.wake()
        self.fault.finish(source)
        for item in self._attached:
            item.active = False
        if not isinstance(self.fault, MissedCounts):  # what was not counted stays so
            for channel in source.channels:
                channel.attached = [item for item in channel.attached if item not in self._attached]
        if self.kind == "precharge-lost":
            _recharge(source)
        elif self.kind == "line-parted":
            string_up(source)


def _recharge(source: PlantSource) -> None:
    """The accumulator gets its gas back; the pressure stays."""
    gas = source.plant.oil.accumulator
    gas.precharge_pa = source.rig.hydraulics.precharge_pa
    gas.pressure_pa = max(gas.pressure_pa, gas.precharge_pa)
    gas.gas_m3 = gas.volume_m3 * (gas.precharge_pa + ATMOSPHERE_PA) / (gas.pressure_pa + ATMOSPHERE_PA)


def string_up(source: PlantSource) -> None:
    """A new line: the block hangs in it where it lies, with other wraps on the drum and the string in the slips."""
    plant = source.plant
    turns = plant.turns
    plant.parted = False
    plant.omega = plant.speed_m_s = 0.0
    plant.hang_pipe(0.0)
    plant.string_in_slips(plant.string.weight_n)
    plant._hang_still()
    plant.slip_turns += turns - plant.turns  # the drum, and its encoder, stay where they are
    plant.turns = turns
    source._parted_reported = False


def deck(rig: Rig, count: int, hours: float, draw: random.Random) -> list[Mishap]:
    """`count` mishaps in a run of `hours`, one in each equal stretch of it, early enough in it to be over in its middle.

    Those that need most memory come first, in the hour that warms up: a burst from a gateway, a disk that refuses.
    """
    slot_s = hours * 3600.0 / max(count, 1)
    mishaps: list[Mishap] = []
    kinds: list[str] = []
    for i in range(count):
        if not kinds:
            kinds = list(KINDS)
            draw.shuffle(kinds)
            if not mishaps:
                kinds.sort(key=WARMING.__contains__)
        drawn = mishap(kinds.pop(), i * slot_s, slot_s, rig, draw)
        if i < len(WARMING) and drawn.kind == "broker-outage":
            drawn.settings["buffered"], drawn.length_s = True, KEPT_S
        mishaps.append(drawn)
    return mishaps


def mishap(kind: str, from_s: float, slot_s: float, rig: Rig, draw: random.Random) -> Mishap:
    """One of `kind` within the stretch of `slot_s` that begins at `from_s`."""
    settings = DRAWS[kind](draw, rig) if kind in DRAWS else {}
    start_s = from_s + draw.uniform(0.05, 0.3) * slot_s
    length_s = draw.uniform(20.0, 0.2 * slot_s if slot_s > 200.0 else 40.0)
    if kind in DISK:
        length_s = min(length_s, 90.0)
    elif kind in ("rope-slip", "hung-up"):
        length_s = min(length_s, 30.0)
    elif kind == "broker-outage" and settings["buffered"]:
        length_s = min(length_s, KEPT_S)  # what the simulated gateway keeps is in this process's memory too
    return Mishap(kind, start_s, length_s, settings)
