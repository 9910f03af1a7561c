"""The tackle: what one line carries when the hook carries W.

Crown block and travelling block share the load over N lines. Were the sheaves frictionless each line would carry W/N.
They are not: bending the rope and turning the bearings costs a few percent at each sheave, and the tension on the side
that the rope moves towards is K times the tension on the other side. Hoisting, rope moves towards the drum, so tension
rises line by line from the dead line to the fast line; the drum must pull more than W/N. Lowering, rope moves away from
the drum: the order reverses, friction helps to hold, and the drum needs less than W/N.

So one hook load shows three fast-line loads, and the dead line, at the other end of the same chain, shows the mirror
image: too light while hoisting, too heavy while lowering, and while standing still whatever the last motion left. The
weight indicator sits there. Multiplying its tension by N reads 17 % light hoisting and 19 % heavy lowering at
K = 1.04 with ten lines; hence every conversion here asks for the direction: +1 hoisting, -1 lowering, 0 still.

Between the fast line and the last of the N lines the rope passes N turning sheaves: the fast-line sheave and the N - 1
between the lines. The sheave of the dead line does not turn, because the dead line does not move, and so multiplies
nothing. Some formulas in use let it drag all the same, which adds a factor K lowering; `dead_sheave_turns` selects
that. It is off by default: with it, fast and dead line no longer differ by the sheaves that lie between them.

Symbols: W hook load (all that hangs on the N lines, block included), N lines strung, K sheave factor (tension ratio over one
turning sheave, 1 without friction), S sheaves that turn, EFF or eh efficiency hoisting, el factor lowering, F tension of the
fast line. Holds for a rope that moves steadily: when it turns round, friction changes sides over some travel that no formula
here knows.

K is 1.04 for roller bearings and 1.09 for plain ones (API RP 9B); real roller sheaves often do better (rigging tables:
1.02). The rig tells its own K: dead-line tension of the same load, hoisting and lowering, differs by K^(N-1).
"""

import math
from typing import Final

HOISTING, STILL, LOWERING = 1, 0, -1
SLACK_LINE_SHARE: Final = 0.35
"""Hook load over block weight below which the line is not held tight: something else carries the block (common practice, no
source)."""


def _check(sheave_factor: float, lines: int, sheaves: int | None = None) -> int:
    """How many sheaves turn: as many as lines where that is not said."""
    if not (math.isfinite(sheave_factor) and sheave_factor >= 1.0):
        raise ValueError(f"sheave factor is {sheave_factor}: must be 1.0 (no friction) or above")
    if lines < 1:
        raise ValueError(f"lines strung is {lines}: must be at least 1")
    turning = lines if sheaves is None else sheaves
    if turning < lines:
        raise ValueError(f"{turning} turning sheaves for {lines} lines: there are at least as many as lines")
    return turning


def efficiency_hoisting(sheave_factor: float, lines: int, sheaves: int | None = None) -> float:
    """Efficiency of the tackle while hoisting: W / (N F_fast), 1.0 without friction.

    EFF = (K^N - 1) / (K^S N (K - 1)), with S turning sheaves, N when `sheaves` is None; extra lead sheaves make S
    larger (API RP 9B and Wire Rope Users Manual). A textbook column (0.874, 0.841, 0.810, 0.770, 0.740 for 6 to 14
    lines) departs from K = 1.04 at 12 and 14 lines by 1.5 and 1.9 %.

    Raises:
        ValueError: K below 1, no lines, or fewer sheaves than lines.
    """
    turning = _check(sheave_factor, lines, sheaves)
    k = sheave_factor
    if k - 1.0 < 1e-9:
        return 1.0
    return (k**lines - 1) / (k**turning * lines * (k - 1))


def factor_lowering(sheave_factor: float, lines: int, sheaves: int | None = None) -> float:
    """Fast-line load while lowering over the frictionless one: N F_low / W, at most 1.0.

    F_low = W (K - 1) / (K (K^N - 1)) for S = N turning sheaves (API RP 9B convention for K; geometric series derived
    here); each extra lead sheave divides by K once more.

    Raises:
        ValueError: K below 1, no lines, or fewer sheaves than lines.
    """
    turning = _check(sheave_factor, lines, sheaves)
    k = sheave_factor
    if k - 1.0 < 1e-9:
        return 1.0
    return lines * (k - 1) / (k ** (1 + turning - lines) * (k**lines - 1))


def fast_line_n(
    hook_load_n: float, sheave_factor: float, lines: int, direction: int, sheaves: int | None = None
) -> float:
    """Tension of the fast line at the drum, N: +1 hoisting W/(N EFF), -1 lowering W el/N, 0 still W/N.

    Standing still it may be anywhere between the two, depending on the last motion; W/N lies inside.
    """
    if direction > 0:
        return hook_load_n / (lines * efficiency_hoisting(sheave_factor, lines, sheaves))
    if direction < 0:
        return hook_load_n * factor_lowering(sheave_factor, lines, sheaves) / lines
    _check(sheave_factor, lines)
    return hook_load_n / lines


