"""Normal stops near a limit by a competent hand are silent: no loud word over rigs, loads, speeds and decelerations; nor over
hands of calm work that were told falsely to brake."""

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.toml_file import validate
from monitor.model.alarm import Severity
from simulators.machine.truth import GRAVITY_M_S2
from simulators.scenario.direct_feed import findings_of
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import Scenario
from simulators.trial.cases import case_of


@pytest.mark.parametrize("slow_down_m_s2", [0.18, 0.45])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.4])
@pytest.mark.parametrize("rig_name", ["land", "light", "deep"])
def test_strokes_that_end_three_metres_short_are_silent(rig_name: str, share: float, slow_down_m_s2: float) -> None:
    """`share`: string over the block's rating. 1.6 m/s up, or what the rig does; each machine is drawn about its file."""
    rig = find_rig(rig_name)
    string_n = share * rig.block.rated_load_kg * GRAVITY_M_S2
    table = {
        "name": f"stops-{rig_name}-{share}-{slow_down_m_s2}",
        "description": "strokes that end 3 m short of their limit",
        "rig": rig_name,
        "duration_s": 60.0,
        "work": {
            "program": "limit-stops",
            "start_m": rig.limits.upper_m - 15.0,
            "settings": {
                "string_n": string_n,
                "hoist_m_s": min(1.6, rig.limits.max_speed_m_s),
                "lower_m_s": 0.65 * rig.limits.max_speed_m_s,
                "slow_down_m_s2": slow_down_m_s2,
            },
        },
    }
    source = PlantSource(rig, validate(Scenario, table, "stops"), seed=1)
    loud = [f.key for f in findings_of(source) if f.raised and f.severity >= Severity.WARNING]
    assert not loud
    assert source.plant.height_m < rig.limits.upper_m - 2.0
    assert source.plant.height_m > rig.limits.lower_m + 2.0


@pytest.mark.parametrize(("seed", "index", "until_s"), [(9202, 141, 290.0), (9101, 0, 495.0)])
def test_a_hand_that_eases_in_the_auxiliary_brake_a_metre_short_is_not_told_to(
    seed: int, index: int, until_s: float
) -> None:
    """Both had begun half a second before; the speed's doubt was too wide, or the shorter stop left out of account."""
    case = case_of("calm", seed, index)
    scenario = case.scenario.model_copy(update={"duration_s": until_s})
    findings = findings_of(PlantSource(case.rig, scenario, case.seed))
    assert not [f.key for f in findings if f.raised and f.severity >= Severity.WARNING]


def test_a_string_let_into_the_slips_is_no_stop_to_warn_of_though_counts_may_be_missing() -> None:
    """Connections scatter, so that the height is known to 0.8 m only; the crew is asked to check it, not to brake."""
    case = case_of("calm", 9303, 184)
    scenario = case.scenario.model_copy(update={"duration_s": 712.0})
    found = {f.key: f.severity for f in findings_of(PlantSource(case.rig, scenario, case.seed)) if f.raised}
    assert "height-unconfirmed" in found
    assert max(found.values()) < Severity.WARNING
