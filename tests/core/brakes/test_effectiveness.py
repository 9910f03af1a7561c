"""Effectiveness found in the motion, against a synthetic truth; and what must never count as evidence."""

import json
import math
from collections.abc import Callable

import pytest

from monitor.config.rig_file import find_rig
from monitor.core.brakes.effectiveness import Lag, estimator_delay_s
from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimator import Estimator
from monitor.core.estimator.kinematic_filter import KinematicFilter
from monitor.model.reading import Validity
from monitor.physics.tackle import factor_lowering
from tests.core.brakes.brakehealth_truth import INVALID, OK, Bench, Machine

MACHINES = [
    Machine(),
    Machine(friction=1.15, inertia=0.8, rope=0.98),
    Machine(friction=0.85, inertia=1.2, sheave_factor=1.02, lag=1.3),
    Machine(friction=0.85, inertia=0.8, sheave_factor=1.02, lag=0.7),
    Machine(friction=1.15, inertia=1.2, rope=0.98, load_feels_inertia=True),
]


def five_stops(bench: Bench, speed: float = 1.0, lever: float = 0.6) -> None:
    """Trip work: down, up, down, up, down."""
    for stop in range(5):
        if stop % 2 == 0:
            bench.lower_and_stop(speed, lever)
        else:
            bench.hoist_and_stop(speed, lever)


@pytest.mark.parametrize("machine", MACHINES, ids=str)
@pytest.mark.parametrize(("rig", "mass_kg"), [("land", 150_000.0), ("deep", 300_000.0)])
def test_effectiveness_within_six_percent_after_five_stops(rig: str, mass_kg: float, machine: Machine) -> None:
    bench = Bench(rig, machine, mass_kg)
    five_stops(bench)
    value, validity = bench.health.number("effectiveness")
    assert validity == OK
    # Of strong pads on a light drum the land rig sees 5.1 % too much; the deep rig's drum is so heavy that the sheaves show late.
    assert value == pytest.approx(bench.torque_ratio(), rel=0.06)


@pytest.mark.parametrize("machine", MACHINES, ids=str)
def test_sigma_is_honest_when_only_lowering_is_seen(machine: Machine) -> None:
    """Lowering alone cannot tell friction from inertia and sheaves: sigma has to say so."""
    bench = Bench("land", machine, 150_000.0)
    bench.height_m = 32.0
    bench.estimator = Estimator(bench.rig)
    for _ in range(5):
        bench.lower_and_stop(1.0, 0.6)
    value, _ = bench.health.number("effectiveness")
    sigma, _ = bench.health.number("effectiveness_sigma")
    assert abs(value - bench.torque_ratio()) < 2.6 * sigma
    assert 0.02 < sigma < 0.15
    assert bench.health.friction_scales(-1)[1] < bench.torque_ratio()


def test_a_fifth_less_friction_is_found_within_two_stops() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    five_stops(bench)
    bench.machine.friction = 0.8
    before, _ = bench.health.number("effectiveness")
    bench.lower_and_stop(1.0, 0.6)
    bench.lower_and_stop(1.0, 0.6)
    after, _ = bench.health.number("effectiveness")
    assert before > 0.95
    assert after == pytest.approx(0.8, rel=0.05)
    assert bench.health.friction_scales(-1)[1] < 0.8


@pytest.mark.parametrize("friction", [0.85, 1.0, 1.15])
def test_band_brake_is_weighed_through_its_exponential(friction: float) -> None:
    """A band stops a light rig too fast for a 1 cm position: a heavy load dragged before the stop tells."""
    bench = Bench("light", Machine(friction=friction, sheave_factor=1.03), 95_000.0)
    bench.height_m = 23.0
    bench.estimator = Estimator(bench.rig)
    for _ in range(4):
        bench.lower_and_stop(0.5, 0.4, steady_s=5.0)
    value, validity = bench.health.number("effectiveness")
    assert validity <= Validity.DEGRADED  # a band multiplies every doubt
    assert value == pytest.approx(bench.torque_ratio(), rel=0.07)
    scale, _ = bench.health.number("friction_scale")
    assert scale == pytest.approx(friction, rel=0.03)
    # 15 % of friction is over 30 % of a band's torque: the ratio is not the scale.
    assert abs(bench.torque_ratio() - 1.0) >= 1.9 * abs(friction - 1.0)


