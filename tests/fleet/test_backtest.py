"""What other rules would have said of many sessions, without and with Dask."""

import os
import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import distributed
import duckdb
import fsspec
import pytest

from monitor.adapters.ledger.ledger import Entry, Ledger, ledger_path
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.analysis import parallel_replay
from monitor.cli import main
from monitor.commands.common.session_places import sessions_of
from monitor.config.toml_file import ConfigError
from monitor.errors import UserError
from monitor.fleet.backtest import RECORDED, AlarmRow, Outcome, Rules, backtest, called_false, changes_of
from monitor.fleet.backtest_page import backtest_page
from monitor.fleet.engine import Certificates, Failure, Place, check_scheduler
from monitor.fleet.parts import Parts, content_of
from monitor.fleet.session_findings import SessionFindings, Task, findings_of
from simulators.trial.pool import run_set
from tests.support.recorded import changed, rules, simulated
from tests.web.browser import Chromium

S = 1_000_000_000
HERE = Place()


def later_rules() -> Rules:
    return Rules(changed(rules(), "brake-now-up", on_delay_s=0.6), "new rules")


def without(rule: str) -> Rules:
    """Rules under which that one never fires."""
    return Rules(changed(rules(), rule, trip=-100.0, clear=-99.0), "new rules")


def run(
    sessions: Sequence[Path], sides: tuple[Rules, Rules], folder: Path, marks: dict[str, list[Entry]] | None = None,
    place: Place = HERE,
) -> tuple[Outcome, list[AlarmRow]]:  # fmt: skip
    rows: list[AlarmRow] = []
    return backtest([str(path) for path in sessions], sides, Parts(folder), place, marks or {}, rows.extend), rows


def test_recorded_rules_say_what_was_recorded(crown: Path) -> None:
    with SessionReader(crown) as session:
        recorded = [(f.t_ns, f.key, f.severity.name) for f in session.findings() if f.raised or f.prompted]
    found = findings_of(Task(str(crown), content_of(str(crown)), RECORDED, RECORDED))
    assert [(one.t_ns, one.key, one.severity) for one in found.raised] == recorded
    assert recorded


def test_the_lead_is_from_the_alarm_to_the_crossing(crown: Path) -> None:
    found = findings_of(Task(str(crown), content_of(str(crown)), RECORDED, RECORDED))
    warned = next(one for one in found.raised if one.key == "brake-now-up")
    crosses = next(one for one in found.raised if one.key == "will-cross-up")
    assert warned.lead_s is not None
    assert crosses.lead_s is not None
    between_s = (crosses.t_ns - warned.t_ns) * 1e-9
    assert warned.lead_s - crosses.lead_s == pytest.approx(between_s, abs=0.06)
    assert warned.least_room_m is not None
    assert warned.least_room_m <= 0.0


def test_a_later_warning_and_a_lost_one_are_told(crown: Path, tmp_path: Path) -> None:
    outcome, rows = run([crown], (Rules(), later_rules()), tmp_path)
    moved = next(row for row in rows if row.key == "brake-now-up")
    assert moved.change == "moved"
    assert moved.later_s is not None
    assert 0.3 < moved.later_s < 0.7
    assert moved.lead_before_s is not None
    assert moved.lead_after_s is not None
    assert moved.lead_before_s - moved.lead_after_s == pytest.approx(moved.later_s, abs=0.06)
    assert outcome.by["rule"]["brake-now-up"].moved == 1
    assert outcome.all.true_lost == 0

    outcome, _ = run([crown], (Rules(), without("brake-now-up")), tmp_path)
    assert outcome.by["rule"]["brake-now-up"].true_lost == 1
    assert outcome.by["rule"]["brake-now-up"].after == 0


