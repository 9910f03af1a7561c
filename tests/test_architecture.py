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


def imported_at_run_time(path: Path) -> set[Path]:
    """Modules of ours that `path` imports, at once or inside a function, but not for the type checker alone."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    found = {ROOT / f"{name.replace('.', '/')}.py" for name in names if name.startswith(("monitor.", "simulators."))}
    return {module for module in found if module.exists()}


def test_no_modules_import_each_other_in_a_circle() -> None:
    order = TopologicalSorter({path: imported_at_run_time(path) for path in files("monitor", "simulators")})
    assert len([*order.static_order()]) > 150  # raises, and names them, where there is a circle


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
