"""A rig's readings made by hand, for the guided checks: motion, load and switches are whatever a test says they are."""

import math

from monitor.config.rig import CheckSettings, Rig
from monitor.config.rig_file import find_rig
from monitor.core.checks.guided_checks import Checks
from monitor.core.estimator.estimator import Estimate
from monitor.core.sensors.register import SensorRegister
from monitor.core.signals.evaluation import Evaluation
from monitor.model.alarm import Finding
from monitor.model.check import CheckResult, CheckVerdict, CheckView
from monitor.model.reading import Sample, Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import GRID_NS

START_NS = 1_700_000_000_000_000_000
HOUR_NS = 3_600_000_000_000
QUIET = {
    "hook_load": 216_000.0, "service_pressure_1": 0.0, "service_pressure_2": 0.0, "emergency_release_pressure": 12.0e6,
    "accumulator_pressure": 14.0e6, "brake_lever": 0.0, "clutch_engaged": 0.0, "aux_current": 0.0,
    "overtravel_electric": 0.0, "overtravel_air": 0.0,
}  # fmt: skip


def rig_with(name: str = "land", without: tuple[str, ...] = (), **settings: object) -> Rig:
    """A shipped rig with other check settings, and without the sensors of some quantities."""
    rig = find_rig(name)
    sensors = tuple(sensor for sensor in rig.sensors if sensor.quantity not in without)
    checks = CheckSettings.model_validate(rig.checks.model_dump() | settings)
    return rig.model_copy(update={"sensors": sensors, "checks": checks})


class Bench:
    """Drives one `Checks` from grid point to grid point."""

    def __init__(self, rig: Rig | None = None) -> None:
        self.rig = rig or rig_with()
        self.register = SensorRegister(self.rig)
        self.register.start(START_NS)
        self.evaluation = Evaluation(self.rig, self.register)
        self.checks = Checks(self.rig)
        self.t_ns = START_NS
        self.height_m: float = 20.0
        self.speed_m_s: float = 0.0
        self.acceleration_m_s2: float = 0.0
        self.bound_m = 0.05
        self.validity = Validity.VALID
        self.readings: dict[str, float | None] = dict(QUIET)
        self.findings: list[Finding] = []
        self.look()

    def look(self) -> None:
        """One grid point."""
        for index, record in enumerate(self.register.records):
            reading = self.readings.get(record.sensor.quantity)
            if reading is None:
                record.last_ns = -1
            else:
                record.accept(Sample(self.t_ns, index, reading))
        self.register.update(self.t_ns)
        unknown = self.validity is Validity.INVALID
        estimate = Estimate(
            self.t_ns, math.nan if unknown else self.height_m, self.speed_m_s, self.acceleration_m_s2, 0.01, 0.005, 0.05,
            self.bound_m, 0.01, self.validity, 90.0, 2, 0.41, False,
        )  # fmt: skip
        v = self.speed_m_s
        hoist = HoistState.HOISTING if v > 0.05 else HoistState.LOWERING if v < -0.05 else HoistState.STILL
        self.point = point = self.evaluation.run(self.t_ns, estimate, hoist, 1 if v > 0 else -1, 0.0)
        self.findings += self.checks.evaluate(self.t_ns, point)

    def run(self, seconds: float, speed_m_s: float | None = None, **readings: float | None) -> list[Finding]:
        """Let time pass with these readings (None: missing) and this speed; the findings on the way."""
        reported = len(self.findings)
        self.readings.update(readings)
        if speed_m_s is not None:
            self.speed_m_s = speed_m_s
        for _ in range(round(seconds * 1e9 / GRID_NS)):
            self.t_ns += GRID_NS
            self.height_m += self.speed_m_s * GRID_NS * 1e-9
            self.look()
        return self.findings[reported:]

    def skip(self, seconds: float) -> None:
        """Let time pass at once: the next grid point comes so much later."""
        self.t_ns += round(seconds * 1e9 / GRID_NS) * GRID_NS
        self.look()

    def start(self, check: str) -> None:
        """Start a check that must start."""
        self.findings += self.checks.start(self.t_ns, check, "ab")
        assert self.findings[-1].after.startswith("step 1"), self.findings[-1]

    def step(self, check: str) -> Finding:
        """The crew ends a step; the answer."""
        self.findings += self.checks.step(self.t_ns, check, "ab")
        return self.findings[-1]

    def view(self, check: str) -> CheckView:
        """How a screen sees the check."""
        return next(view for view in self.checks.views() if view.id == check)

    def result(self, check: str) -> CheckResult:
        """Its last result, which must be there."""
        result = self.view(check).result
        assert result is not None, self.view(check).hint
        return result

    def verdict(self, check: str) -> CheckVerdict:
        """Its last verdict."""
        return self.result(check).verdict
