"""Maps: settings from the rig's own sensors, and noise that fits what a column is."""

from pathlib import Path

import pytest

from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import load_map, rig_of
from monitor.adapters.tables.resolution import resolution_of
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.sensor import Sensor
from monitor.config.toml_file import ConfigError
from monitor.units import POUND_FORCE_N

HEAD = """
format = 1
rig = "land"
[time]
columns = ["time"]
format = "s"
"""
LOAD = """
[[columns]]
column = "load"
quantity = "hook_load"
unit = "kN"
"""


def rig_from(tmp_path: Path, columns: str) -> Rig:
    (tmp_path / "map.toml").write_text(HEAD + columns + LOAD)
    return rig_of(load_map(tmp_path / "map.toml"), [1.0, 1.0], [0.0, 0.0])


def drum() -> Sensor:
    sensor = find_rig("land").sensor_of("drum_counts")
    assert sensor is not None
    return sensor


def test_a_column_takes_the_settings_of_the_rigs_own_sensor(tmp_path: Path) -> None:
    rig = rig_from(tmp_path, '[[columns]]\ncolumn = "enc"\nsensor = "drum"\n')
    own = drum()
    made = rig.sensors[0]
    for name in ("id", "quantity", "unit", "range", "sigma", "counts_per_turn", "bits", "sense"):
        assert getattr(made, name) == getattr(own, name), name
    assert rig.reference.counts == find_rig("land").reference.counts  # its count at the reference stays known


def test_what_the_column_says_goes_before_the_sensors_settings(tmp_path: Path) -> None:
    rig = rig_from(
        tmp_path, '[[columns]]\ncolumn = "enc"\nsensor = "drum"\nsense = -1\nbits = 16\nrange = [0, 65535]\n'
    )
    assert (rig.sensors[0].sense, rig.sensors[0].bits, rig.sensors[0].range) == (-1, 16, (0, 65535))


def test_range_and_noise_of_a_sensor_follow_the_columns_unit(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(
        HEAD + '[[columns]]\ncolumn = "pos"\nquantity = "block_position"\nunit = "m"\n'
        '[[columns]]\ncolumn = "load"\nsensor = "hook-load"\nunit = "klbf"\n'
    )
    own = next(sensor for sensor in find_rig("land").sensors if sensor.id == "hook-load")
    made = rig_of(load_map(tmp_path / "map.toml"), [1.0, 1.0], [0.0, 0.0]).sensors[1]
    kilo_newton_in_klbf = 1.0 / POUND_FORCE_N
    assert own.unit == "kN"
    assert made.range == pytest.approx([end * kilo_newton_in_klbf for end in own.range])
    assert made.sigma == pytest.approx(own.sigma * kilo_newton_in_klbf)


def test_a_sensor_that_the_rig_has_not_is_named_with_those_it_has(tmp_path: Path) -> None:
    with pytest.raises(
        ConfigError, match=r"columns\.0\.sensor: the rig land has no sensor 'encoder'; its sensors: drum, hook"
    ):
        rig_from(tmp_path, '[[columns]]\ncolumn = "enc"\nsensor = "encoder"\n')


def test_noise_of_counts_is_a_count_not_a_share_of_all_that_there_are(tmp_path: Path) -> None:
    rig = rig_from(
        tmp_path, '[[columns]]\ncolumn = "enc"\nquantity = "drum_counts"\nunit = "counts"\ncounts_per_turn = 4096\n'
    )
    assert rig.sensors[0].sigma == 1.0


@pytest.mark.parametrize(
    ("cells", "unit", "expected"),
    [
        ([f"{10 + i / 100:.2f}" for i in range(50)], "m", 0.02),  # the least for a block position
        ([str(10 + i) for i in range(50)], "m", 1 / 12**0.5),  # whole metres
        ([f"{10 + i / 4:.2f}" for i in range(50)], "ft", 0.25 / 12**0.5),  # quarters of feet
        ([repr((10 + i / 4) * 0.3048) for i in range(50)], "m", 0.0762 / 12**0.5),  # the same, converted
    ],
)
def test_noise_follows_from_how_finely_the_log_is_written(
    tmp_path: Path, cells: list[str], unit: str, expected: float
) -> None:
    (tmp_path / "map.toml").write_text(
        HEAD + f'[[columns]]\ncolumn = "pos"\nquantity = "block_position"\nunit = "{unit}"\n' + LOAD
    )
    rows = [f"{1000 + i},{cell},500" for i, cell in enumerate(cells)]
    (tmp_path / "log.csv").write_text("\n".join(["time,pos,load", *rows]))
    log = FieldLog(tmp_path / "log.csv", load_map(tmp_path / "map.toml"))
    assert log.rig.sensors[0].sigma == pytest.approx(expected, rel=1e-6)


def test_resolutions() -> None:
    assert resolution_of(["12", "13.50", "14.25"]) == 0.01
    assert resolution_of(["1e3", "2"]) == 0.0
    assert resolution_of(["x", "", "nan"]) == 0.0
    assert resolution_of(["10.000", "11.0"]) == 1.0
    assert resolution_of(str(i * 0.5) for i in range(40)) == 0.5


def test_a_rig_without_a_reference_takes_a_log_too(tmp_path: Path) -> None:
    text = Path("config/rigs/light.toml").read_text()
    head, _, tail = text.partition("[reference]")
    (tmp_path / "bare.toml").write_text(head + tail[tail.index("\n[") :])
    (tmp_path / "map.toml").write_text(
        HEAD.replace('"land"', '"bare.toml"')
        + '[[columns]]\ncolumn = "pos"\nquantity = "block_position"\nunit = "m"\n'
        + LOAD
    )
    rig = rig_of(load_map(tmp_path / "map.toml"), [1.0, 1.0], [0.0, 0.0])
    assert not rig.has("reference")
