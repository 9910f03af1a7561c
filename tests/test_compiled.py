"""What compiled code does otherwise than the interpreter, and what the sources keep to so that nobody can tell.

Some look at the sources that `pyproject.toml` names for compiling; the rest runs on whichever Stopmark is installed, and
`.ci/compiled` runs it on the compiled one. That both give the same to the last bit is `tests/golden/fingerprint.py`.
"""

import ast
import os
import pickle
import re
import subprocess
import sys
import tomllib
from dataclasses import FrozenInstanceError
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import pytest

import monitor
from monitor.build import KIND, compiled
from monitor.config.rig_file import find_rig
from monitor.core import engine
from monitor.model.reading import ABSENT, DEGRADED, INVALID, VALID, Validity
from monitor.model.stream import Action, ActionKind
from simulators.scenario.direct_feed import findings_of, shipped_core
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

ROOT = Path(__file__).parent.parent
BUILD = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]["hooks"][
    "custom"
]
CODE = Path(monitor.__file__).parent.parent
SOURCES = sorted({path for pattern in BUILD["compile"] for path in CODE.glob(pattern)})
NANOSECONDS_BY_NATURE_NOT_WHOLE = {"lateness.py"}
"""Means of pauses: shorter than the days at which a float loses nanoseconds."""


def test_every_part_to_compile_is_there() -> None:
    for pattern in BUILD["compile"]:
        assert list(CODE.glob(pattern)), pattern
    assert len(SOURCES) > 90


def test_multiplication_and_addition_are_rounded_each() -> None:
    assert "-ffp-contract=off" in BUILD["flags"].split()
    assert not re.search(r"fast-math|-march|-Ofast", BUILD["flags"])


def annotated(tree: ast.AST) -> list[tuple[str, str]]:
    """Names with their annotations, and functions with those of what they return."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign):
            name = node.target.attr if isinstance(node.target, ast.Attribute) else ast.unparse(node.target)
            found.append((name, ast.unparse(node.annotation)))
        elif isinstance(node, ast.arg) and node.annotation is not None:
            found.append((node.arg, ast.unparse(node.annotation)))
        elif isinstance(node, ast.FunctionDef) and node.returns is not None:
            found.append((node.name, ast.unparse(node.returns)))
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(CODE)))
def test_no_nanoseconds_in_a_place_for_floats(path: Path) -> None:
    """Compiled, what is stored there becomes a float, and a time since 1970 loses steps of 256 ns."""
    if path.name in NANOSECONDS_BY_NATURE_NOT_WHOLE:
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert not [(name, kind) for name, kind in annotated(tree) if name.endswith("_ns") and "float" in kind]
    # A mapping or list of floats must not take one either: `store["rest"] = now.t_ns`.
    floats = {name for name, kind in annotated(tree) if re.fullmatch(r"(dict\[str, |list\[|deque\[)float\]", kind)} | {
        "store"
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and any(
            isinstance(target, ast.Subscript) and ast.unparse(target.value).split(".")[-1] in floats
            for holder in node.targets for target in (holder.elts if isinstance(holder, ast.Tuple) else [holder])
        ):  # fmt: skip
            kept = re.sub(r"seconds\([^)]*\)", "", ast.unparse(node))  # a difference of two, in seconds
            assert "_ns" not in kept, f"line {node.lineno}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(CODE)))
def test_no_constant_is_a_tuple_of_floats_alone(path: Path) -> None:
    """Compiled, reading one raises NameError: its place looks like one that was never filled."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.AnnAssign | ast.Assign) and isinstance(node.value, ast.Tuple):
            kinds = {type(item.value if isinstance(item, ast.Constant) else item) for item in node.value.elts}
            assert kinds != {float}, f"line {node.lineno}: one name for each, or a Sequence[float]"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(CODE)))
def test_models_that_check_their_input_stay_interpreted(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bases = {ast.unparse(base) for node in ast.walk(tree) if isinstance(node, ast.ClassDef) for base in node.bases}
    assert not bases & {"Model", "BaseModel"}
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) for alias in node.names}
    assert not names & {"model_validator", "field_validator", "BeforeValidator", "AfterValidator"}


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(CODE)))
def test_no_value_is_kept_by_a_cached_property(path: Path) -> None:
    """Compiled, it keeps nothing: the value would be worked out each time that it is read."""
    assert "cached_property" not in path.read_text(encoding="utf-8")


def test_a_stop_mark_is_worked_out_once() -> None:
    source = PlantSource(find_rig("land"), find_scenario("calm-trip"), 1, duration_s=5.0)
    core = shipped_core(source.rig)
    for item in source.items():
        core.feed(item)
    point = core._point
    assert point is not None
    assert point.stop.result is point.stop.result


def test_what_goes_from_process_to_process_arrives_whole() -> None:
    """A report in several processes would end in one, and take longer, where this does not hold."""
    scenario = find_scenario("overtravel-test")
    source = PlantSource(find_rig(scenario.rig), scenario, 1, duration_s=60.0)
    core = shipped_core(source.rig)
    findings = list(findings_of(source, core))
    assert findings
    assert pickle.loads(pickle.dumps(findings)) == findings
    action = Action(1_767_225_600_000_000_001, ActionKind.NOTE, text="as it was")
    assert pickle.loads(pickle.dumps(action)) == action
    snapshot = core.snapshot()
    for part in (snapshot.marks, snapshot.limits, snapshot.alarms, snapshot.sensors, snapshot.checks, snapshot.health):
        assert repr(pickle.loads(pickle.dumps(part))) == repr(part)  # by words: a NaN is not equal to itself
    with pytest.raises(FrozenInstanceError):
        action.t_ns = 0  # type: ignore[misc]


def test_validities_written_out_are_those_of_the_enumeration() -> None:
    assert tuple(int(validity) for validity in Validity) == (VALID, DEGRADED, INVALID, ABSENT)


def test_version_says_which_one_runs() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "--version"], capture_output=True, text=True, check=True, cwd=os.getcwd()
    ).stdout
    assert said.strip().endswith(f"({KIND})")
    assert (KIND == "compiled") is engine.__file__.endswith(tuple(EXTENSION_SUFFIXES)) is compiled()


def test_all_that_is_to_be_compiled_is_or_nothing() -> None:
    names = [".".join(path.relative_to(CODE).with_suffix("").parts) for path in SOURCES if path.name != "__init__.py"]
    assert len(names) > 80
    assert {compiled(name) for name in names} == {KIND == "compiled"}