def dead_line_factor(sheave_factor: float, lines: int, direction: int, dead_sheave_turns: bool = False) -> float:
    """N times the dead-line tension over the hook load: below 1 hoisting, above 1 lowering, 1 still.

    Hoisting N (K - 1)/(K^N - 1). Lowering N K^(N-1) (K - 1)/(K^N - 1) with the dead-line sheave at rest, and K times
    that with `dead_sheave_turns` (both derived here from the chain of sheaves; see the top of this file). With ten
    lines and K = 1.04: 0.833 hoisting, 1.186 or 1.233 lowering.

    Raises:
        ValueError: K below 1 or no lines.
    """
    _check(sheave_factor, lines)
    k = sheave_factor
    if direction == 0 or k - 1.0 < 1e-9:
        return 1.0
    hoisting = lines * (k - 1) / (k**lines - 1)
    if direction > 0:
        return hoisting
    return hoisting * k ** (lines if dead_sheave_turns else lines - 1)


def dead_line_n(
    hook_load_n: float, sheave_factor: float, lines: int, direction: int, dead_sheave_turns: bool = False
) -> float:
    """Tension of the dead line, N, under a hook load, by direction of the last motion (see `dead_line_factor`)."""
    return hook_load_n * dead_line_factor(sheave_factor, lines, direction, dead_sheave_turns) / lines


# --- power, derrick, rope strength ----------------------------------------------------------------------------------


def hook_power_w(drum_power_w: float, efficiency: float) -> float:
    """Power that reaches the hook, W, while hoisting: drum power times the efficiency of the tackle."""
    return drum_power_w * efficiency


def hoisting_speed_at_power_m_s(drum_power_w: float, hook_load_n: float, efficiency: float) -> float:
    """Steady hoisting speed, m/s, that a drum power allows: v = P EFF / W.

    Raises:
        ValueError: hook load not above zero.
    """
    if hook_load_n <= 0:
        raise ValueError(f"hook load is {hook_load_n} N: power limits speed only under a load above zero")
    return drum_power_w * efficiency / hook_load_n


def derrick_load_n(hook_load_n: float, lines: int, efficiency: float = 1.0, crown_block_n: float = 0.0) -> float:
    """Vertical load on the derrick while hoisting, N: hook load, fast line and dead line, plus the crown block.

    F_d = W (1 + E + E N) / (E N) (Bourgoyne et al., Applied Drilling Engineering, chapter 1), E = 1 for the static case. The
    dead line is taken at its frictionless tension W/N, which makes the whole one or two per cent too much.

    Raises:
        ValueError: efficiency not in (0, 1] or no lines.
    """
    if lines < 1 or not 0 < efficiency <= 1:
        raise ValueError(f"lines {lines} must be at least 1 and efficiency {efficiency} above 0 and at most 1")
    return hook_load_n * (1 + efficiency + efficiency * lines) / (efficiency * lines) + crown_block_n


def equivalent_derrick_load_n(hook_load_n: float, lines: int, crown_block_n: float = 0.0) -> float:
    """Four times the load on the worst leg, N: F_de = W (N + 4) / N, plus the crown block.

    The dead line comes down at one leg and loads it alone; the fast line comes down between two (Bourgoyne et al., Applied
    Drilling Engineering, chapter 1). That leg is the worst one as long as the tackle's efficiency is above one half.
    """
    if lines < 1:
        raise ValueError(f"lines strung is {lines}: must be at least 1")
    return hook_load_n * (lines + 4) / lines + crown_block_n


def derrick_efficiency(hook_load_n: float, lines: int, efficiency: float = 1.0, crown_block_n: float = 0.0) -> float:
    """Derrick load over equivalent load: the share of the derrick's strength the stringing makes use of."""
    return derrick_load_n(hook_load_n, lines, efficiency, crown_block_n) / equivalent_derrick_load_n(
        hook_load_n, lines, crown_block_n
    )


DESIGN_FACTORS: Final = (("drilling and tripping", 3.0), ("setting casing, freeing pipe", 2.0))
"""Least design factor of the fast line by operation (API RP 9B, from memory)."""


def design_factor(breaking_strength_n: float, line_tension_n: float) -> float:
    """Breaking strength over fast-line tension (API RP 9B); see `DESIGN_FACTORS`. Infinite without tension."""
    if line_tension_n <= 0:
        return math.inf
    return breaking_strength_n / line_tension_n