@pytest.mark.parametrize(("friction", "within"), [(0.45, 0.14), (0.75, 0.08), (1.0, 0.08)])
def test_stops_too_short_for_readings_are_weighed_by_their_energy(friction: float, within: float) -> None:
    """Full lever at half a metre per second: at rest a third of a second after the first pressure. The phase of the pressure
    readings against the grid (a different one for each seed) is what limits it."""
    errors = []
    for seed in range(1, 6):
        bench = Bench("land", Machine(friction=friction, lag=0.8), 100_000.0, seed)
        bench.height_m = 30.0
        bench.estimator = Estimator(bench.rig)
        for _ in range(5):
            bench.lower_and_stop(0.5, 1.0)
        value, validity = bench.health.number("effectiveness")
        sigma, _ = bench.health.number("effectiveness_sigma")
        assert validity <= Validity.DEGRADED
        assert abs(value - friction) < 2.0 * sigma
        assert bench.health.friction_scales(-1)[1] < friction
        errors.append(value / friction - 1.0)
    assert abs(sum(errors) / len(errors)) < within


def test_a_stop_of_centimetres_read_to_a_centimetre_is_no_weak_brake() -> None:
    """A band stops a light rig within 4 cm, which the estimate, from readings good to 1 cm, makes 2 to 8 of: the evidence
    is as poor as that, whichever way the noise falls."""
    used = 0
    for seed in range(20):
        bench = Bench("light", Machine(), 42_000.0, seed)
        bench.height_m = 15.0
        bench.estimator = Estimator(bench.rig)
        bench.aux_current_a, bench.lever = 30.0, 0.0
        bench.run(5.0)
        bench.lever = 0.9
        bench.run(1.5)
        used += bench.health.filter.applications
        friction, sigma = bench.health.filter.friction, bench.health.filter.sigma
        assert abs(friction - 1.0) < 2.0 * sigma
        value, validity = bench.health.number("effectiveness")
        assert validity > Validity.DEGRADED or value > 0.7
    assert used > 4


@pytest.mark.parametrize("contact", [0.01, 0.05])
@pytest.mark.parametrize("mass_kg", [60_000.0, 200_000.0])
def test_contact_pressure_within_its_doubt_is_no_weak_brake(mass_kg: float, contact: float) -> None:
    """Pads that touch at 1 % or at 5 % of full pressure: a light drag must not read as a brake lost or gained."""
    bench = Bench("land", Machine(contact=contact), mass_kg)
    bench.height_m = 30.0
    bench.estimator = Estimator(bench.rig)
    for _ in range(3):
        bench.lower_and_stop(0.6, 0.7, steady_s=6.0)
    effect = bench.health.filter
    assert abs(effect.friction - 1.0) < min(0.15, 1.5 * effect.sigma)


def test_a_value_that_says_too_little_is_not_shown() -> None:
    """One short stop weighs a band brake only to some thirty percent: no number, and no better assured scale."""
    bench = Bench("light", Machine(), 40_000.0)
    bench.lower_and_stop(0.8, 0.5)
    assert bench.health.filter.applications <= 1
    assert bench.health.number("effectiveness")[1] == INVALID
    assert bench.health.number("friction_scale")[1] == INVALID
    assert bench.health.friction_scales(-1)[1] <= 1.0 - bench.rig.uncertainty.friction + 1e-9


def test_before_evidence_the_configured_worst_case_stands() -> None:
    bench = Bench("land")
    bench.run(5.0)
    health = bench.health
    assert health.number("effectiveness")[1] == INVALID
    assert math.isnan(health.number("effectiveness")[0])
    expected, assured = health.friction_scales(-1)
    assert expected == 1.0
    assert assured == pytest.approx(1.0 - bench.rig.uncertainty.friction)


def blind(quantity: str) -> Callable[[Bench], None]:
    """Make a reading stale."""
    return lambda bench: bench.overrides.update({quantity: (math.nan, INVALID)})


def engage(bench: Bench) -> None:
    bench.overrides["clutch_engaged"] = (1.0, OK)


def lose_load(bench: Bench) -> None:
    bench.load_validity = INVALID


def lose_height(bench: Bench) -> None:
    bench.estimate_validity = Validity.INVALID


def slow_down(bench: Bench) -> None:
    bench.slow = True


def hold_springs(bench: Bench) -> None:
    bench.release_pa = 7.0e6


@pytest.mark.parametrize(
    "spoil",
    [blind("service_pressure_1"), blind("service_pressure_2"), blind("clutch_engaged"), blind("aux_current"),
     blind("emergency_release_pressure"), engage, lose_load, lose_height, slow_down, hold_springs],
)  # fmt: skip
def test_what_is_not_known_is_never_evidence(spoil: Callable[[Bench], None]) -> None:
    bench = Bench("land", Machine(friction=0.6), 150_000.0)
    spoil(bench)
    bench.run(1.0)
    before = bench.health.friction_scales(-1)
    bench.lower_and_stop(1.0, 0.6)
    assert bench.health.number("effectiveness")[1] == INVALID
    assert bench.health.filter.applications == 0
    assert bench.health.friction_scales(-1) == before
    assert bench.health.filter.inertia == 1.0


