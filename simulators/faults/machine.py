"""Faults of the machine: they change the plant. A scenario names each by its `kind`."""

from typing import Final, Literal

from monitor.config.fields import Positive, Share
from simulators.faults.base import Fault, FaultTarget, Number


class CircuitLeak(Fault):
    """A service circuit leaks: it does not reach its pressure and spends oil while pressed."""

    kind: Literal["circuit-leak"] = "circuit-leak"
    circuit: Literal[1, 2] = 1
    share: Share = 0.4
    """Share of the pressure that is missing."""

    def begin(self, target: FaultTarget) -> None:
        setattr(target.plant.oil, f"leak_{self.circuit}", self.share)

    def finish(self, target: FaultTarget) -> None:
        setattr(target.plant.oil, f"leak_{self.circuit}", 0.0)


class PumpLost(Fault):
    """The pump stops; the accumulator is all there is. `seep` multiplies the ordinary losses."""

    kind: Literal["pump-lost"] = "pump-lost"
    seep: Positive = 1.0

    def begin(self, target: FaultTarget) -> None:
        target.plant.oil.pump_lost = True
        target.plant.oil.seep_m3_s_pa *= self.seep

    def finish(self, target: FaultTarget) -> None:
        target.plant.oil.pump_lost = False
        target.plant.oil.seep_m3_s_pa /= self.seep


class PrechargeLost(Fault):
    """The accumulator's gas has leaked away: few strokes per charge."""

    kind: Literal["precharge-lost"] = "precharge-lost"
    share: Share = 0.7

    def begin(self, target: FaultTarget) -> None:
        target.plant.oil.accumulator.lose_precharge(self.share)


class PadsGlazed(Fault):
    """Friction falls."""

    kind: Literal["pads-glazed"] = "pads-glazed"
    factor: Share = 0.6

    def begin(self, target: FaultTarget) -> None:
        target.plant.brake.glaze *= self.factor

    def finish(self, target: FaultTarget) -> None:
        target.plant.brake.glaze /= self.factor


class PadsFresh(Fault):
    """Friction is better than the rig's file says: fresh pads on clean discs."""

    kind: Literal["pads-fresh"] = "pads-fresh"
    factor: Positive = 1.2

    def begin(self, target: FaultTarget) -> None:
        target.plant.brake.glaze *= self.factor

    def finish(self, target: FaultTarget) -> None:
        target.plant.brake.glaze /= self.factor


class HotDiscs(Fault):
    """Discs or rims are hot from work before, both to `temperature_c`."""

    kind: Literal["hot-discs"] = "hot-discs"
    temperature_c: Number = 250.0

    def begin(self, target: FaultTarget) -> None:
        target.plant.brake.left_c = target.plant.brake.right_c = self.temperature_c


class CaliperDragging(Fault):
    """A caliper does not let go: it brakes and heats the left disc all the time."""

    kind: Literal["caliper-dragging"] = "caliper-dragging"
    torque_n_m: Positive = 8000.0

    def begin(self, target: FaultTarget) -> None:
        target.plant.brake.drag_n_m = self.torque_n_m

    def finish(self, target: FaultTarget) -> None:
        target.plant.brake.drag_n_m = 0.0


class BandSlack(Fault):
    """Slack in a band (or too much pad travel): part of the pull is lost and pressure builds slowly."""

    kind: Literal["band-slack"] = "band-slack"
    share: Share = 0.5

    def begin(self, target: FaultTarget) -> None:
        target.plant.brake.band_slack = self.share
        target.plant.oil.slow = 0.4

    def finish(self, target: FaultTarget) -> None:
        target.plant.brake.band_slack = 0.0
        target.plant.oil.slow = 1.0


class AuxLost(Fault):
    """The auxiliary brake gives nothing."""

    kind: Literal["aux-lost"] = "aux-lost"

    def begin(self, target: FaultTarget) -> None:
        target.plant.aux.lost = True

    def finish(self, target: FaultTarget) -> None:
        target.plant.aux.lost = False


class CoolantLost(Fault):
    """The auxiliary brake's coolant is gone: it heats up and fades."""

    kind: Literal["coolant-lost"] = "coolant-lost"

    def begin(self, target: FaultTarget) -> None:
        target.plant.aux.coolant_lost = True

    def finish(self, target: FaultTarget) -> None:
        target.plant.aux.coolant_lost = False


class DriveTripped(Fault):
    """The drive gives no torque, nor does it regenerate."""

    kind: Literal["drive-tripped"] = "drive-tripped"

    def begin(self, target: FaultTarget) -> None:
        target.plant.drive.tripped = True

    def finish(self, target: FaultTarget) -> None:
        target.plant.drive.tripped = False


class EmergencyNotReleasing(Fault):
    """The spring calipers stay partly on: their release circuit reaches only a share of its pressure."""

    kind: Literal["emergency-not-releasing"] = "emergency-not-releasing"
    share: Share = 0.55

    def begin(self, target: FaultTarget) -> None:
        oil = target.plant.oil
        oil.release_stuck = True
        oil.release_pa = self.share * oil.release_target_pa

    def finish(self, target: FaultTarget) -> None:
        target.plant.oil.release_stuck = False


class OvertravelNotReset(Fault):
    """The overtravel device was not set again after a cut and slip: it acts `shift_m` too high."""

    kind: Literal["overtravel-not-reset"] = "overtravel-not-reset"
    shift_m: Number = 4.0

    def begin(self, target: FaultTarget) -> None:
        target.plant.overtravel.shift_m = self.shift_m

    def finish(self, target: FaultTarget) -> None:
        target.plant.overtravel.shift_m = 0.0


class OvertravelElectricFailed(Fault):
    """The electric half of the overtravel device is dead; only air is left."""

    kind: Literal["overtravel-electric-failed"] = "overtravel-electric-failed"

    def begin(self, target: FaultTarget) -> None:
        target.plant.overtravel.electric_failed = True

    def finish(self, target: FaultTarget) -> None:
        target.plant.overtravel.electric_failed = False


class RopeSlip(Fault):
    """The rope slips on the drum: the drum turns, the block falls a little behind (turns per second)."""

    kind: Literal["rope-slip"] = "rope-slip"
    turns_per_s: Number = 0.05

    def begin(self, target: FaultTarget) -> None:
        target.slip_turns_per_s += self.turns_per_s

    def finish(self, target: FaultTarget) -> None:
        target.slip_turns_per_s -= self.turns_per_s


class LineParted(Fault):
    """The drilling line breaks."""

    kind: Literal["line-parted"] = "line-parted"

    def begin(self, target: FaultTarget) -> None:
        target.plant.part()


class HungUp(Fault):
    """The block rests on an obstruction while lowering: slack line, until it comes free and falls."""

    kind: Literal["hung-up"] = "hung-up"

    def begin(self, target: FaultTarget) -> None:
        target.plant.support_m = target.plant.height_m - 0.02

    def finish(self, target: FaultTarget) -> None:
        target.plant.support_m = target.plant.truth.floor_m


MACHINE_FAULTS: Final = (
    CircuitLeak, PumpLost, PrechargeLost, PadsGlazed, PadsFresh, HotDiscs, CaliperDragging, BandSlack, AuxLost, CoolantLost,
    DriveTripped, EmergencyNotReleasing, OvertravelNotReset, OvertravelElectricFailed, RopeSlip, LineParted, HungUp,
)  # fmt: skip
"""All of them."""
