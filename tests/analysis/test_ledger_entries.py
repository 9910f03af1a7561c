"""What the ledger takes from sessions."""

from pathlib import Path

import pytest

from monitor.adapters.ledger.alarm_levels import alarm_levels
from monitor.adapters.ledger.entries import DAY_NS, NewEntry, WorkSum
from monitor.adapters.ledger.ledger import Entry, Ledger
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.recorder import Recorder
from monitor.analysis.ledger_entries import candidates, work_since_cut_j
from monitor.analysis.recording import Recording, collect
from monitor.cli import main
from monitor.commands.ledger import site_rules
from monitor.config.rig_file import find_rig
from monitor.model.stream import Action, ActionKind
from monitor.presentation.brake_trend import trend_words
from monitor.presentation.figures import figures
from monitor.runtime.assembly import header_of
from tests.report.test_page import drum_and_load
from tests.support.recorded import START_NS, by_hand, changed, rules

S = 1_000_000_000
SHIPPED_LEVELS = {"effectiveness": 0.7, "leak_pa_s": 15000.0, "aux_share": 0.5}
Capture = pytest.CaptureFixture[str]


def test_line_work_and_brake_health_of_a_day_are_taken(trip_rec: Recording) -> None:
    found = candidates(trip_rec)
    (work,) = [candidate for candidate in found if isinstance(candidate, WorkSum)]
    assert work.done_j == pytest.approx(float(trip_rec["line_work"][-1]))
    (brake,) = [candidate for candidate in found if isinstance(candidate, NewEntry) and candidate.kind == "brake"]
    assert 0.8 < brake.numbers["aux_share"] <= 1.0


def test_what_the_crew_did_is_taken_with_who(tmp_path: Path) -> None:
    items = drum_and_load(60)
    t_ns = items[-1].t_ns
    items += [
        Action(t_ns + S, ActionKind.REFERENCE_HEIGHT, number=3.0, who="ab"),
        Action(t_ns + 2 * S, ActionKind.SLIP_AND_CUT, number=12.0, who="cd"),
        Action(t_ns + 3 * S, ActionKind.NOTE, text="pads look thin", who="ef"),
        Action(t_ns + 4 * S, ActionKind.REFERENCE_HEIGHT, number=-500.0, who="ab"),  # refused
        Action(t_ns + 5 * S, ActionKind.SLIP_AND_CUT, who="ab"),  # refused
        Action(t_ns + 6 * S, ActionKind.FALSE_ALARM, "brake-now-down", text="was stopping", who="gh"),
        Action(t_ns + 7 * S, ActionKind.FALSE_ALARM, "no such alarm", who="gh"),  # refused
    ]
    with SessionChain([by_hand(tmp_path / "done.stopmark", items)]) as chain:
        happened = [candidate for candidate in candidates(collect(chain)) if isinstance(candidate, NewEntry)]
    found = {candidate.kind: candidate for candidate in happened}
    assert len(found) == len(happened)
    assert (found["reference"].who, dict(found["reference"].numbers)) == ("ab", {"height_m": 3.0})
    assert (found["line-cut"].who, dict(found["line-cut"].numbers)) == ("cd", {"turns": 12.0})
    assert (found["note"].who, found["note"].text) == ("ef", "pads look thin")
    assert found["note"].t_ns > START_NS
    assert (found["false-alarm"].who, found["false-alarm"].text) == ("gh", "brake-now-down: was stopping")


def entry(kind: str, day: int, **numbers: float) -> Entry:
    return Entry(day, START_NS + day * 86_400 * S, START_NS, kind, "ab", "", numbers)


def test_line_work_counts_from_the_last_cut() -> None:
    entries = [entry("line-work", 1, work_j=5.0), entry("line-cut", 2), entry("line-work", 3, work_j=7.0),
               entry("line-new", 4), entry("line-work", 5, work_j=11.0), entry("line-work", 6, work_j=13.0)]  # fmt: skip
    assert work_since_cut_j(entries) == (24.0, START_NS + 4 * 86_400 * S)
    assert work_since_cut_j(entries[:1]) == (5.0, None)
    assert work_since_cut_j([]) == (0.0, None)


