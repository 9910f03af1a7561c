"""The day of a newcomer: the five additions of DEVELOPERS.md, each made in the one place that it names.

They are made in a copy of the tree. Each test makes one, runs the narrow tests that DEVELOPERS.md names in the copy, and looks
at what has come of it, with a few lines of its own that run there, too.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parent.parent
LEFT_OUT: Final = shutil.ignore_patterns(
    "golden", "__snapshots__", "pictures_as_text", "published", "fuzz", "*.stopmark"
)


class House:
    """A copy of the tree in which things are added."""

    def __init__(self, root: Path) -> None:
        self.root = root
        for name in ("monitor", "simulators", "config", "tests"):
            shutil.copytree(ROOT / name, root / name, ignore=LEFT_OUT)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(ROOT / name, root / name)

    def add(self, path: str, text: str, before: str | None = None) -> None:
        """Write `text` into one file: before the last `before` in it, at its end, or as a new file."""
        file = self.root / path
        whole = file.read_text(encoding="utf-8") if file.exists() else ""
        assert before is None or before in whole, f"{path} has no {before!r}"
        head, found, tail = whole.rpartition(before) if before else (whole, "", "")
        file.write_text(head + text + found + tail, encoding="utf-8")

    def python(self, *words: str) -> str:
        """Run Python in the copy; what it printed."""
        environment = os.environ | {"PYTHONPATH": str(self.root)}
        command = [sys.executable, *words]
        done = subprocess.run(command, cwd=self.root, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def tests(self, *words: str) -> str:
        """Run tests of the copy, all of which must pass; the last line of what pytest says."""
        return self.python("-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *words).splitlines()[-1]

    def sees(self, code: str) -> list[str]:
        """Lines that `code` prints in the copy."""
        return self.python("-c", code).splitlines()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    return House(tmp_path_factory.mktemp("house"))


SENSOR: Final = """
[[sensors]]
id = "pump"
quantity = "pump_pressure"
unit = "bar"
value = "/value"
rate_hz = 1
stale_after_s = 5
range = [0, 400]
sigma = 1
"""


def test_a_sensor_kind_is_one_row_and_a_sensor_one_table(house: House) -> None:
    row = '    Quantity("pump_pressure", "pressure", "plain", "mud pump pressure"),\n'
    house.add("monitor/model/quantities.py", row, before=")\n\nQUANTITIES")
    shutil.copy(house.root / "config/rigs/land.toml", house.root / "site.toml")
    house.add("site.toml", SENSOR)
    house.tests("tests/core/sensors/test_register.py", "tests/simulators/test_sensors.py", "-k", "has_not or quantity")
    assert house.sees("""
from monitor.config.rig_file import find_rig
from monitor.model.stream import Frame
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.scenario import find_scenario
rig = find_rig("site.toml")
core = shipped_core(rig)
core.feed(Frame(10**18, "rig/land/hoist/pump", b'{"value": 210}'))
core.advance(10**18 + 10**8)
view = next(view for view in core.snapshot().sensors if view.id == "pump")
print(view.quantity, round(view.value.number), view.stale)
print(find_scenario("calm-trip").problems_on(rig))
""") == ["pump_pressure 21000000 False", "[\"rig 'land': no simulated pump_pressure\"]"]


def test_a_signal_is_one_row(house: House) -> None:
    row = '    Signal("room_least", "length", "the smaller room", room(lambda r: min(r.up_m, r.down_m))),\n'
    house.add("monitor/core/signals/table.py", row, before="    # Load and line\n")
    house.tests("tests/core/signals", "-k", "observer")
    up, down, least = house.sees("""
from monitor.config.rig_file import find_rig
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
rig = find_rig("land")
core = shipped_core(rig)
for item in PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=3.0).items():
    core.feed(item)
for name in ("room_up", "room_down", "room_least"):
    print(core.snapshot().value(name).number)
""")
    assert float(least) == min(float(up), float(down)) > 0.0


RULE: Final = """
[[rule]]
id = "fast-line-hard"
signal = "fast_line_tension"
compare = "above"
trip = 60e3
clear = 50e3
on_delay_s = 1.0
off_delay_s = 1.0
severity = "NOTICE"
message = "Fast line pulls hard"
guidance = "Look at the hook load and at the line's design factor."
"""
CASES: Final = """rule = "fast-line-hard"

