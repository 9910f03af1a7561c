"""The laws of the design, held against the source itself."""

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PURE = ("monitor/core", "monitor/physics")
FORBIDDEN_IN_PURE = {
    "asyncio", "time", "os", "io", "pathlib", "shutil", "tempfile", "socket", "threading", "subprocess", "random",
    "aiomqtt", "paho", "textual", "sqlite3", "logging",
}  # fmt: skip
FORBIDDEN_CALLS_IN_PURE = {"open", "print", "input"}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "simulators", "config", "tests"}


def files(*folders: str) -> list[Path]:
    return [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]


def imports(tree: ast.AST) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


@pytest.mark.parametrize("path", files(*PURE), ids=lambda path: str(path.relative_to(ROOT)))
def test_core_and_physics_have_no_clock_and_no_io(path: Path) -> None:
    tree = ast.parse(path.read_text())
    roots = {name.split(".")[0] for name in imports(tree)}
    assert not roots & FORBIDDEN_IN_PURE
    adapters = [
        name for name in imports(tree) if name.startswith(("monitor.adapters", "monitor.ui", "monitor.commands"))
    ]
    assert not adapters
    calls = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & FORBIDDEN_CALLS_IN_PURE
    clock_reads = [
        node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr in ("now", "utcnow", "today")
        and isinstance(node.value, ast.Name) and node.value.id in ("datetime", "date")
    ]  # fmt: skip
    assert not clock_reads


@pytest.mark.parametrize("path", files("monitor/physics"), ids=lambda path: path.name)
def test_physics_knows_nothing_of_the_monitor(path: Path) -> None:
    foreign = [
        name for name in imports(ast.parse(path.read_text()))
        if name.startswith("monitor") and not name.startswith(("monitor.physics", "monitor.units"))
    ]  # fmt: skip
    assert not foreign


@pytest.mark.parametrize("path", files("monitor"), ids=lambda path: str(path.relative_to(ROOT)))
def test_monitor_never_publishes_and_never_imports_the_simulators(path: Path) -> None:
    tree = ast.parse(path.read_text())
    assert not [name for name in imports(tree) if name.split(".")[0] == "simulators"]
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            assert node.attr not in ("publish", "will_set", "publish_single"), f"line {node.lineno}"
        if isinstance(node, ast.keyword):
            assert node.arg != "will", f"line {node.value.lineno}"
        if isinstance(node, ast.Name):
            assert node.id != "Will", f"line {node.lineno}"
        if isinstance(node, ast.ImportFrom):
            assert not {alias.name for alias in node.names} & {"Will", "publish"}, f"line {node.lineno}"


# The floors of the house, top to bottom. A module imports its own room and what stands on a lower floor; two rooms of one floor
# do not know each other. The longest prefix names a module's room, so that a rig's file, say, can live apart from its package.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("simulators", "monitor.cli"),
    ("monitor.commands",),
    ("monitor.fleet",),
    ("monitor.web", "monitor.report"),
    ("monitor.ui", "monitor.analysis"),
    ("monitor.runtime", "monitor.presentation"),
    ("monitor.language",),
    ("monitor.adapters",),
    ("monitor.core",),
    ("monitor.config",),
    ("monitor.physics", "monitor.model"),
    ("monitor.units", "monitor.text", "monitor.errors", "monitor.files", "monitor.build", "monitor"),
)
# The same inside the packages that have rooms of their own. Names joined by "+" are one room with several doors.
ROOMS: dict[str, tuple[tuple[str, ...], ...]] = {
    "monitor.core": (
        ("engine+height_actions+instruments+own_health+pace+recorded+restore",),
        ("checks",),
        ("signals",),
        ("hoist", "brakes"),
        ("estimator",),
        ("sensors", "alarms"),
        ("saved_state",),
    ),
    "monitor.adapters": (("tables", "ledger"), ("sessions", "mqtt"), ("host",)),
    "monitor.ui": (
        ("app", "plain"),
        ("page", "key_hints", "help_text", "past_reader"),
        ("canvas_app",),
        ("screens",),
        ("frame", "widgets", "keys"),
        ("view",),
        ("queries", "history", "bell", "dialogs", "terminal+terminal_pace"),
        ("acts", "drawing"),
    ),
    "simulators": (
        ("commands",),
        ("training",),
        ("trial",),
        ("scenario",),
        ("faults",),
        ("crew", "sensors"),
        ("machine", "delivery"),
    ),
}
# What the core may know of the configuration: the models, not the files they are read from.
CORE_KNOWS_OF_CONFIG = {
    f"monitor.config.{model}" for model in ("rig", "sensor", "brakes", "line_and_drum", "optional_tables", "rule")
}


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in files("monitor", "simulators")}


