"""The commands as a person uses them: in processes of their own, against a real broker where there is one."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from tests.support.broker import Mosquitto

ROOT = Path(__file__).parents[2]
DEADLINE_S = 60.0


def stopmark(*words: str, **environment: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *words],
        capture_output=True, text=True, timeout=180, cwd=ROOT, env=os.environ | environment,
    )  # fmt: skip


def lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


# --- errors -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("check", "--rig", "nowhere"), "no rig is called 'nowhere'"),
        (("check", "--rig", "missing.toml"), "no such file"),
        (("check", "--rig", "config"), "no rig is called"),
        (("replay", "missing.stopmark", "--headless"), "missing.stopmark"),
        (("replay", "pyproject.toml", "--headless"), "pyproject.toml"),
        (("watch", "--rig", "land", "--broker", "http://x", "--headless", "--no-record"), "http"),
        (("watch", "--rig", "land", "--broker", "mqtt://me:secret@h", "--headless", "--no-record"), "do not belong"),
        (("demo", "--scenario", "nothing-like-it", "--headless"), "nothing-like-it"),
        (("simulate", "--rig", "land", "--scenario", "x.toml", "--session", "/tmp/never.stopmark"), "x.toml"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_clear_sentence_and_no_traceback(words: tuple[str, ...], expected: str) -> None:
    done = stopmark(*words)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
    assert "secret" not in done.stderr
    assert done.stdout == ""


def test_every_mistake_of_a_rig_file_comes_at_once(tmp_path: Path) -> None:
    text = (ROOT / "config/rigs/land.toml").read_text()
    text = (
        text.replace("lines = 12", "lines = 1").replace('unit = "kN"', 'unit = "bar"', 1).replace("crown_m = 42.0", "")
    )
    rig = tmp_path / "mine.toml"
    rig.write_text(text + "\nsurprise = 1\n")
    done = stopmark("check", "--rig", str(rig))
    assert done.returncode == 2
    for part in ("line.lines", "sensors.hook-load.unit", "mast.crown_m", "surprise"):
        assert any(str(rig) in line and part in line for line in done.stderr.splitlines()), part


def test_a_rope_stronger_than_its_kind_is_pointed_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1-3/8 in EIPS is 192,000 lbf, 854 kN (API RP 9B): a strength in another unit, or of another grade, stands out."""
    text = (ROOT / "config/rigs/land.toml").read_text()
    rig = tmp_path / "mine.toml"
    rig.write_text(text.replace("breaking_strength_n = 854000", "breaking_strength_n = 943000"))
    assert main(["check", "--rig", str(rig)]) == 0
    assert "breaking_strength_n is 943 kN; rope tables have 854 kN for EIPS of 34.9 mm" in capsys.readouterr().out
    for name in ("land", "light", "deep"):
        assert main(["check", "--rig", name]) == 0
        assert "breaking_strength_n" not in capsys.readouterr().out


# --- demo ---------------------------------------------------------------------------------------------------------------


