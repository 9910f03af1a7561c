"""The drilling line: work done, and when to slip and cut.

Wire rope dies of bending under load. What wears it is load times distance over the sheaves, and the trade counts just
that: a ton-mile is 2000 lbf moved one mile. A round trip, a joint of casing, a drilled stand all have their formula,
and all of them are the same integral of |hook load x dx| of the block, worked out for an idealised job. Pulling stand j
of n, the hook lifts block, drill collars and j stands of pipe over one stand's length, and goes down empty; running in
repeats it backwards. Since the sum of j is n (n + 1)/2, the strokes add up to the round-trip formula exactly. So a
monitor that sees load and height needs no formula: it integrates (`work_j`), strokes of the empty block included. It
reads some per cent more than the formula, because real strokes pick up and set down, drag and work the pipe: that is
work the formula does not know, not an error.

Two traps. The casing formula circulates with half the block term (D M for 4 D M); it gives 50.7 ton-miles for a job
whose strokes sum to 121, and is kept here only under a name that says so. And a load taken raw from the dead line is
light hoisting and heavy lowering; over a round trip that mostly cancels, over a casing run (only lowering loaded) it
does not.

The rope does not wear evenly either: it wears where it lies on the sheaves when the load is picked up. Hence slipping:
feed a little through at a time, moving the worn spots on, and cut the rest before it fails. The goal is work per length
cut; a share of the programme's cut is slipped in proportion to the work done (Lyons, Standard Handbook).

Symbols: Wp weight of the pipe per length in the mud (Wc of casing), D depth, Ls length of a stand (Lc of a joint), M weight of
the block and all that travels with it, C excess of the bottom assembly over as much pipe, T1 ... T6 round trips from two
depths, d rope diameter.

Weights are forces in N, weights of pipe N/m, work J. One ton-mile is 14.317 MJ (`monitor.units.TON_MILE_J`).
"""

from monitor.physics.given import above_zero, not_below_zero
from monitor.units import FOOT_M as foot
from monitor.units import INCH_M as inch
from monitor.units import POUND_FORCE_N as lbf
from monitor.units import TON_MILE_J

# --- buoyed weights -------------------------------------------------------------------------------------------------


def buoyancy_factor(mud_density_kg_m3: float, steel_density_kg_m3: float = 7849.0) -> float:
    """Weight of steel in mud over its weight in air: 1 - rho_mud / rho_steel; (65.5 - ppg)/65.5 in US units.

    Raises:
        ValueError: mud not lighter than steel, or below zero.
    """
    if not 0 <= mud_density_kg_m3 < steel_density_kg_m3:
        raise ValueError(
            f"mud density is {mud_density_kg_m3:.0f} kg/m3: must be from 0 to below steel's {steel_density_kg_m3:.0f} kg/m3"
        )
    return 1 - mud_density_kg_m3 / steel_density_kg_m3


def excess_assembly_n(assembly_buoyed_n: float, length_m: float, pipe_buoyed_n_m: float) -> float:
    """C of the formulas, N: buoyed weight of collars and heavy pipe minus that of the same length of drill pipe."""
    return assembly_buoyed_n - length_m * pipe_buoyed_n_m


# --- work by formula ------------------------------------------------------------------------------------------------


def round_trip_j(depth_m: float, stand_m: float, pipe_buoyed_n_m: float, block_n: float, excess_n: float) -> float:
    """Work of a round trip from `depth_m`, J: Wp D (Ls + D) + 2 D (2 M + C).

    Wp buoyed pipe weight per length, Ls stand, M block and what hangs with it, C excess of the bottom assembly (API RP
    9B; drilling handbooks with the divisor 10,560,000 for ton-miles). Exact for a whole number of stands.

    Raises:
        ValueError: stand not above zero; depth, pipe or block below zero.
    """
    above_zero(stand_m=stand_m)
    not_below_zero(depth_m=depth_m, pipe_buoyed_n_m=pipe_buoyed_n_m, block_n=block_n)
    d = depth_m
    return pipe_buoyed_n_m * d * (stand_m + d) + 2 * d * (2 * block_n + excess_n)


def drilling_j(trip_before_j: float, trip_after_j: float, reamings: int = 1) -> float:
    """Work of drilling from one depth to another, J: round trips from both depths, (T2 - T1) times 2 + `reamings`.

    3 with reaming each joint once, 2 without, 4 when reamed twice (drilling handbooks).

    Raises:
        ValueError: reamings below zero.
    """
    if reamings < 0:
        raise ValueError(f"reamings is {reamings}: must not be below zero")
    return (2 + reamings) * (trip_after_j - trip_before_j)


def coring_j(trip_before_j: float, trip_after_j: float) -> float:
    """Work of coring, J: 2 (T4 - T3) (drilling handbooks)."""
    return 2 * (trip_after_j - trip_before_j)


def short_trip_j(trip_shallow_j: float, trip_deep_j: float) -> float:
    """Work of a short trip between two depths, J: T6 - T5 (drilling handbooks)."""
    return trip_deep_j - trip_shallow_j


