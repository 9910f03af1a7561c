"""What can go wrong: the table of every fault. A scenario names them by `kind`, with a start and a length; any may be
combined.

To add one: write its class beside its like, in `faults_readings` (what a sensor says), `faults_delivery` (how messages
travel) or `faults_machine` (the plant), and put it into FAULTS.
"""

from typing import Any, Final

from simulators.faults_base import Fault
from simulators.faults_delivery import BrokerOutage, ClockStep, Duplicate, GatewayRestart, Late, OutOfOrder
from simulators.faults_machine import (
    AuxLost,
    BandSlack,
    CaliperDragging,
    CircuitLeak,
    CoolantLost,
    DriveTripped,
    EmergencyNotReleasing,
    HotDiscs,
    HungUp,
    LineParted,
    OvertravelElectricFailed,
    OvertravelNotReset,
    PadsGlazed,
    PrechargeLost,
    PumpLost,
    RopeSlip,
)
from simulators.faults_readings import (
    BadQuality,
    Bias,
    Drift,
    Dropout,
    Freeze,
    MissedCounts,
    Reversed,
    Spikes,
    WrongUnit,
)

FAULTS: Final = (
    Freeze, Bias, Drift, Dropout, Spikes, MissedCounts, Reversed, WrongUnit, BadQuality,
    Duplicate, OutOfOrder, Late, ClockStep, GatewayRestart, BrokerOutage,
    CircuitLeak, PumpLost, PrechargeLost, PadsGlazed, HotDiscs, CaliperDragging, BandSlack, AuxLost, CoolantLost, DriveTripped,
    EmergencyNotReleasing, OvertravelNotReset, OvertravelElectricFailed, RopeSlip, LineParted, HungUp,
)  # fmt: skip
"""Every fault that a scenario can name."""


def kind_of(fault: type[Fault]) -> str:
    """The name by which a scenario calls `fault`."""
    default: Any = fault.model_fields["kind"].default
    return str(default)
