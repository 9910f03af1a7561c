"""What the documents say is what the code does."""

import argparse
import ast
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

from monitor.commands import COMMANDS
from monitor.core.alarms.condition import condition_diagram
from monitor.core.alarms.lifecycle import life_diagram
from monitor.core.estimator.sources import source_diagram
from monitor.model.quantities import QUANTITIES
from monitor.units import UNITS
from simulators.commands import COMMANDS as SIMULATED
from tests.benchmarks import word_curves

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = {"README.md": README, "DEVELOPERS.md": DEVELOPERS} | {
    f"tests/benchmarks/{name}": (ROOT / "tests/benchmarks" / name).read_text(encoding="utf-8")
    for name in ("FIGURES.md", "LIMITS.md")
}
PAGES["tests/security/SECURITY.md"] = (ROOT / "tests/security/SECURITY.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("mark", "drawn"),
    [("sources", source_diagram()), ("conditions", condition_diagram()), ("alarms", life_diagram())],
)
def test_the_diagrams_are_drawn_from_the_tables(mark: str, drawn: str) -> None:
    found = re.search(rf"<!-- {mark} -->\n```mermaid\n(.*?)```", DEVELOPERS, re.DOTALL)
    assert found is not None
    assert found[1].strip() == drawn.strip()


def test_every_command_quantity_and_unit_is_in_the_readme() -> None:
    for command in (*COMMANDS, *SIMULATED):
        assert f"stopmark {command.name}" in README, f"the README's commands lack {command.name}"
    for quantity in QUANTITIES:
        assert f"`{quantity}`" in README, f"the README's quantities lack {quantity}"
    sensors_use = {quantity.dimension for quantity in QUANTITIES.values()}
    for name, unit in UNITS.items():
        assert unit.dimension not in sensors_use or f"`{name}`" in README, f"the README's units lack {name}"


def test_the_options_that_the_readme_names_are_those_of_its_commands() -> None:
    helps = {}
    for command in (*COMMANDS, *SIMULATED):
        parser = argparse.ArgumentParser()
        import_module(command.module).add_arguments(parser)
        helps[command.name] = parser.format_help()
    spans = re.findall(r"`((?:stopmark (\w+) )?[^`\n]*--[a-z][^`\n]*)`", README)
    assert len(spans) > 15
    for span, name in spans:
        if span.startswith("pip "):
            continue
        known = helps.get(name) or " ".join(helps.values())
        for option in re.findall(r"(?<!\S)\[?(--[a-z-]+)", span):
            assert re.search(rf"{option}\b", known), f"{span}: there is no {option}"


@pytest.mark.parametrize("page", PAGES)
def test_every_picture_and_file_that_a_page_names_is_there(page: str) -> None:
    folder = (ROOT / page).parent
    for target in re.findall(r"\]\(([^)#:]+)\)", PAGES[page]):
        assert (folder / target.replace("%5B", "[").replace("%5D", "]")).exists(), target
    for path in re.findall(r"(?<![\w/.(-])(?:monitor|simulators|config|tests)/[\w/.-]*\w/?", PAGES[page]):
        if not re.search(r"NAME|ID", path):  # those stand for any name
            assert (ROOT / path).exists(), path


def test_every_name_is_in_the_file_that_is_named_with_it() -> None:
    """A name, a bracket or "in", and a file: `SECTIONS` (`monitor/report/page.py`)."""
    pairs = re.findall(r"`(\w+)`,? (?:\(|in\s+)`([\w/]+\.py)`", " ".join(PAGES.values()))
    assert len(pairs) > 12
    for name, path in pairs:
        assert re.search(rf"\b{name}\b", (ROOT / path).read_text(encoding="utf-8")), f"{path} has no {name}"


def test_the_developers_page_can_be_read_in_one_sitting() -> None:
    assert DEVELOPERS.count("\n") <= 250, "figures go to tests/benchmarks/FIGURES.md, limits to LIMITS.md beside it"


def test_the_developers_page_names_every_package() -> None:
    for init in sorted((ROOT / "monitor").glob("*/__init__.py")):
        assert f"`monitor/{init.parent.name}/`" in DEVELOPERS, init


