"""A rig's file may leave out whole tables: what needs them is not fitted, and nothing that is said follows from a stand-in."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import collect
from monitor.config import optional_tables
from monitor.config.optional_tables import MAY_LACK, StandIn
from monitor.config.rig import Rig
from monitor.config.toml_file import ConfigError, validate
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNALS, not_fitted
from monitor.model.alarm import Finding
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import Action, Frame
from monitor.report.page import make_report
from monitor.runtime.assembly import core_of
from monitor.ui.screens import SCREENS
from tests.support import partial_rigs
from tests.support.recorded import by_hand, rules
from tests.ui.pages import page

SUBSETS = tuple(partial_rigs.subsets(8, seed=14))
SECONDS = 40.0
SCENARIO = "runaway-crown"


def run(rig: Rig, items: Sequence[Frame | Action]) -> tuple[Core, list[Finding], list[Snapshot]]:
    """The items through a core; snapshots every few seconds."""
    core = core_of(rig, rules(), "rules")
    findings, snaps = [], []
    for place, item in enumerate(partial_rigs.of(rig, items)):
        findings += core.feed(item)
        if place % 2000 == 1999:
            snaps.append(core.snapshot())
    return core, findings, [*snaps, core.snapshot()]


def _name(without: frozenset[str]) -> str:
    kept = [table for table in partial_rigs.TABLES if table not in without]
    return f"only {' '.join(kept) or 'nothing'}" if len(without) > 3 else f"no {' '.join(sorted(without))}"


@pytest.mark.parametrize("without", SUBSETS, ids=_name)
def test_every_subset_runs_and_is_drawn_and_says_not_fitted(without: frozenset[str]) -> None:
    rig = partial_rigs.rig_without(without)
    assert rig.missing == without
    core, _, snaps = run(rig, partial_rigs.readings(SCENARIO, SECONDS))
    absent = not_fitted(rig)
    for snap in snaps:
        for signal in SIGNALS:
            value = snap.value(signal.name)
            if signal.name in absent:
                assert value.validity is Validity.NOT_FITTED, signal.name
                assert math.isnan(value.number), signal.name
        for spec in SCREENS:
            for size in ((80, 24), (200, 50)):
                text = page(snap, spec, size, rig=rig).text()
                assert "nan" not in text.lower().split(), spec.name
    ruled = {rule.signal for rule in core._rules.rules}
    assert not ruled & absent
    session = next(screen for screen in SCREENS if screen.name == "Session")
    words = page(snaps[-1], session, (200, 50), rig=rig).text()
    if core._rules.left_out:
        assert core._rules.left_out[0] in words


def _other(table: Any) -> Any:
    """A stand-in of the same kind with every number changed."""
    changed: dict[str, object] = {}
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, float) and name not in ("friction", "nesting", "fill", "demand_lever", "sheave_factor"):
            changed[name] = value * 1.37 if field.default != 0.0 else value
        elif name == "lines":
            changed[name] = 8
    return table.model_copy(update=changed)


@pytest.mark.parametrize("without", SUBSETS, ids=_name)
def test_nothing_follows_from_a_stand_in(without: frozenset[str]) -> None:
    rig = partial_rigs.rig_without(without)
    other = rig.model_copy(update={name: _other(getattr(rig, name)) for name in MAY_LACK if name in without})
    assert all(isinstance(getattr(other, name), StandIn) for name in MAY_LACK if name in without)
    items = partial_rigs.readings(SCENARIO, SECONDS)
    (_, said, ours), (_, other_said, theirs) = run(rig, items), run(other, items)
    assert said == other_said
    for one, two in zip(ours, theirs, strict=True):
        assert repr(one) == repr(two)  # NaN is not equal to itself
        for spec in SCREENS:
            assert page(one, spec, (120, 40), rig=rig).text() == page(two, spec, (120, 40), rig=other).text()


@pytest.mark.parametrize("without", SUBSETS[:4], ids=_name)
def test_a_record_of_it_is_reported(without: frozenset[str], tmp_path: Path) -> None:
    rig = partial_rigs.rig_without(without)
    items = partial_rigs.of(rig, partial_rigs.readings(SCENARIO, SECONDS))
    path = by_hand(tmp_path / "part.stopmark", items, lambda config: _replace(config, partial_rigs.as_plain(rig)))
    with SessionChain([path]) as chain:
        assert chain.rig == rig
        assert chain.rig.missing == without
        html = make_report(collect(chain))
    assert "Not fitted" in html or "not fitted" in html
    assert ">nan" not in html


def _replace(config: dict[str, Any], plain: dict[str, Any]) -> None:
    config.clear()
    config.update(plain)


def test_what_was_left_out_stays_left_out_in_a_record() -> None:
    rig = partial_rigs.rig_without(partial_rigs.TABLES)
    plain = json.loads(rig.model_dump_json())
    assert not set(plain) & set(MAY_LACK)
    assert plain["limits"]["overtravel_m"] is None
    assert validate(Rig, plain, "record") == rig


def test_counts_need_the_tables_that_give_them_a_meaning() -> None:
    data = partial_rigs.as_plain(partial_rigs.rig_without(()))
    data.pop("drum")
    with pytest.raises(ConfigError, match=r"drum_counts, which needs \[drum\] in this file"):
        validate(Rig, data, "rig")


def test_every_table_that_may_lack_has_a_stand_in() -> None:
    for name in MAY_LACK:
        assert isinstance(Rig.model_fields[name].default, StandIn), name
        assert type(Rig.model_fields[name].default).__module__ == optional_tables.__name__


def test_a_simulated_rig_needs_a_whole_file() -> None:
    from simulators.scenario.scenario import find_scenario

    problems = find_scenario("calm-trip").problems_on(partial_rigs.rig_without({"hydraulics", "brake"}))
    assert any("no [brake], [hydraulics], which the simulated rig needs" in words for words in problems)
