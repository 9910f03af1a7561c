"""Caliper, band and eddy-current brakes against published values."""

import math
from functools import partial

import pytest
from scipy import constants as c

from monitor.physics import brakes
from tests.published.rows import Row, check, inches, lb_in, lbf, psi, rows, to_lb_in, to_lbf

MOTT = "Mott, Machine Elements in Mechanical Design, example 22-10"
UGURAL = "Ugural, Mechanical Design, example 13.6"
PADS = "public worked solution of a caliper problem"
SHIGLEY = "Shigley, Mechanical Engineering Design, chapter 16 problem (from memory)"
SHIGLEY_CALIPER = "Shigley, Mechanical Engineering Design, example 16-3 (from memory)"
PAPER = "university paper on drilling band brakes (2003), ranges of friction and wrap"
WOUTERSE = "public worksheet after Wouterse 1991 (its rim speed as printed: rpm not divided by 60)"
PRACTICE = "common practice, no source"

TURNS_270 = math.radians(270)
MOTT_BAND = brakes.band_from_peak_pressure(psi(25), 0.25, math.radians(225), inches(6), inches(2))
WIDE_BAND = brakes.band_from_peak_pressure(620e3, 0.30, TURNS_270, 0.175, 0.100)
NARROW_BAND = brakes.band_from_peak_pressure(620e3, 0.30, TURNS_270, 0.175, 0.025)
PULLED_BAND = brakes.band_from_pull(lbf(1580) / brakes.band_ratio(0.28, TURNS_270), 0.28, TURNS_270, inches(6))
UGURAL_PAD = brakes.pad_force_n(psi(200), inches(2.5), inches(5), math.radians(60))
SOLUTION_PAD = brakes.pad_force_n(psi(100), inches(4), inches(6), math.radians(45))
# Two pads, 3.875 to 5.5 in, 108 degrees, f 0.37, cylinders of 1.5 in; 13,000 lb in asked of both.
SHIGLEY_RADIUS = brakes.effective_radius_m(inches(3.875), inches(5.5))
SHIGLEY_FORCE = lb_in(6500) / brakes.face_torque_n_m(1.0, 0.37, SHIGLEY_RADIUS)
SHIGLEY_AREA = math.pi / 4 * inches(1.5) ** 2
SERVICE = brakes.ServiceCalipers(friction=0.40, radius_m=0.70, calipers=6, piston_area_m2=75e3 / 14e6)
EMERGENCY = brakes.EmergencyCalipers(0.40, 0.70, 2, spring_n=120e3, spring_rate_n_per_m=6e6, piston_area_m2=0.015)
LOAD = 340e3 * c.g * 0.43 / 12

EDDY = {"field_t": 0.2344, "pole_diameter_m": 0.001256, "disc_thickness_m": 4e-3, "resistivity_ohm_m": 1.782e-8}
EDDY_C = brakes.eddy_geometry_factor(0.0625, 0.1, 0.001256)


def worksheet_force(rpm: float) -> float:
    """Low-speed drag in N at the worksheet's "rpm", with its rim speed (2 x 3.145 x R, no division by 60)."""
    return brakes.eddy_force_low_speed_n(rpm * 2 * 3.145 * 0.0625, c=EDDY_C, **EDDY)