def test_what_was_worked_out_is_not_worked_out_again(
    crown: Path, short: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, rows = run([crown, short], (Rules(), later_rules()), tmp_path / "parts")
    assert [row.kept for row in first.sessions] == [False, False]
    copy = shutil.copy(crown, tmp_path / "renamed.stopmark")

    def never(_task: Task) -> SessionFindings:
        raise AssertionError("replayed again")

    monkeypatch.setattr("monitor.fleet.backtest.findings_of", never)
    again, same = run([copy, short], (Rules(), later_rules()), tmp_path / "parts")
    assert [row.kept for row in again.sessions] == [True, True]
    assert [replace(row, session="") for row in same] == [replace(row, session="") for row in rows]


def test_ended_early_it_goes_on_where_it_was(crown: Path, short: Path, tmp_path: Path) -> None:
    ended = 0

    def stop(done: int, _total: int) -> None:
        nonlocal ended
        ended = done
        if done == 1:
            raise KeyboardInterrupt

    sessions = [str(crown), str(short)]
    with pytest.raises(KeyboardInterrupt):
        backtest(sessions, (Rules(), later_rules()), Parts(tmp_path), HERE, {}, lambda rows: None, stop)
    assert ended == 1
    assert len(list(tmp_path.glob("*.parquet"))) == 1
    first: list[int] = []
    outcome = backtest(
        sessions, (Rules(), later_rules()), Parts(tmp_path), HERE, {}, lambda rows: None,
        lambda done, total: first.append(done),
    )  # fmt: skip
    assert first[0] == 1
    assert not [row.problem for row in outcome.sessions if row.problem]


def test_a_session_that_cannot_be_used_is_a_row(crown: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.stopmark"
    bad.write_bytes(b"no session at all" * 100)
    twice = shutil.copy(crown, tmp_path / "twice.stopmark")
    outcome, rows = run([bad, crown, twice, tmp_path / "gone"], (Rules(), later_rules()), tmp_path / "parts")
    problems = {Path(row.session).name: row.problem for row in outcome.sessions}
    assert "is not a Stopmark session" in problems["bad.stopmark"]
    assert "counted once" in problems["twice.stopmark"]
    assert "No such file" in problems["gone"]
    assert not problems[crown.name]
    assert {row.session for row in rows} == {str(crown)}


def test_a_changed_figure_of_the_rig_counts(crown: Path, tmp_path: Path) -> None:
    sides = Rules(), Rules(changes=changes_of(["limits.reaction_s=1.5"]))
    _, rows = run([crown], sides, tmp_path)
    moved = next(row for row in rows if row.key == "brake-now-up")
    assert moved.later_s is not None
    assert moved.later_s < -0.2, "who reacts later must be warned sooner"
    unknown, _ = run([crown], (Rules(), Rules(changes=changes_of(["limits.reactions=1.5"]))), tmp_path)
    assert "no such field" in unknown.sessions[0].problem
    senseless, _ = run([crown], (Rules(), Rules(changes=changes_of(["limits.reaction_s=-3"]))), tmp_path)
    assert "limits.reaction_s" in senseless.sessions[0].problem


@pytest.mark.parametrize("words", [["x"], ["a=1", "a=2"], ["a.b=c"], ["=3"], ["a b=3"]])
def test_a_change_that_is_none_is_refused(words: list[str]) -> None:
    with pytest.raises(ValueError, match=re.escape(words[-1])):
        changes_of(words)


def test_the_crews_word_counts_for_the_alarm_before_it(crown: Path, tmp_path: Path) -> None:
    found = findings_of(Task(str(crown), content_of(str(crown)), RECORDED, RECORDED))
    warned = next(one for one in found.raised if one.key == "brake-now-up")
    entry = Entry(1, warned.t_ns + 90 * S, 0, "false-alarm", "AB", "brake-now-up: was stopping", {}, None)
    assert called_false(found.raised, [entry]) == {("brake-now-up", warned.t_ns)}
    assert not called_false(found.raised, [replace(entry, t_ns=warned.t_ns - S)])
    assert not called_false(found.raised, [replace(entry, t_ns=warned.t_ns + 13 * 3600 * S)])
    outcome, _ = run([crown], (Rules(), without("brake-now-up")), tmp_path, {found.rig: [entry]})
    assert (outcome.all.false_before, outcome.all.false_after) == (1, 0)


def test_the_command_writes_page_and_tables(
    crown: Path, short: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new.toml"
    new.write_text(changed(rules(), "brake-now-up", on_delay_s=0.6))
    with SessionChain([crown]) as chain:
        rig, t_ns = chain.rig.name, chain.end_ns
    with Ledger(ledger_path(tmp_path, rig)) as ledger:
        ledger.add("false-alarm", t_ns, t_ns, who="AB", text="brake-now-up: was stopping")
    out = tmp_path / "out"
    words = ["backtest", str(crown), str(short), "--rules", str(new), "-o", str(out), "--workers", "0"]
    assert main([*words, "--data", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert "sessions: 2" in said
    assert "brake-now-up" in said
    page = (out / "index.html").read_text()
    assert "true ones lost" in page
    assert "1 (100 %)" in page
    tables = duckdb.connect()
    found = tables.execute(
        f"SELECT key, later_s, called_false FROM '{out}/alarms.parquet' WHERE severity_before IS NOT NULL AND later_s > 0"
    ).fetchall()
    assert [(key, false) for key, _, false in found] == [("brake-now-up", True)]
    assert tables.execute(f"SELECT count(*) FROM '{out}/sessions.parquet'").fetchone() == (2,)

    assert main([*words[:-2], "--rules", "recorded", "--set", "limits.ease_s=3.0"]) in (0, 1)
    assert main(["backtest", str(crown), "-o", str(out), "--workers", "0"]) == 2
    assert "both sides are the same" in capsys.readouterr().err


async def test_a_click_sorts_the_page(crown: Path, tmp_path: Path, chromium: Chromium) -> None:
    outcome, _ = run([crown], (Rules(), later_rules()), tmp_path / "parts")
    (tmp_path / "page.html").write_text(backtest_page(outcome, ("recorded", "new rules"), False))
    rules_named = "Array.from(document.querySelectorAll('#rules tbody tr')).map(row => row.cells[0].textContent).join()"
    async with chromium.page(f"file://{tmp_path}/page.html", 1100, 900) as page:
        await page.until_true("document.querySelectorAll('#rules th[role=button]').length > 5")
        await page.evaluate("document.querySelector('#rules th').click()")
        names = (await page.evaluate(rules_named)).split(",")
        assert names == sorted(names)
        await page.evaluate("document.querySelector('#rules th').click()")
        assert (await page.evaluate(rules_named)).split(",") == names[::-1]
        assert not page.complaints
    assert len(names) > 3


def test_a_catalogue_with_mistakes_ends_it_before_the_work(crown: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    new.write_text("format = 1\n[[rule]]\nid = 'x'\n")
    from monitor.commands.backtest import _side

    with pytest.raises(ConfigError):
        _side(str(new))


# --- Dask -------------------------------------------------------------------------------------------------------------


def dies_once(task: Task) -> SessionFindings:
    """Work whose process dies the first time."""
    mark = Path(task.where)
    if not mark.exists():
        mark.touch()
        os._exit(9)
    return findings_of(replace(task, where=RECORDED))


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A cluster elsewhere, behind certificates of its own, and the files of a client of it."""
    from distributed.security import Security

    security = Security.temporary()
    folder = tmp_path_factory.mktemp("tls")
    for name, text in (
        ("ca", security.tls_ca_file),
        ("cert", security.tls_client_cert),
        ("key", security.tls_client_key),
    ):
        (folder / name).write_text(text)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, security=security, dashboard_address="127.0.0.1:0",
        worker_dashboard_address="127.0.0.1:0", host="127.0.0.1", protocol="tls://",
        silence_logs=50,
    ) as found:  # fmt: skip
        yield found.scheduler_address, Certificates(folder / "ca", folder / "cert", folder / "key")


def test_a_cluster_behind_tls_gives_the_same(crown: Path, short: Path, tmp_path: Path, cluster: Any) -> None:
    place = Place(scheduler=cluster[0], certificates=cluster[1])
    _, there = run([crown, short], (Rules(), later_rules()), tmp_path / "there", place=place)
    _, here = run([crown, short], (Rules(), later_rules()), tmp_path / "here")
    assert there == here


def test_a_cluster_runs_trials_as_this_machine_does(tmp_path: Path, cluster: Any) -> None:
    place = Place(scheduler=cluster[0], certificates=cluster[1])
    there, fresh = run_set("danger", 9, 2, 1, tmp_path / "there", place=place)
    here, _ = run_set("danger", 9, 2, 1, tmp_path / "here")
    assert there == here
    assert fresh == {0, 1}


def test_a_cluster_makes_the_report_that_this_machine_makes(
    tmp_path: Path, cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parallel_replay, "PIECE_NS", 100 * S)
    monkeypatch.setattr(parallel_replay, "_NEAR_NS", 45 * S)
    session = str(simulated(tmp_path / "trip.stopmark", "clumsy-trip", 300.0))
    words = ["report", session, "-o"]
    address, secrets = cluster
    tls = ["--tls-ca", str(secrets.authority), "--tls-cert", str(secrets.certificate), "--tls-key", str(secrets.key)]
    monkeypatch.setattr(parallel_replay, "_in_parallel", None)
    assert main([*words, str(tmp_path / "there.html"), "--scheduler", address, *tls]) == 0
    assert main([*words, str(tmp_path / "here.html"), "--jobs", "1"]) == 0
    assert (tmp_path / "there.html").read_bytes() == (tmp_path / "here.html").read_bytes()


def test_who_has_no_certificate_of_the_cluster_is_not_let_in(tmp_path: Path, cluster: Any) -> None:
    from distributed.security import Security

    other = Security.temporary()
    for name, text in (("ca", other.tls_ca_file), ("cert", other.tls_client_cert), ("key", other.tls_client_key)):
        (tmp_path / name).write_text(text)
    strange = Certificates(tmp_path / "ca", tmp_path / "cert", tmp_path / "key")
    place = Place(scheduler=cluster[0], certificates=strange)
    with pytest.raises(UserError, match="no answer"):
        list(place.results(abs, [1]))


def test_a_cluster_of_our_own_lets_no_stranger_in() -> None:
    from distributed.security import Security

    with Place(workers=1)._client() as client:
        address = client.scheduler_info()["address"]
        assert address.startswith("tls://127.0.0.1:")
        for security in (Security.temporary(), None):
            with pytest.raises((OSError, TypeError)):
                distributed.Client(address, security=security, timeout="5s")


def test_a_worker_that_dies_is_tried_again_and_nothing_counts_twice(crown: Path, tmp_path: Path, cluster: Any) -> None:
    place = Place(scheduler=cluster[0], certificates=cluster[1])
    content = content_of(str(crown))
    tasks = [Task(str(crown), content, RECORDED, str(tmp_path / f"mark{n}")) for n in range(3)]
    results = list(place.results(dies_once, tasks))
    assert sorted(task.where for task, _ in results) == sorted(task.where for task in tasks)
    alike = {result for _, result in results if isinstance(result, SessionFindings)}
    assert alike == {findings_of(replace(tasks[0], where=RECORDED))}


def fails(number: int) -> int:
    if number == 2:
        raise UserError("two is no good")
    return 1 // number


def test_one_that_fails_is_told_and_the_others_go_on(cluster: Any) -> None:
    for place in (Place(), Place(scheduler=cluster[0], certificates=cluster[1])):
        results = dict(place.results(fails, [0, 1, 2, 3]))
        assert results[1] == 1
        assert results[2] == Failure("two is no good")
        assert isinstance(results[0], Failure)
        assert "ZeroDivisionError" in results[0].words


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("tcp://10.1.2.3:8786", "open scheduler"),
        ("tls://10.1.2.3:8786", "--tls-ca"),
        ("http://127.0.0.1", "give tls://"),
        ("nonsense", "give tls://"),
    ],
)
def test_a_scheduler_that_is_open_to_strangers_is_refused(address: str, words: str) -> None:
    with pytest.raises(UserError, match=words):
        check_scheduler(address, None, plain=False)
    check_scheduler("tcp://127.0.0.1:8786", None, plain=False)
    check_scheduler("tcp://10.1.2.3:8786", None, plain=True)


def test_without_dask_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(UserError, match="stopmark\\[fleet\\]"):
        list(Place(workers=1).results(abs, [1]))


# --- a store ----------------------------------------------------------------------------------------------------------


def test_sessions_in_a_store_are_fetched(crown: Path, tmp_path: Path) -> None:
    store = fsspec.filesystem("memory")
    store.put_file(str(crown), "/nights/crown.stopmark")
    sessions = sessions_of(["memory:///nights/*.stopmark"])
    assert len(sessions) == 1
    rows: list[AlarmRow] = []
    backtest(sessions, (Rules(), later_rules()), Parts(tmp_path / "a"), HERE, {}, rows.extend)
    _, local = run([crown], (Rules(), later_rules()), tmp_path / "b")
    assert [replace(row, session="") for row in rows] == [replace(row, session="") for row in local]
