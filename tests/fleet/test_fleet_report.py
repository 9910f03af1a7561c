"""The report of many rigs: what is recorded of each, beside what is known of it."""

from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from monitor.adapters.ledger.ledger import Entry, Ledger, ledger_path
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from monitor.core.checks.overtravel import OVERTRAVEL
from monitor.fleet import rig_summary as module
from monitor.fleet.engine import Place
from monitor.fleet.fleet_page import fleet_page
from monitor.fleet.ledgers import Ledgers
from monitor.fleet.rig_summary import RecordedSession, fleet_summary, recorded_session
from monitor.model.alarm import Finding, Severity
from monitor.units import TON_MILE_J
from tests.support.recorded import simulated

S = 1_000_000_000
H = 3600 * S
T0 = 1_780_000_000 * S


def alarm(at_s: float, key: str, after: str = "unacknowledged", severity: Severity = Severity.CAUTION) -> Finding:
    before = "normal" if after == "unacknowledged" else "unacknowledged"
    return Finding(T0 + round(at_s * S), "alarm", key, severity, before, after, "words", "", None, None)


def session(rig: str, name: str, hours: float, *findings: Finding, every_h: float | None = 12.0) -> RecordedSession:
    return RecordedSession(
        name,
        f"content of {name}",
        rig,
        rig.title(),
        T0,
        T0 + round(hours * H),
        findings,
        {"weight": "hook_load"},
        every_h,
    )


def entry(kind: str, hours: float, text: str = "", **numbers: float) -> Entry:
    return Entry(1, T0 + round(hours * H), 0, kind, "AB", text, numbers, None)


def summed(
    monkeypatch: pytest.MonkeyPatch, *sessions: RecordedSession, **ledgers: list[Entry]
) -> tuple[module.FleetSummary, dict[str, module.RigSummary]]:
    by_name = {one.session: one for one in sessions}
    monkeypatch.setattr(module, "recorded_session", by_name.__getitem__)
    found = fleet_summary(list(by_name), Ledgers(ledgers), Place())
    return found, {rig.rig: rig for rig in found.rigs}


def test_alarms_are_counted_in_recorded_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    burst = [alarm(60 + 10 * n, f"rule-{n}") for n in range(12)]
    found, rigs = summed(
        monkeypatch,
        session("calm", "a", 2.0, alarm(100, "x"), alarm(4000, "x", severity=Severity.DANGER)),
        session("calm", "b", 2.0),
        session("busy", "c", 0.5, *burst),
    )
    calm, busy = rigs["calm"], rigs["busy"]
    assert (calm.sessions, calm.hours, calm.alarms, calm.alarms_per_hour) == (2, 4.0, 2, 0.5)
    assert (calm.dangers, calm.most_frequent, calm.most_frequent_share) == (1, "x", 1.0)
    assert (busy.alarms_per_hour, busy.most_in_10_min, busy.above_10_share) == (24.0, 12, pytest.approx(1 / 3))
    page = fleet_page(found, "two rigs")
    assert "too short to say" in page
    assert page.index('<td class="t">busy</td>') < page.index('<td class="t">calm</td>')


def test_a_test_is_overdue_by_time_by_a_cut_and_where_there_was_none(monkeypatch: pytest.MonkeyPatch) -> None:
    passed = Finding(
        T0 + H, "check", OVERTRAVEL.id, Severity.NOTICE, "", "pass", f"{OVERTRAVEL.title}: pass", "", None, None
    )
    words = f"{OVERTRAVEL.title} by AB: pass: as set"
    _, rigs = summed(
        monkeypatch,
        session("good", "a", 5.0, passed),
        session("late", "b", 20.0, passed),
        session("never", "c", 1.0, replace(passed, after="fail")),
        session("cut", "d", 5.0, passed),
        session("none", "e", 5.0, every_h=None),
        session("book", "f", 5.0),
        cut=[entry("line-cut", 2.0, turns=9.0)],
        book=[entry("check", 3.0, words, passed=1.0), entry("check", 4.0, words, passed=0.0)],
    )
    overdue = {name: rig.overtravel_overdue for name, rig in rigs.items()}
    assert overdue == {"good": False, "late": True, "never": True, "cut": True, "none": None, "book": False}
    assert rigs["book"].overtravel_passed_ns == T0 + 3 * H
    assert rigs["never"].overtravel_passed_ns is None