TABLE = [
    Row("pad force, 60 degrees, lb", UGURAL, lambda: to_lbf(UGURAL_PAD), 1309, 1e-3),
    Row(
        "torque of one face, lb in",
        UGURAL,
        lambda: to_lb_in(brakes.face_torque_n_m(UGURAL_PAD, 0.2, brakes.effective_radius_m(inches(2.5), inches(5)))),
        982,
        1e-3,
    ),
    Row("pad force, 45 degrees, lb", PADS, lambda: to_lbf(SOLUTION_PAD), 628.3, 1e-4),
    Row(
        "torque of both faces, lb in",
        PADS,
        lambda: to_lb_in(
            brakes.caliper_torque_n_m(SOLUTION_PAD, 0.4, brakes.effective_radius_m(inches(4), inches(6)), 1)
        ),
        2513.3,
        1e-4,
    ),
    Row("pad radius of a caliper, in", SHIGLEY_CALIPER, lambda: SHIGLEY_RADIUS / c.inch, 4.688, 2e-4),
    Row("pad force of a caliper, lb", SHIGLEY_CALIPER, lambda: to_lbf(SHIGLEY_FORCE), 3748, 2e-4),
    Row(
        "pad force of a caliper from its greatest pressure, lb",
        SHIGLEY_CALIPER,
        lambda: to_lbf(brakes.pad_force_n(psi(315.8), inches(3.875), inches(5.5), math.radians(108))),
        3748,
        5e-4,
    ),
    Row(
        "oil pressure of a caliper, psi",
        SHIGLEY_CALIPER,
        lambda: (
            brakes.ServiceCalipers(0.37, SHIGLEY_RADIUS, 1, SHIGLEY_AREA).pressure_for_torque_pa(lb_in(13_000)) / c.psi
        ),
        2121,
        5e-4,
    ),
    Row("band tight end, lb", MOTT, lambda: to_lbf(MOTT_BAND.tight_n), 300, 5e-3),
    Row("band slack end, lb", MOTT, lambda: to_lbf(MOTT_BAND.slack_n), 112, 5e-3),
    Row("band torque, lb in", MOTT, lambda: to_lb_in(MOTT_BAND.torque_n_m), 1128, 5e-3),
    Row("wide band tight end, kN", SHIGLEY, lambda: WIDE_BAND.tight_n / 1e3, 10.85, 2e-3),
    Row("wide band slack end, kN", SHIGLEY, lambda: WIDE_BAND.slack_n / 1e3, 2.64, 2e-3),
    Row("wide band torque, kN m", SHIGLEY, lambda: WIDE_BAND.torque_n_m / 1e3, 1.437, 2e-3),
    Row("pulled band slack end, lb", SHIGLEY, lambda: to_lbf(PULLED_BAND.slack_n), 422, 2e-3),
    Row("pulled band torque, lb in", SHIGLEY, lambda: to_lb_in(PULLED_BAND.torque_n_m), 6948, 2e-3),
    Row(
        "pulled band lining pressure, psi",
        SHIGLEY,
        lambda: brakes.band_peak_pressure_pa(PULLED_BAND.tight_n, inches(6), inches(3.25)) / c.psi,
        81,
        2e-3,
    ),
    Row("band ratio, least", PAPER, lambda: brakes.band_ratio(0.35, TURNS_270), 5.20, 2e-3),
    Row("band ratio, most", PAPER, lambda: brakes.band_ratio(0.65, math.radians(325)), 39.9, 2e-3),
    Row("narrow band tight end, N", "derived here", lambda: NARROW_BAND.tight_n, 2712.5, 1e-3),
    Row("narrow band slack end, N", "derived here", lambda: NARROW_BAND.slack_n, 659.8, 1e-3),
    Row("six service calipers, kN m", PRACTICE, lambda: SERVICE.torque_n_m(14e6) / 1e3, 252, 1e-3),
    Row("two emergency calipers, kN m", PRACTICE, lambda: EMERGENCY.torque_n_m() / 1e3, 134, 5e-3),
    Row("rated load on the drum, kN m", PRACTICE, lambda: LOAD / 1e3, 119.5, 1e-3),
    Row("holding ratio, service", PRACTICE, lambda: brakes.holding_ratio(SERVICE.torque_n_m(14e6), LOAD), 2.11, 5e-3),
    Row("holding ratio, emergency", PRACTICE, lambda: brakes.holding_ratio(EMERGENCY.torque_n_m(), LOAD), 1.12, 5e-3),
    Row(
        "holding ratio, service, 30 % faded",
        PRACTICE,
        lambda: brakes.holding_ratio(SERVICE.torque_n_m(14e6, 0.7), LOAD),
        1.48,
        5e-3,
    ),
    Row(
        "holding ratio, emergency, 30 % faded",
        PRACTICE,
        lambda: brakes.holding_ratio(EMERGENCY.torque_n_m(fade=0.7), LOAD),
        0.79,
        5e-3,
    ),
    Row(
        "worn-in against new pad radius",
        "derived here from both machine-design forms",
        lambda: brakes.effective_radius_m(0.70, 0.825, worn_in=False) / brakes.effective_radius_m(0.70, 0.825),
        1.002,
        5e-4,
    ),
    Row("eddy geometry factor", WOUTERSE, lambda: EDDY_C, 0.4999, 1e-4),
    # The worksheet prints the first force as 0.0030: its last digit allows 1.7 %; the 21st, 0.0631, holds to 0.5 %.
    Row("eddy drag, first row of the worksheet, N", WOUTERSE, lambda: worksheet_force(1), 0.0030, 1.7e-2),
    Row("eddy drag, row 21 of the worksheet, N", WOUTERSE, lambda: worksheet_force(21), 0.0631, 5e-3),
    *(
        Row(f"eddy curve at {u} times critical speed", "derived here", partial(brakes.eddy_curve, u), value, 1e-3)
        for u, value in ((0.1, 0.198), (0.5, 0.8), (1.0, 1.0), (2.0, 0.8), (3.0, 0.6))
    ),
]


@rows(TABLE)
def test_value(row: Row) -> None:
    check(row)


def test_eddy_slope_identity() -> None:
    # Wouterse 1991 (peak force and critical speed from memory): 2 F_pk / v_c is the low-speed slope, exactly.
    gap = 5e-3
    peak = brakes.eddy_peak_force_n(EDDY["field_t"], EDDY["pole_diameter_m"], gap, EDDY_C)
    speed = brakes.eddy_critical_speed_m_s(
        EDDY["pole_diameter_m"], gap, EDDY["disc_thickness_m"], EDDY["resistivity_ohm_m"], EDDY_C
    )
    slope = brakes.eddy_force_low_speed_n(1.0, c=EDDY_C, **EDDY)
    assert 2 * peak / speed == pytest.approx(slope, rel=1e-9)


def test_trap_band_brake_is_359_and_not_672() -> None:
    # A public "verified" answer takes p_max all around the rim and gets 672 N m. With it at the tight end: 359 N m.
    assert NARROW_BAND.torque_n_m == pytest.approx(359, rel=1e-3)
    assert NARROW_BAND.torque_n_m < 0.54 * 672


def test_band_loses_far_more_than_its_friction() -> None:
    # Machine-design text: 30 % less friction can ask half as much pull again from a self-energised brake.
    cold = brakes.band_from_pull(1.0, 0.35, TURNS_270, 1.0).torque_n_m
    faded = brakes.band_from_pull(1.0, 0.7 * 0.35, TURNS_270, 1.0).torque_n_m
    assert cold / faded > 1.5
    disc = SERVICE.torque_n_m(14e6) / SERVICE.torque_n_m(14e6, 0.7)
    assert disc == pytest.approx(1 / 0.7)