def test_evidence_stays_while_readings_are_lost() -> None:
    bench = Bench("land", Machine(friction=0.8), 150_000.0)
    five_stops(bench)
    known = bench.health.friction_scales(-1)
    assert known[0] == pytest.approx(0.8, rel=0.05)
    for quantity in ("service_pressure_1", "service_pressure_2"):
        blind(quantity)(bench)
    bench.run(5.0)
    assert bench.health.friction_scales(-1)[0] == known[0]
    assert bench.health.friction_scales(-1)[1] <= known[1]


def test_idle_hours_take_evidence_back_to_the_configured_doubt() -> None:
    bench = Bench("land", Machine(friction=1.1), 150_000.0)
    for _ in range(2):
        five_stops(bench)
    health, effect = bench.health, bench.health.filter
    fresh = health.friction_scales(-1)[1]
    assert fresh > 0.855
    saved = json.loads(json.dumps(health.state()))
    health.restore(saved, bench.t_ns + 24 * 3600 * 10**9)
    assert health.filter is not effect
    assert health.friction_scales(-1)[1] == pytest.approx(1.0 - bench.rig.uncertainty.friction)


def test_heat_is_counted_once() -> None:
    """A hot brake is weak by its temperature, not by its temperature and by what was seen of it."""
    bench = Bench("land", Machine(), 100_000.0)
    bench.temperature_c = 390.0
    bench.run(1.0)
    for _ in range(3):
        bench.lower_and_stop(0.8, 0.8)
        bench.hoist_and_stop(0.8, 0.8)
    truth = bench.torque_ratio()
    assert truth < 0.7
    assert bench.health.number("effectiveness")[0] == pytest.approx(truth, rel=0.05)
    # The expected scale is the same, heat and all, relative to the configured sheaves.
    relative = bench.health.filter.relative_to_file(-1)
    assert bench.health.friction_scales(-1)[0] == pytest.approx(
        bench.health.number("effectiveness")[0] * relative, rel=0.01
    )
    assert bench.health.number("fade")[0] == pytest.approx(1.0 - truth)
    bench.temperature_c = 100.0
    bench.run(2.0)
    # Stops this hard are so short that the time between pressure and position readings counts: 6 %.
    assert bench.health.friction_scales(-1)[0] == pytest.approx(1.0, rel=0.06)


def test_the_assured_scale_never_exceeds_the_expected() -> None:
    for machine in MACHINES:
        bench = Bench("land", machine, 60_000.0)

        def check(bench: Bench = bench) -> None:
            expected, assured = bench.health.friction_scales(-1)
            assert 0.0 < assured < expected

        bench.after = check
        bench.lower_and_stop(0.8, 0.4)
        bench.hoist_and_stop(0.8, 0.4)


def test_auxiliary_torque_is_not_credited_to_the_friction_brake() -> None:
    bench = Bench("land", Machine(), 150_000.0)
    bench.aux_current_a = 18.0
    five_stops(bench, 0.9)
    assert bench.health.number("effectiveness")[0] == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize(("sigma_m", "jerk_psd"), [(1e-4, 0.5), (1e-2, 0.5), (1e-3, 5.0)])
def test_delay_of_the_filter_follows_from_its_sigmas(sigma_m: float, jerk_psd: float) -> None:
    """Fed with a steadily growing acceleration, the filter's acceleration lags by the delay its own sigmas tell."""
    kin = KinematicFilter(jerk_psd)
    kin.reset(0.0)
    t, dt, jerk = 0.0, 0.005, 0.2
    for _ in range(4000):
        t += dt
        kin.predict(dt)
        innovation, s = kin.innovation(jerk * t**3 / 6, sigma_m**2 * 10)  # ten times the readings, ten times the noise
        kin.update(innovation, s)
    lag = t - kin.a / jerk
    assert estimator_delay_s(math.sqrt(kin.p[3]), math.sqrt(kin.p[5])) == pytest.approx(lag, rel=0.12, abs=0.004)


def test_delay_stays_within_its_limits_without_sigmas() -> None:
    assert estimator_delay_s(math.nan, 1.0) == 0.1
    assert estimator_delay_s(1.0, 0.0) == 0.1
    assert estimator_delay_s(100.0, 1.0) == 0.4


@pytest.mark.parametrize("delay", [0.06, 0.15, 0.4])
def test_the_imitated_low_pass_delays_by_what_it_is_told(delay: float) -> None:
    lag, dt = Lag(), 0.05
    t = 0.0
    for _ in range(400):
        t += dt
        lag.step(t, dt / (dt + delay / 3.0))
    assert t - lag.value == pytest.approx(delay, abs=0.001)