def modules_named(tree: ast.AST) -> set[str]:
    """Modules of ours that a source imports: at once, inside a function, or for the type checker alone."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            assert not node.level, f"line {node.lineno}: an import names the module in full"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else node.module)
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name in MODULES}


IMPORTS = {name: modules_named(ast.parse(path.read_text())) - {name} for name, path in MODULES.items()}


def place(module: str, floors: tuple[tuple[str, ...], ...], within: str = "") -> tuple[int, str] | None:
    """Floor (0 is the top) and room of a module; None where no room is named for it."""
    named = [
        (len(door), floor, room)
        for floor, rooms in enumerate(floors)
        for room in rooms
        for door in (f"{within}.{part}" if within else part for part in room.split("+"))
        if module == door or module.startswith(f"{door}.")
    ]
    return max(named)[1:] if named else None


def violation(module: str, imported: str) -> str:
    """Why `module` must not import `imported`, in words; empty where it may."""
    here, there = place(module, FLOORS), place(imported, FLOORS)
    assert here, f"{module} stands on no floor"
    assert there, f"{imported} stands on no floor"
    if here[1] != there[1]:
        return "" if there[0] > here[0] else f"{here[1]} must not know {there[1]}"
    for package, floors in ROOMS.items():
        if not (module.startswith(f"{package}.") and imported.startswith(f"{package}.")):
            continue
        inside, target = place(module, floors, package), place(imported, floors, package)
        if target and not inside:
            return f"{module} has no room in {package}"
        if inside and target and inside[1] != target[1] and target[0] <= inside[0]:
            return f"in {package}, {inside[1]} must not know {target[1]}"
    return ""


def test_every_module_imports_downwards_only() -> None:
    assert not {
        f"{module} imports {imported}: {why}"
        for module, found in IMPORTS.items()
        for imported in found
        if (why := violation(module, imported))
    }


def test_every_module_has_a_room() -> None:
    assert [module for module in MODULES if (here := place(module, FLOORS)) and here[1] == "monitor"] == ["monitor"]
    assert not [
        module
        for package, floors in ROOMS.items()
        for module in MODULES
        if module.startswith(f"{package}.") and not place(module, floors, package)
    ]


def test_core_knows_the_models_of_the_configuration_and_not_its_files() -> None:
    known = {name for module, found in IMPORTS.items() if module.startswith("monitor.core") for name in found}
    assert {name for name in known if name.startswith("monitor.config")} <= CORE_KNOWS_OF_CONFIG


def test_whatever_a_module_reaches_stands_on_its_floor_or_below() -> None:
    """The same rule for what is reached through others, so that no way round leads up again."""
    for module in MODULES:
        reached, ahead = set(), [module]
        while ahead:
            for name in IMPORTS[ahead.pop()] - reached:
                reached.add(name)
                ahead.append(name)
        here = place(module, FLOORS)
        assert here
        rooms_above = {name for name in reached for there in [place(name, FLOORS)] if there and there[0] < here[0]}
        assert not rooms_above, module
        beside = {name for name in reached for there in [place(name, FLOORS)] if there and there[0] == here[0]}
        assert {there[1] for name in beside if (there := place(name, FLOORS))} <= {here[1]}, module


def test_no_modules_import_each_other_in_a_circle() -> None:
    order = TopologicalSorter(IMPORTS)
    assert len([*order.static_order()]) > 150  # raises, and names them, where there is a circle


@pytest.mark.parametrize(
    ("module", "imported"),
    [
        ("monitor.core.engine", "monitor.adapters.mqtt.source"),
        ("monitor.core.estimator.estimator", "monitor.core.signals.table"),
        ("monitor.core.hoist.state", "monitor.core.brakes.health"),
        ("monitor.runtime.live", "monitor.presentation.figures"),
        ("monitor.adapters.host.metrics_endpoint", "monitor.adapters.mqtt.address"),
        ("monitor.config.rig", "monitor.core.engine"),
        ("monitor.physics.brakes", "monitor.model.reading"),
        ("simulators.faults.base", "simulators.scenario.plant_source"),
        ("simulators.trial.runs", "simulators.commands.simulate"),
        ("monitor.commands.watch", "simulators.commands.simulate"),
    ],
)
def test_an_arrow_that_climbs_is_refused(module: str, imported: str) -> None:
    assert {module, imported} <= MODULES.keys()
    assert violation(module, imported)


@pytest.mark.parametrize(
    "source",
    [
        "from monitor.core.engine import Core",
        "from monitor.core import engine",
        "import monitor.core.engine",
        "if TYPE_CHECKING:\n    from monitor.core.engine import Core",
        "def later():\n    from monitor.core.engine import Core",
    ],
)
def test_every_way_to_import_is_seen(source: str) -> None:
    assert modules_named(ast.parse(source)) == {"monitor.core.engine"}


def test_every_file_of_more_than_450_lines_says_why() -> None:
    for path in files("monitor", "simulators", "tests"):
        text = path.read_text()
        if text.count("\n") > 450:
            assert "450 lines" in text[:2500], f"{path}: over 450 lines and no reason given at its top"


def test_top_level_is_as_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    tops = {line.split("/")[0] for line in listed.splitlines()}
    assert {top for top in tops if not top.startswith(".")} <= TOP_LEVEL


def test_help_is_quick_to_import() -> None:
    """`--help` stays light: none of the heavy libraries is imported for it."""
    code = (
        "import sys, contextlib, io\n"
        "from monitor.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main(['--help'])\n"
        "print([name for name in ('numpy', 'scipy', 'textual', 'aiomqtt', 'pydantic') if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
