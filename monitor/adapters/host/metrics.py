"""Metrics of the monitor for the site's own supervision, in the text format of Prometheus, version 0.0.4 (an open standard).

`families` turns `Facts` of one rig into a table of them, each sample with the rig's name; `page` is the text of one rig or of
several, each family with its HELP and TYPE, in base units (seconds, bytes, metres). It says how the *monitor* is, and which of
its warnings stand; nothing may act on the rig because of it, and every HELP of a figure about the hoist says so.
"""

import math
import os
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from monitor.model.alarm import AlarmState, Severity
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
ADVISORY: Final = "Advisory only: for people, never to act on the rig."
_STARTED_S = time.time()

Kind = Literal["gauge", "counter"]
Labels = Mapping[str, str]
Sample = tuple[Labels, float]
_NONE: Final[Labels] = {}
_UP: Final = "1 while the monitor watches, 0 after its end in order."
_LOG_LOST: Final = "Lines of the log that could not be written."


@dataclass(frozen=True, slots=True)
class Facts:
    """What the page says. A figure that is None is not known, and is left out."""

    version: str
    rig: str
    mode: str
    up: bool = True
    connected: bool = False
    connections: int = 0
    frames: int = 0
    dropped: int = 0
    lag_s: float = 0.0
    """Longest delay of the loop within the last minute."""
    findings: Mapping[str, int] = field(default_factory=dict)
    """By kind."""
    recording: Literal["on", "off", "failed"] = "off"
    recorder_lost: int | None = None
    recorder_waiting_bytes: int | None = None
    recorder_behind_s: float | None = None
    disk_bytes: int | None = None
    disk_free_bytes: int | None = None
    ledger_failed: bool | None = None
    ledger_waiting: int | None = None
    ledger_written: int | None = None
    log_lost: int = 0
    certificate_ends_s: Mapping[str, float] = field(default_factory=dict)
    """Of the certificates given to the monitor, by use, s since 1970."""
    snapshot: Snapshot | None = None


@dataclass(frozen=True, slots=True)
class Family:
    """One metric: its name without the prefix, what it is, and its samples."""

    name: str
    kind: Kind
    help: str
    samples: Sequence[Sample]


def families(facts: Facts) -> list[Family]:
    """What there is to say of one rig; its name is a label of every sample."""
    found = (*_monitor(facts), *_recorder(facts), *_stream(facts), *_process())
    return [
        replace(family, samples=[({"rig": facts.rig, **labels}, value) for labels, value in family.samples])
        for family in found
        if family.samples
    ]


def not_up(rig: str) -> list[Family]:
    """All that there is to say of a rig that is not watched."""
    return [Family("stopmark_up", "gauge", _UP, [({"rig": rig}, 0.0)])]


def of_process(log_lost: int) -> list[Family]:
    """Figures of a process that watches no rig itself."""
    return [_one("stopmark_log_lines_lost_total", "counter", _LOG_LOST, log_lost), *_process()]


def page(*rigs: Sequence[Family]) -> str:
    """The whole page of all `rigs`, each family once, each line ended."""
    lines: dict[str, list[str]] = {}
    for family in (family for rig in rigs for family in rig):
        head = [f"# HELP {family.name} {_escaped(family.help)}", f"# TYPE {family.name} {family.kind}"]
        written = lines.setdefault(family.name, head)
        written += [f"{family.name}{_labels(labels)} {_number(value)}" for labels, value in family.samples]
    return "\n".join(line for written in lines.values() for line in written) + "\n"


def _one(name: str, kind: Kind, words: str, value: float | None) -> Family:
    return Family(name, kind, words, [] if value is None else [(_NONE, float(value))])


def _by(label: str, counts: Iterable[tuple[str, float]]) -> list[Sample]:
    return [({label: name}, float(count)) for name, count in counts]


def _monitor(facts: Facts) -> list[Family]:
    about = {"version": facts.version, "rig": facts.rig, "mode": facts.mode.lower()}
    return [
        Family("stopmark_info", "gauge", f"Which monitor this is; always 1. {ADVISORY}", [(about, 1.0)]),
        _one("stopmark_up", "gauge", _UP, facts.up),
        _one("stopmark_connected", "gauge", "1 while there is a connection to the broker.", facts.connected),
        _one("stopmark_connections_total", "counter", "Connections to the broker so far.", facts.connections),
        _one("stopmark_frames_total", "counter", "Messages and health frames taken.", facts.frames),
        _one("stopmark_dropped_frames_total", "counter", "Messages dropped before they were looked at.", facts.dropped),
        _one(
            "stopmark_loop_lag_seconds", "gauge", "Longest delay of the monitor's loop in the last minute.", facts.lag_s
        ),
        Family(
            "stopmark_findings_total", "counter", f"Findings so far, by kind. {ADVISORY}",
            _by("kind", sorted(facts.findings.items())),
        ),
        _one("stopmark_log_lines_lost_total", "counter", _LOG_LOST, facts.log_lost),
        Family(
            "stopmark_certificate_end_time_seconds", "gauge",
            "When the certificates given to the monitor end, seconds since 1970.",
            _by("use", sorted(facts.certificate_ends_s.items())),
        ),
    ]  # fmt: skip


