"""What a scenario may say of the work: every setting of the operator and of the programs, in `SETTINGS`.

A program asks for its settings by these names (`Operator.get`) and has a value of its own for each that is left out. To add one,
add its row.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting; its unit is in its name."""

    name: str
    words: str
    follows: Literal["", "rating", "limits"] = ""
    """On another rig than the scenario was written for: a load goes with the block's rating, a height with the limits."""


_ALL: Final = (
    # The hand on the levers
    Setting("clumsy", "1: a clumsy hand instead of a careful one"),
    Setting("hoist_m_s", "speed of hoisting"),
    Setting("lower_m_s", "speed of lowering"),
    Setting("slow_down_m_s2", "deceleration that the hand plans with"),
    Setting("overshoot_m", "standard deviation of where a move ends"),
    Setting("feather", "amplitude of unneeded movements of the brake lever, 0 to 1"),
    Setting("late_s", "how late slowing down begins"),
    Setting("pause", "factor on all waiting"),
    # The string and its pipe
    Setting("string_n", "weight of the string, buoyed", "rating"),
    Setting("low_m", "lowest height of the block in a stroke", "limits"),
    Setting("stand_m", "length of a stand"),
    Setting("stand_kg", "mass of a stand"),
    Setting("joint_m", "length of a joint"),
    Setting("joint_kg", "mass of a joint"),
    # Single programs
    Setting("stands", "stands out before as many go in again (trip)"),
    Setting("rate_m_s", "rate of penetration (drill)"),
    Setting("turns_added", "wraps more on the drum after it (cut-and-slip)"),
    Setting("stops", "stops in a row (brake-test)"),
    Setting("test_m_s", "speed of the test (overtravel-test, brake-test)"),
    Setting("wait_s", "waiting before the run (run-to-floor, run-to-crown)"),
    Setting("practice", "stops away from any limit before the run (run-to-floor)"),
    Setting("brake_at_m", "height at which the brake is called for (run-to-floor, run-to-crown)", "limits"),
    Setting("pull", "share of a full application that is pulled at pull_at_m, 0 to 1 (run-to-floor, run-to-crown)"),
    Setting("pull_at_m", "height at which the hand pulls (run-to-floor, run-to-crown)", "limits"),
    Setting("spare_m", "room to each limit in which a stroke ends (limit-stops)"),
    Setting("delay_s", "hesitation before the brake (run-to-crown)"),
)

SETTINGS: Final[Mapping[str, Setting]] = MappingProxyType({setting.name: setting for setting in _ALL})
