"""The register of sensors: one record each, and what every quantity says at a grid point.

A reading goes stale when nothing good has come for the sensor's `stale_after_s`, or at once when its source is gone; its value
is then INVALID, never "zero" and never "as before".
"""

from collections.abc import Mapping, Sequence
from typing import Final

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.sensors.lateness import COMMON_NS
from monitor.core.sensors.record import SensorRecord
from monitor.model.quantities import QUANTITIES
from monitor.model.reading import (
    ABSENT,
    ABSENT_FLAG,
    DEGRADED,
    UNKNOWN,
    UNKNOWN_FLAG,
    VALID,
    Flag,
    Reject,
    Validity,
    Value,
)
from monitor.physics.tackle import SLACK_LINE_SHARE, dead_line_n
from monitor.units import STANDARD_GRAVITY_M_S2

_COMPARED: Final = frozenset({"brake_lever", "service_pressure_1", "service_pressure_2"})
"""Readings that are compared with each other within tenths of a second: one that may be seconds old is worse than none."""
_TOGETHER_NS: Final = 1_500_000_000
"""Pauses that end within such a time ended together (common practice, no source)."""


class SensorRegister:
    """All sensors of a rig."""

    def __init__(self, rig: Rig) -> None:
        self.records: Sequence[SensorRecord] = tuple(
            SensorRecord(sensor, _least_load_n(rig, sensor)) for sensor in rig.sensors
        )
        self._stamped = [r for r in self.records if r.watched and r.sensor.stamped]
        self._unstamped = [r for r in self.records if not r.sensor.stamped]
        self.reasons: dict[str, int] = {}
        self.start_ns = 0
        self.silent_share = 0.0
        """Share of all sensors that are stale, 0 to 1."""
        self.any_abnormal = False
        """Whether any sensor is silent, refused or has a diagnosis."""
        self._load_quantity = "dead_line_tension"
        if any(sensor.quantity == "hook_load" for sensor in rig.sensors):
            self._load_quantity = "hook_load"
        self.missing = 0
        """Readings that sequence numbers show to be lost on the way, all sensors together."""
        absent: dict[str, Flag] = dict.fromkeys(QUANTITIES, ABSENT_FLAG)
        self.readings: Mapping[str, Flag] = absent
        """What `number` says of every quantity at the last grid point: a new mapping each time, never written to later."""
        self._by_quantity: dict[str, SensorRecord] = {}
        for record in self.records:
            self._by_quantity.setdefault(record.sensor.quantity, record)
            absent[record.sensor.quantity] = UNKNOWN_FLAG
        self._rows = [
            (
                record,
                record.sensor.quantity if self._by_quantity[record.sensor.quantity] is record else None,
                record.watched and record.sensor.quantity in _COMPARED,
            )
            for record in self.records
        ]
        """Every record, with its quantity where it speaks for it (of two sensors alike the first does), and whether it is one of
        those that are compared with each other."""

    def start(self, t_ns: int) -> None:
        """The stream begins: a sensor that never speaks is stale `stale_after_s` after this."""
        self.start_ns = t_ns

    def refuse(self, reject: Reject) -> None:
        """Count a refused reading or message."""
        self.reasons[reject.reason] = self.reasons.get(reject.reason, 0) + 1
        if reject.sensor is not None:
            self.records[reject.sensor].refuse(reject.reason, reject.detail)

    def update(self, t_ns: int, slow: bool = False) -> None:
        """Bring staleness, diagnoses, missing readings and `readings` up to the grid point `t_ns`: one pass over all
        sensors. `slow`: all of them are, so that a reading that did not come is a lost one, and makes nothing late."""
        silent = missing = 0
        any_abnormal = suspects = False
        readings = dict(self.readings)
        for record, quantity, compared in self._rows:
            if record.suspect:
                suspects = True
                record.update_diagnosis(t_ns, slow or self._paused_together(record))
            last_ns = record.last_ns
            if last_ns < 0 or t_ns - last_ns > record.stale_ns or record.source_words:
                silent_ns = t_ns - (last_ns if last_ns >= 0 else self.start_ns)
                record.stale = silent_ns > record.stale_ns or record.source_words != ""
                silent += record.stale
                any_abnormal = True
                flag = UNKNOWN_FLAG
            else:
                record.stale = False
                flag = (record.number, VALID)
                if record.diagnosis:
                    any_abnormal = True
                    flag = (record.number, DEGRADED)
                if compared and record.may_be_stale:
                    flag = UNKNOWN_FLAG
            if quantity is not None:
                readings[quantity] = flag
            missing += record.missing
            if record.refused_in_row:
                any_abnormal = True
        self.readings = readings
        self.any_abnormal = any_abnormal
        self.silent_share = silent / len(self.records)
        self.missing = missing
        if suspects:
            self._learn_common_delay(t_ns)

    def _paused_together(self, record: SensorRecord) -> bool:
        """Whether most sensors that could tell paused when this one did: then it is what they share that paused."""
        own = record.lateness
        if not own.pending_ns:
            return False
        others = [r.lateness for r in self._unstamped if r is not record and r.lateness.notices(own.pending_ns)]
        near_ns = max(_TOGETHER_NS, own.wait_ns)
        paused = sum(abs(own.pause_ns - other.pause_ns) < near_ns for other in others)
        return 2 * paused > len(others)

    def _learn_common_delay(self, t_ns: int) -> None:
        """Where most sensors that carry a time have long been late together, their way is longer or their clock was set."""
        late = [r for r in self._stamped if r.lateness.since_ns and t_ns - r.lateness.since_ns > COMMON_NS]
        if len(late) >= 2 and 2 * len(late) > len(self._stamped):
            for record in late:
                record.lateness.learn_again()

    def number(self, quantity: str, t_ns: int) -> Flag:
        """Last reading of `quantity`, SI, and its validity as a number, at any time. At a grid point: see `readings`."""
        record = self._by_quantity.get(quantity)
        if record is None:
            return ABSENT_FLAG
        if record.last_ns < 0 or t_ns - record.last_ns > record.stale_ns or record.source_words:
            return UNKNOWN_FLAG
        return record.number, DEGRADED if record.diagnosis else VALID

    def value(self, record: SensorRecord, t_ns: int) -> Value:
        """Last reading of one sensor as a `Value`."""
        if record.last_ns < 0 or t_ns - record.last_ns > record.stale_ns or record.source_words:
            return UNKNOWN
        return Value(record.number, Validity.VALID)

    @property
    def load_known(self) -> bool:
        """Whether nothing spoke against the hook load at the last grid point; so on a rig without a load sensor."""
        return self.readings[self._load_quantity][1] in (VALID, ABSENT)

    @property
    def load_ns(self) -> int:
        """When the last reading of the load came; -1 where there was none."""
        record = self._by_quantity.get(self._load_quantity)
        return -1 if record is None else record.last_ns

    @property
    def load_stepped(self) -> bool:
        """Whether the hook load may mean another thing than before."""
        record = self._by_quantity.get(self._load_quantity)
        return record is not None and record.stepped

    def fitted(self, quantity: str) -> bool:
        """Whether the rig has a sensor of `quantity`."""
        return quantity in self._by_quantity


def _least_load_n(rig: Rig, sensor: Sensor) -> float:
    """Reading of a load sensor below which the block does not hang on the line; 0 for any other sensor."""
    least_n = SLACK_LINE_SHARE * rig.block.mass_kg * STANDARD_GRAVITY_M_S2
    if sensor.quantity == "hook_load":
        return least_n
    if sensor.quantity == "dead_line_tension":
        return dead_line_n(least_n, rig.line.sheave_factor, rig.line.lines, 0)
    return 0.0
