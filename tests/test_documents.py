"""What the documents say is what the code does."""

import re
from pathlib import Path

import pytest

from monitor.commands import COMMANDS
from monitor.core.alarms.condition import condition_diagram
from monitor.core.alarms.lifecycle import life_diagram
from monitor.model.quantities import QUANTITIES
from monitor.units import UNITS
from simulators.commands import COMMANDS as SIMULATED

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(("mark", "drawn"), [("conditions", condition_diagram()), ("alarms", life_diagram())])
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


def test_every_picture_and_file_that_the_documents_name_is_there() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target.replace("%5B", "[").replace("%5D", "]")).exists(), target
    for path in re.findall(r"`((?:monitor|simulators|config|tests)/[\w/.-]+)`", DEVELOPERS + README):
        assert (ROOT / path).exists(), path


def test_the_caution_stands_where_users_see_it() -> None:
    from monitor.cli import CAUTION

    assert "replaces" in CAUTION
    assert "never commands" in CAUTION
    assert README.index("Advisory only") < README.index("## Quick start")
