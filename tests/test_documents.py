"""What the documents say is what the code does."""

import re
from pathlib import Path

import pytest

from monitor.commands import COMMANDS
from monitor.core.alarms.condition import condition_diagram
from monitor.core.alarms.lifecycle import life_diagram
from monitor.core.estimator.sources import source_diagram
from monitor.model.quantities import QUANTITIES
from monitor.units import UNITS
from simulators.commands import COMMANDS as SIMULATED

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = {"README.md": README, "DEVELOPERS.md": DEVELOPERS} | {
    f"tests/benchmarks/{name}": (ROOT / "tests/benchmarks" / name).read_text(encoding="utf-8")
    for name in ("FIGURES.md", "LIMITS.md")
}


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