def _recorder(facts: Facts) -> list[Family]:
    return [
        _one("stopmark_recording", "gauge", "1 while recordings reach the disk.", facts.recording == "on"),
        _one(
            "stopmark_recorder_failed", "gauge", "1 while recordings are wanted and the disk refuses.",
            facts.recording == "failed",
        ),
        _one(
            "stopmark_recorder_lost_frames_total", "counter", "Frames that could not be recorded.", facts.recorder_lost
        ),
        _one(
            "stopmark_recorder_waiting_bytes", "gauge", "What waits in memory for the disk.",
            facts.recorder_waiting_bytes,
        ),
        _one(
            "stopmark_recorder_behind_seconds", "gauge", "Time since everything was on the disk; a power cut costs so much.",
            facts.recorder_behind_s,
        ),
        _one("stopmark_disk_bytes", "gauge", "Size of the disk under the recordings.", facts.disk_bytes),
        _one("stopmark_disk_free_bytes", "gauge", "Room left on the disk under the recordings.", facts.disk_free_bytes),
        _one("stopmark_ledger_failed", "gauge", "1 while the rig's ledger cannot be written.", facts.ledger_failed),
        _one("stopmark_ledger_waiting", "gauge", "What waits to be entered in the rig's ledger.", facts.ledger_waiting),
        _one("stopmark_ledger_entries_total", "counter", "Entries in the ledger by this run.", facts.ledger_written),
    ]  # fmt: skip


def _stream(facts: Facts) -> list[Family]:
    snap = facts.snapshot
    if snap is None:
        return []
    named = [({"sensor": sensor.id, "quantity": sensor.quantity}, sensor) for sensor in snap.sensors]
    standing = Counter((alarm.severity, alarm.state) for alarm in snap.alarms)
    states = [state for state in AlarmState if state is not AlarmState.NORMAL]
    height = snap.value("height").validity
    return [
        _one("stopmark_stream_time_seconds", "gauge", "Stream time, seconds since 1970.", snap.t_ns * 1e-9),
        Family(
            "stopmark_sensor_readings_total", "counter", "Readings used, by sensor.",
            [(labels, sensor.fused) for labels, sensor in named],
        ),
        Family(
            "stopmark_sensor_rejected_total", "counter", "Readings refused, by sensor.",
            [(labels, sensor.rejected) for labels, sensor in named],
        ),
        Family(
            "stopmark_sensor_age_seconds", "gauge", "Age of the last good reading; +Inf when there was none yet.",
            [(labels, sensor.age_s) for labels, sensor in named],
        ),
        Family(
            "stopmark_sensor_stale", "gauge", "1 while nothing good has come from the sensor for too long.",
            [(labels, float(sensor.stale)) for labels, sensor in named],
        ),
        _one(
            "stopmark_stale_sensors", "gauge", "Sensors that are stale.", sum(sensor.stale for sensor in snap.sensors)
        ),
        Family(
            "stopmark_rejects_total", "counter", "Readings and messages refused, by reason.",
            _by("reason", sorted(snap.rejects.items())),
        ),
        Family(
            "stopmark_alarms", "gauge", f"Alarms that are not normal, by severity and state. {ADVISORY}",
            [
                ({"severity": severity.name.lower(), "state": state.value}, float(standing[severity, state]))
                for severity in Severity
                for state in states
            ],
        ),
        _one("stopmark_blind_rules", "gauge", "Rules that cannot be evaluated: an input is invalid.", snap.blind_rules),
        Family(
            "stopmark_height_validity", "gauge", f"1 at what the block's height is worth now. {ADVISORY}",
            _by("validity", [(each.name.lower(), each == height) for each in Validity]),
        ),
    ]  # fmt: skip


def begins_now() -> None:
    """Note when this process began, where it is a copy of one that had imported this module already."""
    global _STARTED_S
    _STARTED_S = time.time()


def _process() -> list[Family]:
    return [
        _one("process_start_time_seconds", "gauge", "When the process started, seconds since 1970.", _STARTED_S),
        _one("process_cpu_seconds_total", "counter", "Processor time used.", time.process_time()),
        _one("process_resident_memory_bytes", "gauge", "Memory in use.", resident_bytes()),
        _one("process_open_fds", "gauge", "Open file handles.", _open_handles()),
    ]


def resident_bytes() -> int | None:
    """Memory of this process; None where the system does not say."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError, AttributeError):
        return None


def _open_handles() -> int | None:
    try:
        return len(os.listdir("/proc/self/fd")) - 1  # less the one that was needed to look
    except OSError:
        return None


def _labels(labels: Labels) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{name}="{_escaped(value, quoted=True)}"' for name, value in labels.items()) + "}"


def _escaped(text: str, quoted: bool = False) -> str:
    text = text.replace("\\", "\\\\").replace("\n", "\\n")
    return text.replace('"', '\\"') if quoted else text


def _number(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(float(value))