def casing_j(depth_m: float, joint_m: float, casing_buoyed_n_m: float, block_n: float) -> float:
    """Work of setting casing, J: half of Wc D (Lc + D) + 4 D M: half a round trip, since it goes one way only.

    Agrees with the sum over the strokes; a circulated form with D M for 4 D M gives less than half of that.

    Raises:
        ValueError: joint not above zero; depth, casing or block below zero.
    """
    above_zero(joint_m=joint_m)
    not_below_zero(depth_m=depth_m, casing_buoyed_n_m=casing_buoyed_n_m, block_n=block_n)
    d = depth_m
    return (casing_buoyed_n_m * d * (joint_m + d) + 4 * d * block_n) / 2


# --- work as seen ---------------------------------------------------------------------------------------------------


def work_step_j(load_before_n: float, load_after_n: float, travel_m: float) -> float:
    """Line work of one small move of the block, J: mean hook load times |travel| (trapezoid rule). Never negative.

    The hook load is the whole of it, block included. A load below zero (a sensor's zero) counts as none.
    """
    return max(0.0, (load_before_n + load_after_n) / 2) * abs(travel_m)


# --- slip and cut ---------------------------------------------------------------------------------------------------


def goal_j_per_m(rope_diameter_m: float, design_factor: float = 5.0) -> float:
    """Work to aim for per metre of line cut, J/m, at a fast-line design factor of 5.

    8 + 32 (d - 1) ton-miles per foot, d in inches: 8, 12, 16, 20, 24 for 1 to 1-1/2 in (public ton-mile sheet; a rope
    maker's simplified table says 8.5 to 17). Below 5 the goal is scaled by design_factor / 5, above it is not raised
    (common practice, no source). A starting value: the site's own record of cuts decides.

    Raises:
        ValueError: outside 1 to 1-5/8 in, where the rule is known, or a design factor not above zero.
    """
    d = rope_diameter_m / inch
    if not 0.999 <= d <= 1.626 or design_factor <= 0:
        raise ValueError(f"rope of {d:.3f} in, design factor {design_factor}: the goal is known from 1 to 1.625 in")
    return (8 + 32 * (d - 1)) * TON_MILE_J / foot * min(1.0, design_factor / 5)


def cut_due_m(work_since_cut_j: float, goal_per_m_j: float) -> float:
    """Length to cut for the work done, m: work over goal."""
    return work_since_cut_j / goal_per_m_j


def work_until_cut_j(work_since_cut_j: float, cut_m: float, goal_per_m_j: float) -> float:
    """Work left until a programme's cut of `cut_m` is due, J; negative when it is overdue."""
    return cut_m * goal_per_m_j - work_since_cut_j


def slip_share_m(cut_m: float, programme_work_j: float, work_since_slip_j: float) -> float:
    """Length to slip for the work since the last slip, m: pro rata of the programme's cut.

    80 ft for 800 ton-miles is 20 ft every 200, cut at the fourth (Lyons, Standard Handbook, p. 614).

    Raises:
        ValueError: programme work not above zero.
    """
    above_zero(programme_work_j=programme_work_j)
    return cut_m * work_since_slip_j / programme_work_j


# --- strength -------------------------------------------------------------------------------------------------------


STRENGTH_N = {
    (1.0 * inch, "IPS"): 89_800 * lbf,
    (1.125 * inch, "IPS"): 113_000 * lbf,
    (1.25 * inch, "IPS"): 138_800 * lbf,
    (1.375 * inch, "IPS"): 167_000 * lbf,
    (1.5 * inch, "IPS"): 197_800 * lbf,
    (1.0 * inch, "EIPS"): 103_400 * lbf,
    (1.125 * inch, "EIPS"): 130_000 * lbf,
    (1.25 * inch, "EIPS"): 159_800 * lbf,
    (1.375 * inch, "EIPS"): 192_000 * lbf,
    (1.5 * inch, "EIPS"): 228_000 * lbf,
    (1.0 * inch, "EEIPS"): 113_800 * lbf,
    (1.125 * inch, "EEIPS"): 143_000 * lbf,
    (1.25 * inch, "EEIPS"): 175_800 * lbf,
    (1.375 * inch, "EEIPS"): 212_000 * lbf,
    (1.5 * inch, "EEIPS"): 250_000 * lbf,
}
"""Breaking strength of 6x19 IWRC rope, N, by (diameter in m, grade). 1 and 1-3/8 in EIPS are read (API RP 9B); the rest
from memory."""


def breaking_strength_n(rope_diameter_m: float, grade: str) -> float:
    """Breaking strength of a 6x19 IWRC rope from the table, N, by diameter (within 0.5 mm) and grade.

    Raises:
        ValueError: a size or grade that is not in the table: take the value from the rope's certificate.
    """
    for (size, known), strength in STRENGTH_N.items():
        if known == grade and abs(size - rope_diameter_m) <= 0.0005:
            return strength
    raise ValueError(
        f"no strength for {rope_diameter_m * 1e3:.1f} mm {grade!r}: the table has 1 to 1-1/2 in, "
        f"IPS, EIPS, EEIPS; give the rope certificate's breaking strength instead"
    )
