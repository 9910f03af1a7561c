"""What can go wrong: every fault. A scenario names them by `kind`, with a start and a length; any may be combined.

To add one: write its class beside its like, in `readings` (what a sensor says), `delivery` (how messages travel), `node`
(a Sparkplug node) or `machine` (the plant), and put it into the table at the end of that file.
"""

from typing import Any, Final

from simulators.faults.base import Fault
from simulators.faults.delivery import DELIVERY_FAULTS
from simulators.faults.machine import MACHINE_FAULTS
from simulators.faults.node import NODE_FAULTS
from simulators.faults.readings import READING_FAULTS

FAULTS: Final = (*READING_FAULTS, *DELIVERY_FAULTS, *NODE_FAULTS, *MACHINE_FAULTS)
"""Every fault that a scenario can name."""


def kind_of(fault: type[Fault]) -> str:
    """The name by which a scenario calls `fault`."""
    default: Any = fault.model_fields["kind"].default
    return str(default)