def test_the_demo_warns_before_the_truth_crosses_the_lower_limit(tmp_path: Path) -> None:
    done = stopmark(
        "demo", "--headless", "--for", "60", "--scenario", "late-brake-floor", "--rate", "5", "--seed", "1",
        "--data", str(tmp_path),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    *findings, summary = lines(done.stdout)
    crossed = next(event for event in summary["truth"] if event["name"] == "lower_limit")
    assert crossed["warned_s_before"] > 1.0
    warned = [f for f in findings if f["key"] == crossed["warned_by"] and f["after"] == "unacknowledged"]
    assert warned
    assert warned[0]["severity"] in ("WARNING", "DANGER")
    assert warned[0]["t_ns"] < crossed["t_ns"]

    again = stopmark("replay", summary["session"], "--headless")
    assert again.returncode == 0, again.stderr
    *replayed, last = lines(again.stdout)
    assert replayed == findings
    assert last["frames"] == summary["frames"]


def test_a_calm_trip_raises_no_warning(tmp_path: Path) -> None:
    session = tmp_path / "calm.stopmark"
    done = stopmark("simulate", "--rig", "land", "--scenario", "calm-trip", "--for", "300", "--session", str(session))
    assert done.returncode == 0, done.stderr
    again = stopmark("replay", str(session), "--headless")
    summary = lines(again.stdout)[-1]
    assert summary["raised"]["WARNING"] == 0
    assert summary["raised"]["DANGER"] == 0
    assert summary["stream_seconds"] == pytest.approx(300, abs=0.2)


# --- a rig of one's own, on a real broker -------------------------------------------------------------------------------

HAND_WRITTEN = """
[[sensors]]
id = "block"
quantity = "block_position"
topic = "wellsite/block/ft"
unit = "ft"
value = "/data/0/reading"
rate_hz = 20
stale_after_s = 1.0
range = [-5, 140]
sigma = 0.05

[[sensors]]
id = "weight"
quantity = "hook_load"
topic = "weight"
unit = "klbf"
payload = "ascii"
rate_hz = 20
stale_after_s = 1.0
range = [-10, 900]
sigma = 1
"""


def own_rig(folder: Path) -> Path:
    head = (ROOT / "config/rigs/land.toml").read_text().partition("[[sensors]]")[0]
    path = folder / "own.toml"
    path.write_text(
        head.replace('name = "land"', 'name = "own"').replace("counts = { drum = 1000000 }\n", "") + HAND_WRITTEN
    )
    return path


class Watching:
    """A `stopmark watch --headless` in the background."""

    def __init__(self, rig: Path, broker: Mosquitto, data: Path, *more: str) -> None:
        self.data = data
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "watch", "--rig", str(rig), "--broker", broker.url, "--headless",
             "--data", str(data), *more],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
        self.said: list[dict[str, Any]] = []
        self._ears = threading.Thread(target=self._listen, daemon=True)
        self._ears.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(json.loads(line))

    def found(self, key: str) -> bool:
        """Whether an alarm has been raised."""
        return any(line.get("key") == key and line["after"] == "unacknowledged" for line in list(self.said))

    def stop(self) -> list[dict[str, Any]]:
        self.process.send_signal(signal.SIGINT)
        assert self.process.stderr is not None
        err = self.process.stderr.read()
        self.process.wait(DEADLINE_S)
        self._ears.join(DEADLINE_S)
        assert "Traceback" not in err
        return self.said

    def ends(self) -> Callable[[], list[int]]:
        """From now on, see how far the session on the disk reaches; what is given ends that, and tells."""
        reported: list[int] = []
        end = threading.Event()

        def look() -> None:
            while not end.wait(0.02):
                session = self.session
                if session is not None:
                    with contextlib.suppress(SessionError), SessionReader(session) as reader:
                        reported.append(reader.end_ns)

        looker = threading.Thread(target=look)
        looker.start()

        def ended() -> list[int]:
            end.set()
            looker.join()
            return reported

        return ended

    @property
    def session(self) -> Path | None:
        return next(iter(self.data.glob("*.stopmark")), None)


@pytest.fixture
def watching(broker: Mosquitto, tmp_path: Path) -> Iterator[Watching]:
    watch = Watching(own_rig(tmp_path), broker, tmp_path / "data")
    yield watch
    watch.process.kill()
    watch.process.wait()


def until(condition: Any, what: str) -> None:
    limit = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < limit, f"waited {DEADLINE_S} s for: {what}"
        time.sleep(0.02)


class Hand:
    """Somebody publishing by hand: one process of mosquitto_pub per topic, a line per message."""

    def __init__(self, broker: Mosquitto) -> None:
        self.pipes = {
            topic: subprocess.Popen(
                ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-t", topic, "-l"],
                stdin=subprocess.PIPE, text=True,
            )
            for topic in ("wellsite/block/ft", "weight")
        }  # fmt: skip

    def say(self, topic: str, text: str) -> None:
        stdin = self.pipes[topic].stdin
        assert stdin is not None
        stdin.write(text + "\n")
        stdin.flush()

    def run_down(self, from_ft: float, ft_s: float, seconds: float) -> None:
        start = time.monotonic()
        while (gone := time.monotonic() - start) < seconds:
            self.say("wellsite/block/ft", json.dumps({"data": [{"reading": from_ft - ft_s * gone}]}))
            self.say("weight", f"{120.0:.1f}")
            time.sleep(0.05)

    def close(self) -> None:
        for pipe in self.pipes.values():
            pipe.communicate(timeout=DEADLINE_S)


def connected(broker: Mosquitto) -> bool:
    return "Received SUBSCRIBE" in broker.text()


