"""The register of sensors: one record each, and what every quantity says at a grid point.

A reading goes stale when nothing good has come for the sensor's `stale_after_s`; its value is then INVALID, never "zero" and
never "as before".
"""

from collections.abc import Mapping, Sequence
from typing import Final

from monitor.config.rig import Rig
from monitor.core.sensors.record import SensorRecord
from monitor.model.quantities import QUANTITIES
from monitor.model.reading import ABSENT_FLAG, DEGRADED, UNKNOWN, UNKNOWN_FLAG, Flag, Reject, Validity, Value

_VALID: Final = int(Validity.VALID)


class SensorRegister:
    """All sensors of a rig."""

    def __init__(self, rig: Rig) -> None:
        self.records: Sequence[SensorRecord] = tuple(SensorRecord(sensor) for sensor in rig.sensors)
        self.reasons: dict[str, int] = {}
        self.start_ns = 0
        self.silent_share = 0.0
        """Share of all sensors that are stale, 0 to 1."""
        self.any_abnormal = False
        """Whether any sensor is silent, refused or has a diagnosis."""
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
            (record, record.sensor.quantity if self._by_quantity[record.sensor.quantity] is record else None)
            for record in self.records
        ]
        """Every record, with its quantity where it speaks for it: of two sensors alike the first does."""

    def start(self, t_ns: int) -> None:
        """The stream begins: a sensor that never speaks is stale `stale_after_s` after this."""
        self.start_ns = t_ns

    def refuse(self, reject: Reject) -> None:
        """Count a refused reading or message."""
        self.reasons[reject.reason] = self.reasons.get(reject.reason, 0) + 1
        if reject.sensor is not None:
            self.records[reject.sensor].refuse(reject.reason, reject.detail)

    def update(self, t_ns: int) -> None:
        """Bring staleness, diagnoses, missing readings and `readings` up to the grid point `t_ns`: one pass over all
        sensors."""
        silent = missing = 0
        any_abnormal = False
        readings = dict(self.readings)
        for record, quantity in self._rows:
            if record.suspect:
                record.update_diagnosis(t_ns)
            last_ns = record.last_ns
            if last_ns < 0 or t_ns - last_ns > record.stale_ns:
                record.stale = t_ns - (last_ns if last_ns >= 0 else self.start_ns) > record.stale_ns
                silent += record.stale
                any_abnormal = True
                flag = UNKNOWN_FLAG
            elif record.diagnosis:
                record.stale, any_abnormal = False, True
                flag = (record.number, DEGRADED)
            else:
                record.stale = False
                flag = (record.number, _VALID)
            if quantity is not None:
                readings[quantity] = flag
            missing += record.missing
            if record.refused_in_row:
                any_abnormal = True
        self.readings = readings
        self.any_abnormal = any_abnormal
        self.silent_share = silent / len(self.records)
        self.missing = missing

    def number(self, quantity: str, t_ns: int) -> Flag:
        """Last reading of `quantity`, SI, and its validity as a number, at any time. At a grid point: see `readings`."""
        record = self._by_quantity.get(quantity)
        if record is None:
            return ABSENT_FLAG
        if record.last_ns < 0 or t_ns - record.last_ns > record.stale_ns:
            return UNKNOWN_FLAG
        return record.number, DEGRADED if record.diagnosis else _VALID

    def value(self, record: SensorRecord, t_ns: int) -> Value:
        """Last reading of one sensor as a `Value`."""
        if record.last_ns < 0 or t_ns - record.last_ns > record.stale_ns:
            return UNKNOWN
        return Value(record.number, Validity.VALID)

    def fitted(self, quantity: str) -> bool:
        """Whether the rig has a sensor of `quantity`."""
        return quantity in self._by_quantity
