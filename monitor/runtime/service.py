"""A live run as a service: what `stopmark record` does besides watching.

It tells the service manager that it is ready, how it fares and that it lives; it serves metrics to the site's supervision; it
logs what may be asked about later. All of it depends on the monitor's own loop and on stream time going forward: a monitor
that stands still gives no sign of life, and is started again.
"""

import logging
import os
import platform
import shutil
import threading
import time
from collections import Counter, deque
from collections.abc import Mapping
from importlib.metadata import version
from typing import Final

from monitor.adapters.host.logs import ServiceLog
from monitor.adapters.host.loopback import is_loopback
from monitor.adapters.host.metrics import Facts, families, page
from monitor.adapters.host.metrics_endpoint import Endpoint, HealthFile
from monitor.adapters.host.service_manager import Notifier
from monitor.adapters.mqtt.address import BrokerUrl
from monitor.adapters.mqtt.certificates import ends, warnings
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.runtime.live import LiveDriver, run_for

LOG = logging.getLogger(__name__)

TURN_S: Final = 0.5
CHORES_S: Final = 5.0
"""Real time between two looks at the disk, and two health files."""
_DAY_S: Final = 86_400.0
"""Real time between two looks at the certificates."""
_LAG_PARTS: Final = 12
_LAG_PART_S: Final = 5.0
_LEVELS: Final = {
    Severity.NOTICE: logging.INFO,
    Severity.CAUTION: logging.INFO,
    Severity.WARNING: logging.WARNING,
    Severity.DANGER: logging.ERROR,
}