def test_the_caution_stands_where_users_see_it() -> None:
    from monitor.cli import CAUTION

    assert "replaces" in CAUTION
    assert "never commands" in CAUTION
    assert README.index("Advisory only") < README.index("## Quick start")


PACKAGES = sorted(path.parent for name in ("monitor", "simulators") for path in (ROOT / name).rglob("__init__.py"))


@pytest.mark.parametrize("package", PACKAGES, ids=lambda package: str(package.relative_to(ROOT)))
def test_each_package_says_what_lives_in_it_and_where_to_begin(package: Path) -> None:
    words = ast.get_docstring(ast.parse((package / "__init__.py").read_text(encoding="utf-8"))) or ""
    assert len(words.splitlines()) >= 3
    assert "to be read in this order" in words.lower() or "begin with" in words.lower()
    for name in re.findall(r"[Bb]egin with `([a-z_.]+)`", words):
        assert any((package / f"{part}{end}").exists() for part in _ways(name) for end in (".py", "/__init__.py")), name


def _ways(name: str) -> tuple[str, ...]:
    """The path that a dotted name may stand for: the module itself, or the module of which it names a part."""
    path = name.replace(".", "/")
    return path, path.rpartition("/")[0] or path


PRIVATE_WORDS = {
    "afresh", "anew", "climb", "climbed", "deed", "farewell", "gleaner", "heft", "ills", "keeper", "knocks", "patience",
    "stir", "stranger", "tell", "telling", "thaw", "told", "weigh", "weighed", "weighing", "weighs",
}  # fmt: skip
"""Words that say something to those who chose them only; the trade and the library have plain ones for each."""
PRIVATE_NAMES = {"gone", "judged", "put_aside"}
"""Fine inside a longer name; alone they say too little of what a function does."""


def defined_names(tree: ast.AST) -> Iterator[tuple[str, bool]]:
    """Names of classes, functions, arguments and attributes that are defined in `tree`; true for functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name, not isinstance(node, ast.ClassDef)
        elif isinstance(node, ast.arg):
            yield node.arg, False
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.attr, False
        if isinstance(node, ast.ClassDef):
            for field in node.body:
                for target in [field.target] if isinstance(field, ast.AnnAssign) else getattr(field, "targets", []):
                    if isinstance(target, ast.Name):
                        yield target.id, False


def private_names(source: str) -> set[str]:
    """Those of the names defined in `source` that use a private word. The names of tests are sentences and may."""
    found = set()
    for name, is_function in defined_names(ast.parse(source)):
        words = {word.lower() for word in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", name)}
        private = words & PRIVATE_WORDS or (is_function and name.strip("_") in PRIVATE_NAMES)
        if private and not name.startswith("test_"):
            found.add(name)
    return found


def test_names_are_made_of_plain_words() -> None:
    found = {
        f"{path.relative_to(ROOT)}: {', '.join(sorted(names))}"
        for folder in ("monitor", "simulators", "tests")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if (names := private_names(path.read_text(encoding="utf-8")))
    }
    assert not found, "say it in the words of the trade"


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("class Keeper: ...", {"Keeper"}),
        ("def _weigh(told): ...", {"_weigh", "told"}),
        ("class A:\n    heft: float\n    knocks = 0", {"heft", "knocks"}),
        ("def f(self):\n    self.was_told = 1", {"was_told"}),
        ("def gone(): ...", {"gone"}),
        ("def f(gone):\n    return gone", set()),
        ("def test_a_stranger_is_refused(): ...", set()),
    ],
)
def test_a_private_word_is_seen_wherever_a_name_is_defined(source: str, found: set[str]) -> None:
    assert private_names(source) == found


def test_the_picture_of_the_words_is_what_the_calculators_say() -> None:
    assert word_curves.FILE.read_text(encoding="utf-8") == word_curves.picture()
    for speed in (0.2, 0.8, 1.6):
        ease, now, fully, cross = word_curves.rooms(speed)
        assert ease > now > fully > cross > 0.0
