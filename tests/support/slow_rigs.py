"""Several rigs whose sensors speak one to five times a second, and a fleet's file that names them."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.config.rig_file import shipped_rigs

_SENSOR = """
[[sensors]]
id = "{id}"
quantity = "{quantity}"
unit = "{unit}"
payload = "ascii"
rate_hz = {rate}
stale_after_s = {stale}
range = [{low}, {high}]
sigma = {sigma}
"""
_SENSORS = (
    ("block", "block_position", "m", 5, 1.5, -2, 45, 0.01),
    ("weight", "hook_load", "kN", 2, 3, -20, 4500, 4),
    ("service-1", "service_pressure_1", "bar", 2, 3, -2, 200, 0.4),
    ("service-2", "service_pressure_2", "bar", 2, 3, -2, 200, 0.4),
    ("accumulator", "accumulator_pressure", "bar", 1, 5, -2, 250, 0.4),
    ("lever", "brake_lever", "percent", 5, 1.5, -5, 105, 0.5),
)


def slow_rig(folder: Path) -> Path:
    """The land rig with a few sensors of a slow gateway."""
    head = shipped_rigs()["land"].read_text(encoding="utf-8").partition("[[sensors]]")[0]
    names = ("id", "quantity", "unit", "rate", "stale", "low", "high", "sigma")
    sensors = "".join(_SENSOR.format(**dict(zip(names, row, strict=True))) for row in _SENSORS)
    path = folder / "slow.toml"
    path.write_text(head.replace("counts = { drum = 1000000 }\n", "") + sensors, encoding="utf-8")
    return path


def fleet_of(folder: Path, names: Sequence[str], *more: str) -> Path:
    """A fleet of such rigs; `more` are files of others."""
    slow_rig(folder)
    rigs = [f'[[rigs]]\nfile = "slow.toml"\nname = "{name}"\ntitle = "{name.title()}"\n' for name in names]
    rigs += [f'[[rigs]]\nfile = "{file}"\n' for file in more]
    path = folder / "fleet.toml"
    path.write_text("format = 1\n" + "".join(rigs), encoding="utf-8")
    return path


def swinging(names: Sequence[str]) -> Callable[[float], list[tuple[str, str]]]:
    """What such rigs send at a time: each block goes up and down between its limits."""

    def messages(at_s: float) -> list[tuple[str, str]]:
        found = []
        for place, name in enumerate(names):
            swing = math.sin(0.1 * at_s + place)
            readings = {"block": 18.0 + 6.0 * swing, "weight": 900.0, "service-1": 0.4, "service-2": 0.4,
                        "accumulator": 141.0, "lever": 0.0}  # fmt: skip
            found += [(f"rig/{name}/hoist/{sensor}", f"{reading:.3f}") for sensor, reading in readings.items()]
        return found

    return messages