def test_topics_and_units_written_by_hand_lead_to_a_warning_and_the_monitor_never_publishes(
    watching: Watching, broker: Mosquitto
) -> None:
    until(lambda: connected(broker), "the subscription")
    hand = Hand(broker)
    for bad in ("NaN", "[red]x", '{"data": [{"reading": "12"}]}', '{"data": [{"reading": 1e999}]}', "{}"):
        hand.say("wellsite/block/ft", bad)
    for _ in range(10):  # until a machine that is busy with other things saw one of the runs well enough
        hand.run_down(from_ft=24.0, ft_s=5.0, seconds=3.5)
        if watching.found("brake-now-down"):
            break
    hand.close()
    *findings, summary = watching.stop()
    assert watching.found("brake-now-down")
    assert "summary" in summary
    assert all("key" in finding for finding in findings)
    assert sum(summary["rejects"].values()) >= 5
    # The broker's own log is the witness: the monitor subscribed, and sent no message and left no will.
    assert "Received SUBSCRIBE from stopmark-" in broker.text()
    assert broker.published_by("stopmark-.*") == []
    assert broker.wills() == []


def test_check_tells_which_topics_are_alive(broker: Mosquitto, tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "check", "--rig", str(own_rig(tmp_path)), "--broker", broker.url, "--for", "3"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
    )  # fmt: skip
    until(lambda: connected(broker), "the subscription")
    hand = Hand(broker)
    while process.poll() is None:
        hand.say("weight", "120.0")  # more often than it has to be: a machine that stalls for a second makes up for it
        time.sleep(0.01)
    hand.close()
    out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 1, err
    reported = {line.split()[0]: line for line in out.splitlines() if line}
    assert "MISSING" in reported["block"]
    assert "alive" in reported["weight"]


def test_a_killed_recording_opens_and_misses_at_most_a_second(watching: Watching, broker: Mosquitto) -> None:
    until(lambda: connected(broker), "the subscription")
    hand = Hand(broker)
    ends = watching.ends()
    hand.run_down(from_ft=60.0, ft_s=2.0, seconds=6.0)
    watching.process.kill()
    watching.process.wait()
    hand.close()
    reported = ends()
    session = watching.session
    assert session is not None
    with SessionReader(session) as reader:
        assert reader.end_ns >= reported[-1]
    # What comes onto the disk comes there from second to second; so much a kill could have cost at any time.
    steps_s = [(later - earlier) * 1e-9 for earlier, later in pairwise(sorted(set(reported)))]
    assert len(steps_s) >= 3
    assert median(steps_s) <= 1.0
    again = stopmark("replay", str(session), "--headless")
    assert again.returncode == 0, again.stderr
    assert lines(again.stdout)[-1]["frames"] > 50


def test_a_wrong_password_is_said_in_words_and_not_shown(make_broker: Any, tmp_path: Path) -> None:
    guarded = make_broker(users={"driller": "right"})
    watch = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "check", "--rig", str(own_rig(tmp_path)), "--broker", guarded.url, "--for", "3"],
        capture_output=True, text=True, timeout=DEADLINE_S, cwd=ROOT,
        env=os.environ | {"STOPMARK_MQTT_USER": "driller", "STOPMARK_MQTT_PASSWORD": "wrong-one"},
    )  # fmt: skip
    assert watch.returncode == 2
    assert "password" in watch.stderr
    assert "wrong-one" not in watch.stderr


# --- installed ----------------------------------------------------------------------------------------------------------


def test_an_installed_wheel_finds_its_configuration(tmp_path: Path) -> None:
    wheel = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", str(tmp_path), str(ROOT)],
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert wheel.returncode == 0, wheel.stderr
    target = tmp_path / "site"
    built = next(tmp_path.glob("*.whl"))
    done = subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", str(target), str(built)],
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    code = (
        "from monitor.config.rig_file import shipped_rigs; from monitor.config.toml_file import config_root; import monitor; "
        "print(monitor.__file__, sorted(shipped_rigs()), (config_root() / 'rules.toml').exists())"
    )
    reported = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(target)},
    )  # fmt: skip
    assert str(target) in reported.stdout, reported.stderr
    assert "'deep', 'land', 'light'" in reported.stdout
    assert reported.stdout.strip().endswith("True")
