"""The hook load that the estimator takes is the one that the register of sensors gives, whatever load sensors there are."""

import random

import pytest

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.core.estimator.hook_load import HookLoad, dead_line_shares
from monitor.core.sensors.register import SensorRegister
from monitor.model.reading import Sample, Validity

SECOND = 1_000_000_000


def with_loads(*quantities: str) -> Rig:
    """The land rig, weighed by sensors of these quantities instead."""
    rig = find_rig("land")
    load = next(s for s in rig.sensors if s.role == "load")
    others = tuple(s for s in rig.sensors if s.role != "load")
    loads = tuple(
        load.model_copy(update={"quantity": quantity, "id": f"load-{k}", "topic": f"load/{k}"})
        for k, quantity in enumerate(quantities)
    )
    return rig.model_copy(update={"sensors": (*others, *loads)})


@pytest.mark.parametrize(
    "quantities",
    [
        ("hook_load",),
        ("dead_line_tension",),
        ("dead_line_tension", "hook_load"),
        ("hook_load", "hook_load", "dead_line_tension"),
    ],
)
def test_it_agrees_with_the_register(quantities: tuple[str, ...]) -> None:
    rig, draw = with_loads(*quantities), random.Random(1)
    register, hook_load = SensorRegister(rig), HookLoad(rig)
    loads = [index for index, sensor in enumerate(rig.sensors) if sensor.role == "load"]
    t_ns, known = SECOND, 0
    for _ in range(400):
        t_ns += draw.choice((1, 1, 1, 30)) * SECOND // 10
        sample = Sample(t_ns, draw.choice(loads), draw.uniform(1.00e5, 1.12e5))
        direction = draw.choice((-1, 0, 1))
        assert register.records[sample.sensor].accept(sample) is None
        quantity = "hook_load" if "hook_load" in quantities else "dead_line_tension"
        number, validity = register.number(quantity, t_ns)
        load = hook_load.add_reading(sample, direction)
        assert (load is None) == (validity > Validity.DEGRADED)
        if load is not None:
            known += 1
            assert load == (number if quantity == "hook_load" else number / dead_line_shares(rig)[direction])
    assert known > 100
