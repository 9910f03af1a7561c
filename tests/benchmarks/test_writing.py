"""The table of figures: a benchmark renews its own rows and nothing else."""

from pathlib import Path

import pytest

from tests.benchmarks import figures
from tests.benchmarks.__main__ import LONG, main, names
from tests.benchmarks.figures import HEAD, PAGE, Figure, Stamp, cells_of, renewed

AT = Stamp("2026-12-01", "abc1234+", "a machine")
TABLE = f"""# Figures

| {" | ".join(HEAD)} |
|{" --- |" * len(HEAD)}
| cost of a sample | 5 us |  | 2026-11-25 | 590724d | old | `core_figures` |
| cost of a look | 9 us | 10 | 2026-11-25 | 590724d | old | `core_figures` |
| first paint | 0.4 s | 0.5 | 2026-11-25 | 590724d | old | `rig_figures -- start` |

Words after the table.
"""


def test_a_benchmark_renews_its_rows_where_they_stand_and_keeps_the_others() -> None:
    found = [Figure("a new one", 1234.5, "m"), Figure("cost of a look", 7.0, "us", "10")]
    before, after = TABLE.splitlines(), renewed(TABLE, "core_figures", found, AT, "--seconds 9").splitlines()
    assert after[:5] == before[:5]
    assert (
        after[5] == "| cost of a look | 7 us | 10 | 2026-12-01 | abc1234+ | a machine | `core_figures -- --seconds 9` |"
    )
    assert cells_of(after[6]) is not None
    assert after[6].startswith("| a new one | 1,234 m |  | 2026-12-01 |")
    assert after[7:] == before[6:]


def test_the_first_rows_of_a_benchmark_come_last() -> None:
    before, after = (
        TABLE.splitlines(),
        renewed(TABLE, "stop_figures", [Figure("marks kept", 99.95, "%")], AT).splitlines(),
    )
    assert (after[:7], after[8:]) == (before[:7], before[7:])
    assert after[7] == "| marks kept | 99.95 % |  | 2026-12-01 | abc1234+ | a machine | `stop_figures` |"


def test_an_unchanged_figure_leaves_one_row_with_the_new_date() -> None:
    once = renewed(TABLE, "rig_figures", [Figure("first paint", 0.4, "s", "0.5")], AT, "start")
    assert once.count("first paint") == 1
    assert renewed(once, "rig_figures", [Figure("first paint", 0.4, "s", "0.5")], AT, "start") == once


def test_the_stamp_names_a_commit_and_a_machine() -> None:
    at = figures.stamp()
    assert len(at.commit.rstrip("+")) == 7
    assert "cores" in at.machine


def test_every_benchmark_has_its_rows_in_the_table_the_long_ones_too() -> None:
    rows = [cells for line in PAGE.read_text(encoding="utf-8").splitlines() if (cells := cells_of(line))]
    assert len({(row[0], row[-1].split()[0]) for row in rows}) == len(rows), "a figure stands there twice"
    commands = {row[-1].strip("`").split()[0] for row in rows if not row[-1].startswith("no benchmark")}
    assert commands == set(names())
    for name, options in LONG.items():
        assert any(row[-1].startswith(f"`{name} -- ") for row in rows), f"{name} -- {options}"


def test_a_name_that_there_is_not_is_refused_before_anything_runs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["core_figures", "nothing_figures"]) == 2
    assert "nothing_figures" in capsys.readouterr().err
    assert main(["core_figures", "stop_figures", "--", "--runs", "3"]) == 2


def test_what_a_benchmark_prints_and_measures_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.benchmarks import __main__ as command

    page = tmp_path / "FIGURES.md"
    page.write_text(TABLE, encoding="utf-8")
    monkeypatch.setattr(command, "PAGE", page)
    monkeypatch.setattr(command, "OUTPUTS", tmp_path / "outputs")
    assert main(["stop_figures", "--write", "--", "--runs", "1", "--jobs", "1"]) == 0
    assert "assured stop mark kept in full-brake stops | 100 % | 99.9 |" in page.read_text(encoding="utf-8")
    printed = (tmp_path / "outputs" / "stop_figures-runs-1-jobs-1.txt").read_text(encoding="utf-8")
    assert printed.splitlines()[2].startswith("assured mark kept in 1 of 1 stops")