def test_restart_keeps_what_was_learned() -> None:
    bench = Bench("land", Machine(friction=0.85), 150_000.0)
    five_stops(bench)
    saved = json.loads(json.dumps(bench.health.state()))
    again = BrakeHealth(bench.rig, BrakeModel(bench.rig))
    again.restore(saved)
    assert again.friction_scales(-1)[0] == pytest.approx(bench.health.friction_scales(-1)[0], rel=1e-9)
    for name in ("effectiveness", "effectiveness_sigma", "response_time", "inertia_scale"):
        value, validity = bench.health.number(name)
        assert again.number(name)[0] == pytest.approx(value, rel=1e-3)
        assert again.number(name)[1] == validity
    assert again.state()["effect"] == saved["effect"]


@pytest.mark.parametrize(
    "broken",
    [{}, {"format": 2}, {"effect": None}, {"effect": {"x": [1, 1], "p": [1] * 6, "applications": 1}},
     {"effect": {"x": [1.0, 1.0, 0.0], "p": [-1.0] * 6, "applications": 1}}, {"disc_c": "hot"}, {"disc_c": 1e9},
     {"hydraulics": {}}, {"effect": {"x": [math.inf, 1.0, 0.0], "p": [1.0] * 6, "applications": 1}}],
)  # fmt: skip
def test_a_broken_state_is_refused_and_changes_nothing(broken: dict[str, object]) -> None:
    rig = find_rig("land")
    health = BrakeHealth(rig, BrakeModel(rig))
    before = health.state()
    saved = {**before, **broken} if broken else {}
    with pytest.raises(ValueError, match="cannot be restored"):
        health.restore(saved)
    assert health.state() == before


def test_a_brake_found_weak_loses_the_files_promise() -> None:
    """The configured worst case bounds from below while the brake looks like the file's, or the evidence is vague."""
    bench = Bench("land")
    known = bench.health.filter
    promise = 1.0 - known.prior
    known.sheave = 0.0
    assert known.low == pytest.approx(promise)
    known.applications = 3
    known.friction = 0.85
    assert known.low == pytest.approx(promise)  # as doubtful as at the start: no evidence of anything
    lows = []
    for friction in (1.0, 0.95, 0.9, 0.8, 0.6):
        known._p = (0.02**2, *known._p[1:])
        known.friction = friction
        lows.append(known.low)
    assert lows == sorted(lows, reverse=True)
    assert lows[-1] == pytest.approx(0.6 - 2.6 * known.sigma)
    assert lows[-1] < promise


def test_lowering_shows_friction_over_the_sheaves_and_hoisting_tells_them_apart() -> None:
    """Sheaves that run easier and a brake that grips harder look alike on the way down; the stop needs only their ratio."""
    errors, ratios = [], []
    for k in (1.022, 1.038):
        bench = Bench("land", Machine(sheave_factor=k), 100_000.0)
        bench.height_m = 30.0
        bench.estimator = Estimator(bench.rig)
        for _ in range(5):
            bench.lower_and_stop(0.9, 0.5)
        known = bench.health.filter
        errors.append(known.friction - 1.0)
        lines = bench.rig.line.lines
        true_ratio = factor_lowering(bench.rig.line.sheave_factor, lines) / factor_lowering(k, lines)
        ratios.append(bench.health.friction_scales(-1)[0] / true_ratio)
        for _ in range(3):
            bench.hoist_and_stop(0.9, 0.4)
        if abs(errors[-1]) > 0.02:
            assert abs(known.friction - 1.0) < abs(errors[-1])
    # Not told apart: each takes the part of the other.
    assert errors[0] < -0.02
    assert errors[1] > 0.02
    assert ratios == pytest.approx([1.0, 1.0], abs=0.03)


def dragged_with_the_auxiliary_brake(bench: Bench) -> None:
    """Two descents on both brakes together, then stops."""
    for _ in range(2):
        bench.height_m = 34.0
        bench.estimator = Estimator(bench.rig)
        bench.run(1.0)
        bench.lever, bench.aux_current_a = 0.0, 45.0
        bench.run(30.0, lambda: bench.v <= -0.8)
        bench.lever = 0.14
        bench.run(12.0, lambda: bench.height_m < 8.0)
        bench.lever = 0.5
        bench.run(20.0, lambda: bench.v == 0.0)
        bench.aux_current_a = 0.0
        bench.run(1.0)


def test_an_auxiliary_brake_that_is_too_hot_is_not_taken_for_a_weak_friction_brake() -> None:
    """Its coolant boils and it has a third of what its current shows; the friction brake is as it was."""
    bench = Bench("land", Machine(), 130_000.0)
    bench.aux_left, bench.coolant_c = 0.33, 95.0
    dragged_with_the_auxiliary_brake(bench)
    assert bench.health.filter.friction > 0.9


def test_a_sound_auxiliary_brake_at_work_leaves_a_sound_brake_sound() -> None:
    bench = Bench("land", Machine(), 130_000.0)
    dragged_with_the_auxiliary_brake(bench)
    assert bench.health.filter.friction == pytest.approx(1.0, abs=0.06)