def test_trends_say_a_date_only_where_the_data_carries_one() -> None:
    falling = [entry("brake", day, effectiveness=1.0 - 0.004 * day) for day in range(0, 60, 3)]
    words = dict(trend_words(falling, {"effectiveness": 0.7}))
    assert "reaches 0.7 around 2026-03-17" in words["brake effectiveness"]  # 75 days at 0.004 a day
    assert words["auxiliary share"].startswith("0 entries; a trend needs")
    level = [entry("brake", day, effectiveness=0.9 + 0.01 * (-1) ** day) for day in range(60)]
    words = dict(trend_words(level, {"effectiveness": 0.7}))
    assert "no change can be told from none" in words["brake effectiveness"]
    assert "cannot be told from this" in words["brake effectiveness"]


def test_new_pads_begin_the_trend_anew_and_the_leak_is_told_in_the_trades_unit() -> None:
    falling = [entry("brake", day, effectiveness=1.0 - 0.004 * day, leak_pa_s=1e3 * day) for day in range(0, 60, 3)]
    words = dict(trend_words([*falling, entry("pads", 50)], alarms={"effectiveness": 0.7, "leak_pa_s": 65e3}))
    assert words["brake effectiveness"].startswith("3 entries since the pads were changed on 2026-02-20; a trend needs")
    assert words["pressure leak rate"].startswith("34.2 bar/min on 2026-02-27, +18.2 bar/min per month")
    assert "reaches 39 bar/min around 2026-03-07" in words["pressure leak rate"]
    level = [entry("brake", day, effectiveness=0.9 + 0.01 * (-1) ** day) for day in range(60)]
    assert "cannot be told" not in dict(trend_words(level, alarms={"effectiveness": 0.7}))["brake effectiveness"]


def test_figures_are_told_in_the_trades_units() -> None:
    numbers = {"work_j": 1.43e8, "span_s": 3600.0, "passed": 1.0, "response_s": 0.31, "turns": 12.0, "cut_m": 24.4}
    assert figures(numbers) == "work 9.988 ton-miles, span 60 min, response 0.31 s, turns 12, cut 24.4 m"
    assert figures({"leak_pa_s": 5000.0, "away_s": 3.0}) == "leak 3 bar/min, away 3 s"
    assert figures({}) == ""


def test_the_shipped_alarms_have_levels_for_the_trend(tmp_path: Path) -> None:
    assert alarm_levels(*site_rules(tmp_path, "land")) == SHIPPED_LEVELS


def test_the_levels_are_those_of_the_rules_the_site_watches_with(tmp_path: Path, capsys: Capture) -> None:
    """The newest live session of the rig tells them; a rule file that is given goes before it."""
    for day, trip, mode in ((1, 0.6, "LIVE"), (2, 0.8, "LIVE"), (3, 0.9, "SIMULATED")):
        text = changed(rules(), "brake-weak", trip=trip, clear=0.95)
        path = tmp_path / f"land-2026010{day}-000000.stopmark"
        with Recorder(path, header_of(find_rig("land"), text, mode, START_NS)):  # type: ignore[arg-type]
            pass
    (tmp_path / "land-20260104-000000.stopmark").write_bytes(b"no session")
    assert alarm_levels(*site_rules(tmp_path, "land")) == SHIPPED_LEVELS | {"effectiveness": 0.8}
    assert alarm_levels(*site_rules(tmp_path, "deep")) == SHIPPED_LEVELS
    with Ledger(tmp_path / "land.ledger") as ledger:
        for day in range(0, 60, 3):
            at_ns = START_NS + day * DAY_NS
            ledger.add("brake", at_ns, at_ns, numbers={"effectiveness": 1.0 - 0.003 * day})
    trend = ["ledger", "trend", "--rig", "land", "--data", str(tmp_path)]
    assert main(trend) == 0
    assert "reaches 0.8 around 2026-03-08" in capsys.readouterr().out
    given = tmp_path / "rules.toml"
    given.write_text(changed(rules(), "brake-weak", trip=0.75, clear=0.95))
    assert main([*trend, "--rules", str(given)]) == 0
    assert "reaches 0.75 around" in capsys.readouterr().out
    given.write_text("[[rule]]\nid = 1\n")
    assert main([*trend, "--rules", str(given)]) == 2
    assert "rules.toml: format: this field is missing" in capsys.readouterr().err
