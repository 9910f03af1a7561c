"""The register of sensors: last good reading, age, rate, and what was refused and why; one record per sensor.

A reading goes stale when nothing good has come for the sensor's `stale_after_s`; its value is then INVALID, never "zero" and
never "as before". Repeated and out-of-order readings are refused here, before anything downstream can be misled by them.
"""

import math
from collections.abc import Sequence
from typing import Final

from monitor.config import Rig, Sensor
from monitor.core.decode import printable
from monitor.core.types import UNKNOWN, Reject, RejectReason, Sample, Validity, Value

_CLOCK_STEP_NS: Final = 5_000_000_000
"""A source time further back than this is a stepped clock, not a late reading."""
_GAP_MOST: Final = 100_000
_NOT_THE_SENSORS_FAULT: Final = frozenset({RejectReason.RETAINED, RejectReason.DUPLICATE, RejectReason.TOO_OLD})
Flag = tuple[float, int]
_VALID: Final = int(Validity.VALID)
_SILENT: Final[Flag] = (math.nan, int(Validity.INVALID))
_ABSENT: Final[Flag] = (math.nan, int(Validity.NOT_FITTED))


class SensorRecord:
    """What is known of one sensor. Mutable, private to the core; screens get `monitor.core.types.SensorView`."""

    __slots__ = ("good", "id", "last_ns", "last_reason", "last_sequence", "last_source_ns", "missing", "number", "period_s",
                 "refused_in_row", "rejected", "sensor", "stale", "stale_ns")  # fmt: skip

    def __init__(self, sensor: Sensor) -> None:
        self.sensor = sensor
        self.id = sensor.id
        self.stale_ns = round(sensor.stale_after_s * 1e9)
        self.number = math.nan
        self.last_ns = -1
        self.last_source_ns: int | None = None
        self.last_sequence: int | None = None
        self.period_s = 0.0
        self.good = 0
        self.missing = 0
        self.rejected = 0
        self.refused_in_row = 0
        self.stale = False
        """Whether nothing good had come for too long at the last grid point."""
        self.last_reason = ""

    def accept(self, sample: Sample) -> RejectReason | None:
        """Take a decoded reading; the reason when it repeats or precedes one already taken."""
        if (
            sample.sequence is not None
            and sample.sequence == self.last_sequence
            and sample.source_t_ns == self.last_source_ns
        ):
            return RejectReason.DUPLICATE
        source, last = sample.source_t_ns, self.last_source_ns
        if source is not None and last is not None:
            if source == last and sample.sequence is None:
                return RejectReason.DUPLICATE
            if last - _CLOCK_STEP_NS < source < last:
                return RejectReason.TOO_OLD
        if self.last_ns >= 0:
            # Exponential mean of the interval, over about 16 readings: enough to show a rate, cheap to keep.
            interval = (sample.t_ns - self.last_ns) * 1e-9
            self.period_s += (interval - self.period_s) / (16 if self.good > 16 else self.good)
        if sample.sequence is not None and self.last_sequence is not None:
            gap = sample.sequence - self.last_sequence - 1
            # A larger gap, or a number that went back, is a source that began anew.
            if 0 < gap <= _GAP_MOST:
                self.missing += gap
        self.number = sample.value
        self.last_ns = sample.t_ns
        self.last_source_ns = source
        self.last_sequence = sample.sequence
        self.good += 1
        self.refused_in_row = 0
        return None

    def refuse(self, reason: RejectReason, detail: str = "") -> None:
        """Count a refused reading."""
        self.rejected += 1
        self.last_reason = f"{reason}: {detail}" if detail else str(reason)
        if reason not in _NOT_THE_SENSORS_FAULT:
            self.refused_in_row += 1

    @property
    def rejecting(self) -> bool:
        """Whether its recent readings are refused: at least three in a row."""
        return self.refused_in_row >= 3

    @property
    def out_of_range(self) -> bool:
        """Whether its latest readings lie outside the believable range."""
        return self.refused_in_row >= 2 and self.last_reason.startswith(RejectReason.OUT_OF_RANGE)


class SensorRegister:
    """All sensors of a rig."""

    def __init__(self, rig: Rig) -> None:
        self.records: Sequence[SensorRecord] = tuple(SensorRecord(sensor) for sensor in rig.sensors)
        self.unknown_topics = 0
        self.last_unknown = ""
        self.reasons: dict[str, int] = {}
        self.start_ns = 0
        self.silent_share = 0.0
        """Share of all sensors that are stale, 0 to 1."""
        self.missing = 0
        """Readings that sequence numbers show to be lost on the way, all sensors together."""
        self._by_quantity: dict[str, SensorRecord] = {}
        for record in self.records:
            self._by_quantity.setdefault(record.sensor.quantity, record)

    def start(self, t_ns: int) -> None:
        """The stream begins: a sensor that never speaks is stale `stale_after_s` after this."""
        self.start_ns = t_ns

    def refuse(self, reject: Reject) -> None:
        """Count a refused reading or message."""
        self.reasons[reject.reason] = self.reasons.get(reject.reason, 0) + 1
        if reject.sensor is None:
            self.unknown_topics += 1
            self.last_unknown = printable(reject.detail)
        else:
            self.records[reject.sensor].refuse(reject.reason, reject.detail)

    def look(self, t_ns: int) -> None:
        """Count, for a grid point, who is silent and what is missing: one pass over all sensors."""
        silent = missing = 0
        for record in self.records:
            since = record.last_ns if record.last_ns >= 0 else self.start_ns
            record.stale = t_ns - since > record.stale_ns
            silent += record.stale
            missing += record.missing
        self.silent_share = silent / len(self.records)
        self.missing = missing

    def number(self, quantity: str, t_ns: int) -> Flag:
        """Last reading of `quantity`, SI, and its validity as a number."""
        record = self._by_quantity.get(quantity)
        if record is None:
            return _ABSENT
        if t_ns - record.last_ns > record.stale_ns:  # never seen: last_ns is -1, and no stream starts in 1970
            return _SILENT
        return record.number, _VALID

    def value(self, record: SensorRecord, t_ns: int) -> Value:
        """Last reading of one sensor as a `Value`."""
        if t_ns - record.last_ns > record.stale_ns:
            return UNKNOWN
        return Value(record.number, Validity.VALID)

    def fitted(self, quantity: str) -> bool:
        """Whether the rig has a sensor of `quantity`."""
        return quantity in self._by_quantity
