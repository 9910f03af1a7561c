"""The sensors as instruments: what alarms and screens get of each of them.

Two watch a sensor: its own record (silence, refused readings, readings that repeat or jump), and, for positions and marks, the
estimator, which compares it with the others. Here both come together, and what is new of them becomes a finding.
"""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, Final

from monitor.core.estimator.estimator import Estimator
from monitor.core.sensors.record import SensorRecord
from monitor.core.sensors.register import SensorRegister
from monitor.core.sensors.source_news import News
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import VALID, Flag
from monitor.model.snapshot import SensorView
from monitor.text import printable

_RECENT_NS: Final = 60_000_000_000
_YES: Final[Flag] = (1.0, VALID)
_NO: Final[Flag] = (0.0, VALID)
_ALL_WELL: Final = (_NO, _NO, _NO, _NO)


class Instruments:
    """All sensors of one rig. `changes` at each grid point, then `flags`."""

    def __init__(self, sensors: SensorRegister, fused: Sequence[bool]) -> None:
        """`fused` says of each sensor whether the estimator watches it."""
        self._sensors = sensors
        self._fused = fused
        self._fused_places = [place for place, is_fused in enumerate(fused) if is_fused]
        self._all_well: tuple[tuple[Flag, ...], ...] = (_ALL_WELL,) * len(fused)
        self._diagnoses = [""] * len(fused)
        self._any_diagnosis = False
        self._dropped: deque[tuple[int, int]] = deque()
        """(time, total) wherever the total of lost readings changed; the oldest entry is the last from before a minute."""
        self.flags: tuple[tuple[Flag, ...], ...] = self._all_well
        """(stale, rejecting, out of range, doubtful) of every sensor at the grid point last looked at, as `SENSOR_SIGNALS` has
        them."""

    def changes(self, t_ns: int, estimator: Estimator) -> list[Finding]:
        """Look at every sensor at the grid point `t_ns`; a finding for each diagnosis that is another than before."""
        findings: list[Finding] = []
        records, diagnoses = self._sensors.records, self._diagnoses
        flags: list[tuple[Flag, ...]] | None = None
        # Where nothing is abnormal or was, only what the estimator says of its own sensors can be news.
        for index in range(len(records)) if self._sensors.any_abnormal or self._any_diagnosis else self._fused_places:
            record = records[index]
            rejecting, diagnosis = record.rejecting, record.diagnosis
            doubtful = bool(diagnosis)
            if self._fused[index]:
                refused, diagnosis = estimator.diagnosis(index)
                rejecting = rejecting or refused
            diagnosis = record.source_words or diagnosis
            if diagnosis != diagnoses[index]:
                findings.append(
                    Finding(t_ns, "instrument", f"verdict:{record.id}", Severity.NOTICE, diagnoses[index],
                            diagnosis, diagnosis or "verdict withdrawn")
                )  # fmt: skip
                diagnoses[index] = diagnosis
                self._any_diagnosis = any(diagnoses)
            if record.stale or rejecting or doubtful or record.refused_in_row:
                flags = flags or list(self._all_well)
                found = (record.stale, rejecting, record.out_of_range, doubtful)
                flags[index] = tuple(_YES if flag else _NO for flag in found)
        self.flags = self._all_well if flags is None else tuple(flags)
        return findings

    def source_news(self, news: list[News], t_ns: int) -> list[Finding]:
        """Take what is new of the sensors' sources, and empty it; findings about the sources themselves."""
        findings = []
        for sensor, source, words in news:
            if sensor is not None:
                self._sensors.records[sensor].source_words = words
            else:
                key = printable(f"source:{source}", 250)
                findings.append(Finding(t_ns, "instrument", key, Severity.NOTICE, "", words, f"{source}: {words}"))
        news.clear()
        return findings

    def recent_drops(self, t_ns: int, total: int) -> int:
        """Readings lost within the last minute, `total` of them having been lost so far: dropped by the monitor, or missing by
        their sequence numbers."""
        dropped = self._dropped
        if not dropped or dropped[-1][1] != total:
            dropped.append((t_ns, total))
        while len(dropped) > 1 and dropped[1][0] <= t_ns - _RECENT_NS:
            dropped.popleft()
        return total - dropped[0][1]

    def views(self, t_ns: int, estimator: Estimator) -> tuple[SensorView, ...]:
        """Every sensor as a screen shows it."""
        return tuple(self._view(index, record, t_ns, estimator) for index, record in enumerate(self._sensors.records))

    def _view(self, index: int, record: SensorRecord, t_ns: int, estimator: Estimator) -> SensorView:
        fusion = estimator.fusion(index) if self._fused[index] else None
        return SensorView(
            id=record.id,
            quantity=record.sensor.quantity,
            unit=record.sensor.unit,
            value=self._sensors.value(record, t_ns),
            age_s=(t_ns - record.last_ns) * 1e-9 if record.last_ns >= 0 else math.inf,
            rate_hz=1.0 / record.period_s if record.period_s > 0 else 0.0,
            latency_s=fusion.latency_s if fusion else None,
            innovation=fusion.innovation if fusion else None,
            test_ratio=fusion.test_ratio if fusion else None,
            fused=fusion.fused if fusion else record.good,
            rejected=record.rejected,
            last_reason=record.last_reason,
            stale=record.stale,
            rejecting=record.rejecting or bool(fusion and fusion.rejecting),
            out_of_range=record.out_of_range,
            diagnosis=record.source_words or (fusion.diagnosis if fusion else record.diagnosis),
        )

    def state(self) -> dict[str, str]:
        """What has been found of each sensor, by its id."""
        return {record.id: words for record, words in zip(self._sensors.records, self._diagnoses, strict=True)}

    def restore(self, saved: Any) -> None:
        """Restore what `state` gave, so that an old diagnosis is not reported again. Anything else is ignored."""
        if isinstance(saved, Mapping):
            self._diagnoses = [printable(str(saved.get(record.id, "")), 200) for record in self._sensors.records]
            self._any_diagnosis = any(self._diagnoses)
