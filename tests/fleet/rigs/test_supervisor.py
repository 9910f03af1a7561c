"""Processes of rigs that end, hang, talk nonsense or never start: each is its own rig's matter."""

import asyncio
import os
import signal
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from monitor.config.fleet_file import RigPlace
from monitor.config.rig import Rig
from monitor.config.rig_file import shipped_rigs
from monitor.errors import UserError
from monitor.fleet.rigs import supervisor as module
from monitor.fleet.rigs.process import alone
from monitor.fleet.rigs.row import RigRow, row_of
from monitor.fleet.rigs.supervisor import Supervisor
from monitor.fleet.rigs.wire import Logged, Order, Report
from monitor.model.alarm import Finding
from monitor.model.stream import ActionKind, Request
from tests.support.broker import until
from tests.ui import sample


def rig_that_talks(wire: socket.socket, rig: Rig, place: RigPlace) -> None:
    """A process that says a row again and again, and does as its rules' name says."""
    alone()
    what = place.rules or ""
    if what == "hangs":
        time.sleep(600)
    if what == "refuses":
        wire.sendall(Report(problem="the folder is another's").line().encode() + b"\n")
        raise SystemExit(2)
    if what == "babbles":
        wire.sendall(b"no report at all\n")
        time.sleep(600)
    wire.settimeout(0.05)
    row = row_of(rig, sample.calm()) if what != "never" else RigRow(rig.title)
    wire.sendall(Report(log=Logged(level=20, logger="x", words="began")).line().encode() + b"\n")
    while True:
        wire.sendall(Report(row=row).line().encode() + b"\n")
        try:
            orders = wire.recv(1 << 16)
        except TimeoutError:
            continue
        if not orders:
            raise SystemExit(0)
        for line in orders.splitlines():
            order = Order.model_validate_json(line)
            if order.act is not None:
                finding = Finding(1, "action", order.act.target, 0, "", order.act.who, "done", "", None, None)  # type: ignore[arg-type]
                wire.sendall(Report(finding=finding).line().encode() + b"\n")
            if order.stop:
                wire.sendall(Report(summary={"rig": rig.name}).line().encode() + b"\n")
                raise SystemExit(0)


@asynccontextmanager
async def watching(
    *rules: str, folder: Path | None = None, on_finding: Callable[[str, Finding], None] = lambda name, finding: None
) -> AsyncIterator[Supervisor]:
    """Rigs named by what their processes do."""
    names = [f"{what or 'good'}-{number}" for number, what in enumerate(rules)]
    places = [RigPlace("light", name, name, what or None) for name, what in zip(names, rules, strict=True)]
    if folder is not None:
        places.append(RigPlace(str(folder / "bad.toml")))
        names.append("bad")
    async with Supervisor(places, names, rig_that_talks, (__name__,), on_finding) as supervisor:
        yield supervisor


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.2)
    monkeypatch.setattr(module, "STARTED_S", 0.5)


async def test_one_that_is_killed_is_said_and_started_again_and_no_other_takes_notice() -> None:
    async with watching("", "") as supervisor:
        one, other = supervisor.rigs
        await until(lambda: bool(one.row and other.row), "both rigs")
        pid, kept = one.pid, other.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        await until(lambda: bool(one.problem), "the words")
        assert one.row is None
        assert "killed (SIGKILL)" in one.problem
        await until(lambda: bool(one.row) and not one.problem, "the second start")
        assert (one.starts, other.starts, other.pid) == (2, 1, kept)
        assert one.pid != pid
    assert [rig.summary for rig in (one, other)] == [{"rig": one.name}, {"rig": other.name}]
    assert kept is not None
    with pytest.raises(ProcessLookupError):
        os.kill(kept, 0)


async def test_one_that_hangs_or_babbles_or_refuses_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SILENT_S", 2.0)
    async with watching("hangs", "babbles", "refuses", "") as supervisor:
        hangs, babbles, refuses, good = supervisor.rigs
        await until(lambda: bool(good.row), "the good one")
        await until(lambda: bool(hangs.problem and babbles.problem and refuses.problem), "the words")
        assert "said nothing for 2 s" in hangs.problem
        assert "could not be read" in babbles.problem
        assert refuses.problem == "the folder is another's"
        assert good.starts == 1
        assert not good.problem
        with pytest.raises(UserError, match="not watched"):
            await supervisor.open("nobody")


async def test_each_failure_is_tried_later_than_the_one_before() -> None:
    async with watching("refuses") as supervisor:
        (rig,) = supervisor.rigs
        pauses: list[float] = []
        for count in (1, 2, 3):
            await until(lambda count=count: rig.starts == count and rig.pid is None, "a failure")  # type: ignore[misc]
            pauses.append(rig.again_s - time.monotonic())
        assert pauses[2] > pauses[1] > pauses[0]
        rig.retry.set()
        await until(lambda: rig.starts == 4, "the start that was asked for")


async def test_a_rig_whose_file_is_mended_is_watched(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text("format = 1\nname = 'bad'\n")
    async with watching("", folder=tmp_path) as supervisor:
        good, bad = supervisor.rigs
        await until(lambda: bool(good.row and bad.problem), "the words")
        assert "sensors: this field is missing" in bad.problem
        assert "\n" not in bad.problem
        text = shipped_rigs()["light"].read_text()
        file.write_text(text.replace('name = "light"', f'name = "{good.name}"'))
        bad.retry.set()
        await until(lambda: "another rig is called" in bad.problem, "the words")
        file.write_text(text.replace('name = "light"', 'name = "bad"'))
        bad.retry.set()
        await until(lambda: bool(bad.row), "the rig")
        assert good.starts == 1


async def test_what_the_crew_does_reaches_its_rig(caplog: pytest.LogCaptureFixture) -> None:
    found: list[tuple[str, Finding]] = []
    caplog.set_level(20)
    async with watching("", "", on_finding=lambda name, finding: found.append((name, finding))) as supervisor:
        await until(lambda: all(rig.row for rig in supervisor.rigs), "both rigs")
        name = supervisor.rigs[1].name
        assert supervisor.act(name, Request(ActionKind.ACKNOWLEDGE, "brake-now-up", who="KR"))
        assert not supervisor.act("nobody", Request(ActionKind.SILENCE))
        await until(lambda: bool(found), "the answer")
    assert [(rig, finding.key, finding.after) for rig, finding in found] == [(name, "brake-now-up", "KR")]
    assert any(record.getMessage() == f"{name}: began" for record in caplog.records)


async def test_rigs_that_do_not_end_are_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "END_S", 0.5)
    async with watching("hangs", "") as supervisor:
        hangs, good = supervisor.rigs
        await until(lambda: bool(hangs.pid and good.row), "the start")
        pid = hangs.pid
    assert pid is not None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert good.summary is not None
    await asyncio.sleep(0)