[[case]]
name = "fires, and is over when it is well right again"
steps = [{ at = 0.0, value = 10e3 }, { at = 1.0, value = 70e3 }, { at = 5.0, value = 10e3 }]
until = 8.0
expect = [[2.0, "unacknowledged"], [6.0, "returned unacknowledged"]]

[[case]]
name = "must not fire: wrong for less than the delay"
steps = [{ at = 0.0, value = 10e3 }, { at = 1.0, value = 70e3 }, { at = 1.9, value = 10e3 }]
until = 4.0
expect = []

[[case]]
name = "stays: the reading is lost"
steps = [{ at = 0.0, value = 70e3 }, { at = 2.0, validity = "invalid" }]
until = 30.0
expect = [[1.0, "unacknowledged"]]
"""


def test_a_rule_is_one_table_and_its_case_file(house: House) -> None:
    house.add("config/rules.toml", RULE)
    house.add("tests/rules/fast-line-hard.toml", CASES)
    house.tests("tests/rules", "-k", "fast-line-hard or every_rule or catalogue")
    assert house.sees("""
from monitor.config.rig_file import find_rig
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
rig = find_rig("land")
core = shipped_core(rig)
found = []
for item in PlantSource(rig, find_scenario("calm-trip"), 1, duration_s=15.0).items():
    found += [finding for finding in core.feed(item) if finding.key == "fast-line-hard"]
print(found[0].severity.name, found[0].after, found[0].message)
""") == ["NOTICE unacknowledged Fast line pulls hard"]


FAULT: Final = '''class Negated(OnSensor):
    """The two wires of a sensor are swapped: its readings come with the wrong sign."""

    kind: Literal["negated"] = "negated"

    def reading(self, value: float, active: bool, t_s: float, memory: dict[str, float]) -> float | None:
        return -value if active else value


'''
SCENARIO: Final = """
description = "the load sensor's wires are swapped"
rig = "land"
duration_s = 8
faults = [{ kind = "negated", sensor = "hook-load", start_s = 4 }]

[work]
program = "wait"
start_m = 10
"""


def test_a_fault_is_one_class_and_its_name_in_the_table_of_its_file(house: House) -> None:
    place = "simulators/faults/readings.py"
    house.add(place, FAULT, before="READING_FAULTS: Final")
    house.add(place, "    Negated,\n", before=")  # fmt: skip\n")
    house.add("config/scenarios/wires-swapped.toml", SCENARIO)
    house.tests("tests/simulators/test_faults.py", "-k", "table or freeze")
    before, after, refused = house.sees("""
import json
from monitor.config.rig_file import find_rig
from simulators.scenario.direct_feed import shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
rig = find_rig("land")
source = PlantSource(rig, find_scenario("wires-swapped"), 1)
core = shipped_core(rig)
loads = []
for item in source.items():
    core.feed(item)
    if item.topic.endswith("hook-load"):
        loads.append(json.loads(item.payload)["value"])
print(loads[0])
print(loads[-1])
print(core.snapshot().rejects)
""")
    assert float(before) > 0.0 > float(after)
    assert "range" in refused


SCREEN: Final = '''"""Stroke: the two rooms, and nothing else."""

from monitor.ui.drawing.canvas import Area
from monitor.ui.keys.key import Key
from monitor.ui.view import View

TITLE = "Stroke"
HELP = "how much of the stroke is left"
KEYS: tuple[Key, ...] = ()


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    for row, name in enumerate(("room_up", "room_down")):
        area.say(2, row, f"left by {name}: {view.units.value(view.value(name), 'length')}", "strong")
    return ()
'''


def test_a_screen_is_one_file_and_its_name_in_screens(house: House) -> None:
    house.add("monitor/ui/screens/stroke.py", SCREEN)
    init = "monitor/ui/screens/__init__.py"
    house.add(init, ", stroke", before="\nfrom monitor.ui.view import View\n")
    house.add(init, ", stroke", before="), 1)\n")
    house.tests("tests/ui/test_app.py", "-k", "every_screen or help")
    lines = house.sees("""
import asyncio
from tests.ui import sample
from tests.ui.walk import app_with, shown
async def walk():
    app, _, _ = app_with(sample.calm())
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("0")
        print(shown(app))
asyncio.run(walk())
""")
    assert "Stroke" in lines[0]
    assert len([line for line in lines if re.search(r"left by room_(up|down): \d", line)]) == 2