class FindingLog:
    """A sink: counts findings by kind, and logs alarms when they become active."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()

    def __call__(self, finding: Finding) -> None:
        """Take one finding."""
        self.counts[finding.kind] += 1
        if finding.raised:
            LOG.log(
                _LEVELS[finding.severity], "%s: %s", finding.severity.name, finding.message,
                extra={"key": finding.key, "t_ns": finding.t_ns, "number": finding.number,
                       "threshold": finding.threshold},
            )  # fmt: skip


class Service:
    """The service around one run. `findings` must be among the driver's sinks."""

    def __init__(
        self,
        driver: LiveDriver,
        findings: FindingLog,
        log: ServiceLog | None,
        notifier: Notifier,
        place: tuple[str, int] | None = None,
        file: HealthFile | None = None,
        url: BrokerUrl | None = None,
    ) -> None:
        """Serve metrics at `place` and write them to `file`, where given; watch the certificates of `url`. Without a `log` of
        its own what is logged is another's to keep.

        Raises:
            UserError: the port of `place` cannot be opened.
        """
        self._driver = driver
        self._findings = findings
        self._log = log
        self._notifier = notifier
        self._file = file
        self.endpoint = Endpoint(*place, self.page) if place else None
        self._turn_s = min(TURN_S, notifier.watchdog_s / 3) if notifier.watchdog_s else TURN_S
        self._next_turn_s = 0.0
        self._next_chores_s = 0.0
        self._chores: threading.Thread | None = None
        self._disk: tuple[int, int] | None = None
        self._url = url
        self._certificate_ends_s: dict[str, float] = {}
        self._next_certificates_s = 0.0
        self._ready = False
        self._alive_ns = 0
        self._up = True
        self._lags: deque[float] = deque([0.0], maxlen=_LAG_PARTS)
        self._next_lag_s = 0.0

    def reopen_log(self) -> None:
        """Go on in a new log file: somebody has moved the old one."""
        reopened = self._log is not None and self._log.reopen()
        LOG.info("SIGHUP: %s", "the log goes on in a new file" if reopened else "there is no log file; nothing to do")

    async def run(self, seconds: float | None, details: Mapping[str, object]) -> None:
        """Watch until stopped, or for `seconds` of stream time. `details` are logged at the start."""
        driver = self._driver
        LOG.info(
            "started",
            extra={"version": version("stopmark"), "rig": driver.rig.name, "python": platform.python_version(),
                   "pid": os.getpid(), **details},
        )  # fmt: skip
        if self.endpoint is not None:
            await self.endpoint.start()
            LOG.info("figures are at %s", self.endpoint.url)
            if not is_loopback(self.endpoint.host):
                LOG.warning("%s can be reached from other machines, and asks nobody who they are", self.endpoint.url)
        try:
            await run_for(driver, seconds, self._poll)
        finally:
            self._up = False
            self._notifier.status("stopping")
            self._notifier.stopping()
            if self.endpoint is not None:
                await self.endpoint.close()

    def ended(self, why: str) -> None:
        """Write the last metrics and the last line of the log, when everything is on the disk."""
        driver = self._driver
        if self._chores is not None:
            self._chores.join(CHORES_S)
        if self._file is not None and not (self._chores and self._chores.is_alive()):
            self._file.write(self.page())
        recorder = driver.recorder
        trouble = recorder.problem if recorder is not None else ""
        LOG.log(
            logging.ERROR if trouble else logging.INFO,
            "stopped (%s)%s", why, f"; the end is not recorded: {trouble}" if trouble else "",
            extra={"frames": driver.runner.frames, "findings": driver.runner.findings,
                   "lost_frames": recorder.lost if recorder is not None else 0},
        )  # fmt: skip

    # --- in the loop ------------------------------------------------------------------------------------------------

    def _poll(self) -> bool:
        """One poll of the loop; never ends the run."""
        now_s = time.monotonic()
        if now_s >= self._next_turn_s:
            self._next_turn_s = now_s + self._turn_s
            self._turn(now_s)
        return False

    def _turn(self, now_s: float) -> None:
        t_ns = self._driver.core.now_ns
        self._lags[-1] = max(self._lags[-1], self._driver.runner.take_worst_lag_s())
        if now_s >= self._next_lag_s:
            self._next_lag_s = now_s + _LAG_PART_S
            self._lags.append(0.0)
        if t_ns <= self._alive_ns:
            return  # stream time stands still: give no sign of life
        self._alive_ns = t_ns
        self._notifier.status(self.words())
        self._ready = self._ready or self._notifier.ready()
        self._notifier.alive()
        if now_s >= self._next_chores_s and (self._chores is None or not self._chores.is_alive()):
            self._next_chores_s = now_s + CHORES_S
            text = self.page() if self._file is not None else ""
            self._chores = threading.Thread(target=self._do_chores, args=(text, now_s), name="chores", daemon=True)
            self._chores.start()

    def _do_chores(self, text: str, now_s: float) -> None:
        """Look at disk and certificates and write the metrics file, in a thread: a disk that hangs must not hold up the watch."""
        recorder = self._driver.recorder
        try:
            if recorder is not None:
                usage = shutil.disk_usage(recorder.path.parent)
                self._disk = usage.total, usage.free
        except OSError:
            self._disk = None
        if self._file is not None:
            self._file.write(text)
        if self._url is not None and now_s >= self._next_certificates_s:
            self._next_certificates_s = now_s + _DAY_S
            found = ends(self._url)
            self._certificate_ends_s = {use: end_s for use, (_, end_s) in found.items()}
            for words in warnings(found, time.time()):
                LOG.warning("%s", words)

    def words(self) -> str:
        """One line: connected or not, recording or not, the worst alarm."""
        runner, recorder = self._driver.runner, self._driver.recorder
        parts = ["connected" if runner.connected else f"not connected ({runner.link})"]
        if recorder is None:
            parts.append("not recording")
        elif recorder.problem:
            parts.append(f"NOT RECORDING: {recorder.problem}")
        else:
            parts.append("recording, but the disk is slow" if recorder.slow else "recording")
        alarms = self._driver.core.snapshot().alarms
        active = [alarm for alarm in alarms if alarm.active and alarm.state is not AlarmState.OUT_OF_SERVICE]
        if active:
            worst = max(active, key=lambda alarm: alarm.severity)
            parts.append(f"{worst.severity.name}: {worst.message}")
        else:
            parts.append("no alarm")
        return "; ".join(parts)

    def page(self) -> str:
        """The metrics, now."""
        return page(families(self.facts()))

    def facts(self) -> Facts:
        """How the run fares, now."""
        driver = self._driver
        runner, recorder, source, disk = driver.runner, driver.recorder, driver.source, self._disk
        ledger_writer = driver.ledger_writer
        return Facts(
            version=version("stopmark"),
            rig=driver.rig.name,
            mode=driver.mode,
            up=self._up,
            connected=self._up and bool(runner.connected),
            connections=source.connections if source is not None else 0,
            frames=runner.frames,
            dropped=runner.dropped,
            lag_s=max(self._lags),
            findings=self._findings.counts,
            recording="off" if recorder is None or not self._up else recorder.state,
            recorder_lost=recorder.lost if recorder is not None else None,
            recorder_waiting_bytes=recorder.waiting_bytes if recorder is not None else None,
            recorder_behind_s=recorder.behind_s if recorder is not None and self._up else None,
            disk_bytes=disk[0] if disk else None,
            disk_free_bytes=disk[1] if disk else None,
            ledger_failed=bool(ledger_writer.problem) if ledger_writer is not None else None,
            ledger_waiting=ledger_writer.waiting if ledger_writer is not None else None,
            ledger_written=ledger_writer.written if ledger_writer is not None else None,
            log_lost=self._log.lost if self._log is not None else 0,
            certificate_ends_s=self._certificate_ends_s,
            snapshot=driver.snapshot(),
        )
