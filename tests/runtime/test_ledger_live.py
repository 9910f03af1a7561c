"""The ledger of a live run, end to end: a real broker, the monitor beside it, and `ledger take` of its session after it."""

import argparse
import asyncio
import json
from contextlib import AbstractAsyncContextManager, suppress
from pathlib import Path

import pytest

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.ledger.entries import DAY_NS, add_entries
from monitor.adapters.ledger.ledger import Entry, Ledger
from monitor.adapters.ledger.writer import LedgerWriter
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.recorder import Recorder
from monitor.analysis.ledger_entries import candidates
from monitor.analysis.recording import collect
from monitor.cli import main
from monitor.commands.common.live_run import live_driver
from monitor.commands.watch import add_arguments
from monitor.config.rig_file import find_rig
from monitor.model.stream import Action, ActionKind, Request
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.driver import Mode
from monitor.runtime.facts import RunFacts
from monitor.runtime.live import LiveDriver
from monitor.runtime.runner import Runner
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.commands.test_commands import Watching, own_rig
from tests.commands.test_commands import until as wait_until
from tests.support.broker import Mosquitto, sending, until
from tests.support.recorded import rules

FT_S, PERIOD_S = 4.0, 3.0
WORK_J = 1e6


def words(*given: str) -> argparse.Namespace:
    """The words of `stopmark watch`."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return parser.parse_args(given)


def travelling(broker: Mosquitto) -> AbstractAsyncContextManager[None]:
    """The block of the hand-written rig goes down and up, under load."""

    def messages(gone_s: float) -> list[tuple[str, str]]:
        gone_s %= PERIOD_S
        height_ft = 60.0 - FT_S * min(gone_s, PERIOD_S - gone_s)
        return [("wellsite/block/ft", json.dumps({"data": [{"reading": height_ft}]})), ("weight", "120.0")]

    return sending(broker, messages)


def work_of(driver: LiveDriver, since: str = "line_work_since_cut") -> float:
    """Work of the line in joules."""
    snapshot = driver.snapshot()
    return 0.0 if snapshot is None else snapshot.values[since].number


def crew(driver: LiveDriver) -> None:
    """What a crew does in the middle of it."""
    driver.act(Request(ActionKind.NOTE, text="pads look thin", who="ab"))
    driver.act(Request(ActionKind.SLIP_AND_CUT, number=12.0, who="cd"))
    driver.act(Request(ActionKind.REFERENCE_HEIGHT, number=-100.0, who="cd"))
    driver.act(Request(ActionKind.REFERENCE_HEIGHT, number=15.0, who="cd"))
    driver.act(Request(ActionKind.CHECK_START, "height-reference", who="ef"))
    driver.act(Request(ActionKind.CHECK_ABORT, "height-reference", who="ef"))


async def run(rig: Path, broker: Mosquitto, data: Path, mode: Mode = "LIVE") -> RunFacts:
    """A live run with everything in it; what its Session screen said at the end."""
    url = parse_broker_url(broker.url, {})
    args = words("--rig", str(rig), "--broker", broker.url, "--data", str(data))
    with live_driver(args, find_rig(str(rig)), url, StreamClock.live(), mode, ()) as driver:
        running = asyncio.create_task(driver.run())
        await until(lambda: driver.runner.connected is True, "the connection")
        async with travelling(broker):
            await until(lambda: work_of(driver, "line_work") > WORK_J, "work of the line")
            crew(driver)
            # On a busy machine the rules take up to seconds to see what the crew does.
            await until(lambda: work_of(driver) < 0.5 * WORK_J, "the cut")
            await until(lambda: work_of(driver) > WORK_J, "work of the line since the cut")
            writer = driver.ledger_writer
            await until(lambda: writer is None or bool(writer.line_events), "the cut in the ledger")
            facts = driver.facts()
            driver.stop()
            await running
    return facts


def entries(data: Path, rig: str = "own") -> list[Entry]:
    with Ledger(data / f"{rig}.ledger") as ledger:
        assert ledger.verify() == []
        return ledger.entries()


def work_in(session: Path) -> float:
    """Of the line, in what is on the disk of a session; none as long as that is not enough to read."""
    with suppress(SessionError), SessionChain([session]) as chain:
        return float(collect(chain)["line_work"][-1])
    return 0.0


async def test_a_live_run_keeps_the_ledger_and_take_finds_nothing_new(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    facts = await run(own_rig(tmp_path), broker, data)
    assert facts.ledger is not None
    assert facts.ledger.name == "own.ledger"
    assert [entry.kind for entry in facts.line_events] == ["line-cut"]
    found = entries(data)
    assert [(entry.kind, entry.who) for entry in found] == [
        *(
            ("line-work", ""),
            ("note", "ab"),
            ("line-cut", "cd"),
            ("reference", "cd"),
            ("check", "ef"),
            ("line-work", ""),
        ),
    ]
    (session,) = data.glob("*.stopmark")
    work_j = work_in(session)
    assert work_j > WORK_J  # since the cut
    assert sum(entry.numbers.get("work_j", 0.0) for entry in found) == pytest.approx(work_j, rel=1e-6)
    assert not list(data.glob("*-running"))
    assert main(["ledger", "take", str(session), "--data", str(data)]) == 0
    assert "0 new entries; " in capsys.readouterr().out
    assert entries(data) == found
    assert broker.published_by("stopmark-.*") == []


async def test_a_simulation_leaves_the_rigs_ledger_alone(broker: Mosquitto, tmp_path: Path) -> None:
    data = tmp_path / "data"
    facts = await run(own_rig(tmp_path), broker, data, "SIMULATED")
    assert facts.ledger is None
    assert list(data.glob("*.stopmark"))
    assert not list(data.glob("*ledger*"))


@pytest.mark.parametrize(("mode", "folder"), [("LIVE", "stopmark"), ("SIMULATED", "stopmark/demos")])
def test_a_demo_is_recorded_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: Mode, folder: str) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    url = parse_broker_url("mqtt://127.0.0.1:1", {})
    args = words("--rig", "land", "--broker", str(url))
    with live_driver(args, find_rig("land"), url, StreamClock.live(), mode, ()) as driver:
        assert driver.recorder is not None
        assert driver.recorder.path.parent == tmp_path / folder
    assert (tmp_path / "stopmark" / "land.ledger").exists() == (mode == "LIVE")


async def test_after_a_kill_the_next_run_says_so_and_take_brings_what_is_missing_once(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    watch = Watching(own_rig(tmp_path), broker, data)
    try:
        await asyncio.to_thread(wait_until, lambda: "Received SUBSCRIBE" in broker.text(), "the subscription")
        async with travelling(broker):
            await until(lambda: watch.session is not None and work_in(watch.session) > WORK_J, "work on the disk")
            watch.process.kill()
    finally:
        watch.process.kill()
        watch.process.wait()
    (killed,) = data.glob("*.stopmark")
    assert entries(data) == []
    await run(own_rig(tmp_path), broker, data)
    live = entries(data)
    assert [entry.kind for entry in live][:2] == ["restart", "line-work"]
    sessions = sorted(data.glob("*.stopmark"))
    assert len(sessions) == 2
    total_j = sum(work_in(session) for session in sessions)
    for expected in ("1 new entries", "0 new entries"):
        capsys.readouterr()
        assert main(["ledger", "take", str(killed), "--data", str(data)]) == 0
        assert expected in capsys.readouterr().out
    found = entries(data)
    assert [entry for entry in found if entry in live] == live
    work = [entry for entry in found if entry.kind == "line-work"]
    assert sum(entry.numbers["work_j"] for entry in work) == pytest.approx(total_j, rel=1e-6)
    assert work[0].t_ns < live[0].t_ns


def test_over_an_hour_and_a_day_what_was_kept_is_what_the_recording_shows(tmp_path: Path) -> None:
    """Stands are tripped over midnight; a writer looks every five seconds of it, and `take` finds it all known."""
    rig, scenario = find_rig("land"), find_scenario("calm-trip")
    origin_ns = 20_000 * DAY_NS + DAY_NS - 200 * 1_000_000_000
    source = PlantSource(rig, scenario, 1, origin_ns, 450.0)
    path, ledger = tmp_path / "trip.stopmark", tmp_path / "land.ledger"
    with Recorder(path, header_of(rig, rules(), "LIVE", origin_ns), wait=True) as recorder:
        with LedgerWriter(ledger, recorder.note, origin_ns) as writer:
            runner = Runner(core_of(rig, rules(), "rules"), recorder, (writer,))
            runner.health(origin_ns)
            writer.start(runner.core.snapshot)
            look_ns = origin_ns
            for item in source.items():
                if isinstance(item, Action):
                    runner.action(item)
                    continue
                runner.frame(item)
                if item.t_ns - look_ns > 5_000_000_000:
                    look_ns = item.t_ns
                    writer.look()
            runner.advance(source.end_ns)
        assert recorder.flush(60.0)
    with SessionChain([path]) as chain:
        recording = collect(chain)
    with Ledger(ledger) as book:
        kept = book.entries()
        assert [entry.kind for entry in kept] == ["brake", "line-work", "line-work", "brake"]
        assert kept[0].t_ns < origin_ns + 200 * 1_000_000_000 <= kept[1].t_ns
        work_j = sum(entry.numbers.get("work_j", 0.0) for entry in kept)
        assert work_j == pytest.approx(float(recording["line_work"][-1]), rel=1e-6)
        new, known = add_entries(book, candidates(recording), 1)
        assert (new, known) == (0, 3)
        assert book.entries() == kept
