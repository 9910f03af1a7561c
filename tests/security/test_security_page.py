"""The page of what an attacker can do: each of its lines names a test, and each of these is there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "tests" / "security" / "SECURITY.md").read_text(encoding="utf-8")
ROWS = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith(("| what", "| ---"))]


def test_every_line_names_a_test_that_is_there() -> None:
    assert len(ROWS) > 30
    for row in ROWS:
        shown = row.rstrip("| ").rpartition(" | ")[2]
        groups = re.findall(r"((?:`test_\w+`,? ?)+)\(`([\w/.]+)`\)", shown)
        assert groups, row
        for tests, file in groups:
            text = (ROOT / file).read_text(encoding="utf-8")
            for name in re.findall(r"test_\w+", tests):
                assert re.search(rf"^(async )?def {name}\(", text, re.MULTILINE), f"{file} has no {name}"


def test_it_is_found_from_the_developers_page() -> None:
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = developers.partition("\n## SECURITY\n")[2].partition("\n## ")[0]
    assert "(tests/security/SECURITY.md)" in section
