"""Several rigs on a real broker: in lines, as a service, on the screen."""

import argparse
import json
import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from monitor.adapters.ledger.ledger import SUFFIX as LEDGER
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from monitor.commands import watch
from monitor.commands.common.several_rigs import several_rigs, supervisor_of
from monitor.fleet.rigs.app import OverviewApp, OwnRigs, RigApp
from monitor.fleet.rigs.plain import PlainOverview
from monitor.presentation.format import Units
from tests.commands.test_commands import ROOT
from tests.support.broker import GRACE_S, Mosquitto, free_port, sending, until
from tests.support.slow_rigs import fleet_of, swinging

NAMES = ("north", "south")


def started(*words: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip


async def test_findings_carry_the_rig_and_each_has_its_own_record(broker: Mosquitto, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("format = 1\nname = 'bad'\n")
    fleet, data = fleet_of(tmp_path, NAMES, "bad.toml"), tmp_path / "data"
    async with sending(broker, swinging(NAMES[:1]), 0.2):
        watching = started("watch", "--fleet", str(fleet), "--broker", broker.url, "--headless", "--data", str(data),
                           "--for", "6")  # fmt: skip
        await until(lambda: watching.poll() is not None, "the end")
    out, err = watching.communicate()
    assert watching.returncode == 0, err
    assert "bad is not watched, the other rigs are" in err
    assert "sensors: this field is missing" in err
    *findings, summary = [json.loads(line) for line in out.splitlines()]
    silent = [one for one in findings if one["key"] == "sensors-silent"]
    assert {one["rig"] for one in silent} == {"south"}
    assert summary["rigs"]["north"]["frames"] > 50
    assert summary["rigs"]["south"]["rig"] == "south"
    assert "sensors: this field is missing" in summary["rigs"]["bad"]["problem"]
    assert summary["starts"] == {"north": 1, "south": 1, "bad": 0}
    for name in NAMES:
        (session,) = (data / name).glob("*.stopmark")
        with SessionReader(session) as reader:
            assert reader.rig.name == name
            assert reader.rig.title == name.title()
        assert (data / name / (name + LEDGER)).exists()


async def test_the_service_labels_its_figures_and_its_log(broker: Mosquitto, tmp_path: Path) -> None:
    port, log = free_port(), tmp_path / "log"
    service = started(
        "record", "--fleet", str(fleet_of(tmp_path, NAMES)), "--broker", broker.url, "--data", str(tmp_path / "data"),
        "--metrics", str(port), "--log", str(log),
    )  # fmt: skip

    def figures() -> dict[str, dict[str, float]]:
        """Of each family the sum by rig."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=GRACE_S) as answer:
                text = answer.read().decode()
        except OSError:
            return {}
        found: dict[str, dict[str, float]] = {}
        for family in text_string_to_metric_families(text):
            for sample in family.samples:
                by_rig = found.setdefault(sample.name, {})
                rig = sample.labels.get("rig", "")
                by_rig[rig] = by_rig.get(rig, 0.0) + sample.value
        return found

    async with sending(broker, swinging(NAMES), 0.2):
        # The first figures of a rig come after a few seconds.
        await until(lambda: set(figures().get("stopmark_connected", ())) == set(NAMES), "figures of both")
        found = figures()
        assert found["stopmark_up"] == found["stopmark_connected"] == {"north": 1.0, "south": 1.0}
        assert found["stopmark_recording"] == {"north": 1.0, "south": 1.0}
        assert found["stopmark_rig_starts_total"] == {"north": 1.0, "south": 1.0}
        assert "" in found["process_resident_memory_bytes"]
        service.send_signal(signal.SIGTERM)
        await until(lambda: service.poll() is not None, "the end")
    out, err = service.communicate()
    assert (service.returncode, out, err) == (0, "", "")
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert {line.get("fields", {}).get("rig") for line in lines} >= set(NAMES)
    assert "stopped (SIGTERM)" in lines[-1]["message"]


async def test_enter_opens_a_rig_and_a_key_comes_back(broker: Mosquitto, tmp_path: Path) -> None:
    args = words_of(str(fleet_of(tmp_path, NAMES)), broker, tmp_path / "data")
    url = parse_broker_url(broker.url, {})
    said: list[str] = []
    plain = PlainOverview(said.append, Units("si"), sound=False)
    async with (
        sending(broker, swinging(NAMES), 0.2),
        supervisor_of(args, several_rigs(args), url, on_finding=plain.finding) as supervisor,
    ):
        north, south = supervisor.rigs
        await until(lambda: all(rig.row and rig.row.height.known for rig in (north, south)), "both heights")
        overview = OverviewApp(OwnRigs(supervisor), "LIVE", Units("si"), sound=False)
        async with overview.run_test(size=(100, 30)) as pilot:
            await pilot.press("down", "enter")
        assert overview.opened == overview.chosen
        chosen = overview.opened
        rig = RigApp(await supervisor.open(chosen), chosen, overview, "day")
        async with rig.run_test(size=(100, 30)) as pilot:
            await until(lambda: rig.snapshot() is not None, "the rig's state")
            await pilot.press("2")
            assert rig.canvas(100, 30).text().splitlines()[0].startswith(f" STOPMARK · Brakes · {chosen.title()}")
            assert "v  overview" in rig.canvas(100, 30).text().splitlines()[-1]
            await pilot.press("v")
        assert rig.return_code == 0

        plain.begin(supervisor)
        plain.answer("\n")
        assert [line.partition(":")[0] for line in said[-2:]] == ["north", "south"]
        assert "height" in said[-1]
        plain.answer("a KR north")
        assert said[-1].startswith("north: ")
        plain.answer("nonsense")
        assert "Not known" in said[-1]
        pid = south.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        await until(lambda: bool(south.problem), "the words")
        plain.look()
        assert "south: DANGER NOT WATCHED: its process was killed (SIGKILL)" in said
        overview = OverviewApp(OwnRigs(supervisor), "LIVE", Units("si"), sound=False)
        async with overview.run_test(size=(80, 24)) as pilot:
            await pilot.press("enter")
            assert "There is nothing to open" in overview.message
            await pilot.press("r")
            await until(lambda: bool(south.row and south.row.t_ns), "the second start")
        plain.look()
        assert "south: watched again" in said


def words_of(fleet: str, broker: Mosquitto, data: Path) -> Any:
    parser = argparse.ArgumentParser()
    watch.add_arguments(parser)
    return parser.parse_args(["--fleet", fleet, "--broker", broker.url, "--data", str(data)])


def test_what_cannot_be_is_said_before_anything_starts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "--rig", "land", "--rig", "land", "--broker", "mqtt://127.0.0.1:1", "--headless"]) == 2
    assert "two rigs are called 'land'" in capsys.readouterr().err
    assert main(["watch", "--fleet", str(fleet_of(tmp_path, NAMES)), "--headless"]) == 2
    assert "no broker is named" in capsys.readouterr().err
    assert main(["watch", "--rig", "a.toml", "--rig", "b.toml", "--broker", "mqtt://127.0.0.1:1", "--headless"]) == 2
    assert "a.toml: no such file" in capsys.readouterr().err