def test_the_time_in_which_a_sensor_fails_counts_once(monkeypatch: pytest.MonkeyPatch) -> None:
    found, _ = summed(
        monkeypatch,
        session(
            "rig", "a", 1.0,
            alarm(0, "sensor-silent:weight"), alarm(100, "sensor-doubtful:weight"),
            alarm(360, "sensor-silent:weight", "normal"), alarm(720, "sensor-doubtful:weight", "normal"),
            alarm(3000, "sensor-silent:other"), alarm(3036, "sensor-silent:other", "normal"), alarm(10, "sensors-silent"),
        ),
    )  # fmt: skip
    first, second = found.sensors
    assert (first.sensor, first.quantity, first.failures, first.hours) == ("weight", "hook_load", 2, pytest.approx(0.2))
    assert first.share == pytest.approx(0.2)
    assert first.kinds == "silent 1, doubtful 1"
    assert (second.sensor, second.quantity, second.hours) == ("other", "", pytest.approx(0.01))


def test_line_work_and_brakes_are_the_ledgers(monkeypatch: pytest.MonkeyPatch) -> None:
    days = [entry("brake", 24.0 * day, effectiveness=1.0 - 0.01 * day) for day in range(-20, 1)]
    found, rigs = summed(
        monkeypatch,
        session("kept", "a", 10.0),
        session("unkept", "b", 10.0),
        kept=[
            entry("line-work", -5.0, work_j=7e9), entry("line-work", 2.0, work_j=1e9), entry("line-cut", 3.0, turns=9.0),
            entry("line-work", 4.0, work_j=2e9), *days,
        ],
    )  # fmt: skip
    kept = rigs["kept"]
    assert (kept.line_work_j, kept.line_work_since_cut_j, kept.last_cut_ns) == (3e9, 2e9, T0 + 3 * H)
    assert rigs["unkept"].line_work_j is None
    (brake,) = found.brakes
    assert (brake.rig, brake.figure, brake.points, brake.certain) == ("kept", "effectiveness", 21, True)
    assert brake.slope_per_day == pytest.approx(-0.01)
    page = fleet_page(found, "x")
    assert f"{2e9 / TON_MILE_J:.2f}" in page
    assert "none beside the sessions" in page


def test_a_session_counts_once_and_a_bad_one_is_named(crown: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.stopmark"
    bad.write_bytes(b"no session")
    twice = tmp_path / "twice.stopmark"
    twice.write_bytes(crown.read_bytes())
    found = fleet_summary([str(crown), str(twice), str(bad)], Ledgers(), Place())
    assert [rig.sessions for rig in found.rigs] == [1]
    problems = {Path(one.session).name: one.problem for one in found.unused}
    assert "counted once" in problems["twice.stopmark"]
    assert "is not a Stopmark session" in problems["bad.stopmark"]
    with SessionReader(crown) as reader:
        raised = sum(one.raised for one in reader.findings())
    assert found.rigs[0].alarms == raised > 0


def test_the_command_writes_page_and_tables(
    crown: Path, short: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    silent = simulated(tmp_path / "silent.stopmark", "sensor-silent", 60.0)
    rig, end_ns = recorded_session(str(silent)).rig, recorded_session(str(silent)).to_ns
    with Ledger(ledger_path(tmp_path, rig)) as ledger:
        ledger.add("line-work", end_ns, end_ns, text="measured", numbers={"work_j": 5e9, "span_s": 50.0})
    out = tmp_path / "out"
    assert main(["fleet", str(crown), str(short), str(silent), "-o", str(out), "--workers", "0"]) == 0
    said = capsys.readouterr().out
    assert "alarms an hour" in said
    tables = duckdb.connect()
    rows = tables.execute(
        f"SELECT rig, hours, alarms_per_hour, line_work_j, overtravel_overdue FROM '{out}/rigs.parquet'"
    )
    by_rig = {row[0]: row[1:] for row in rows.fetchall()}
    assert by_rig[rig][2] == 5e9
    assert by_rig[rig][3] is True, "no test is in these records"
    worst = tables.execute(f"SELECT sensor, kinds FROM '{out}/sensors.parquet' ORDER BY hours DESC LIMIT 1").fetchone()
    assert worst is not None
    assert "silent" in worst[1]
    page = (out / "index.html").read_text()
    assert worst[0] in page
    assert "never in what is recorded" in page
    assert main(["fleet", str(out / "gone.stopmark"), "-o", str(out), "--workers", "0"]) == 1
