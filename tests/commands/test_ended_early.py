"""Long commands that are ended with Ctrl-C: they go at once, without a word of Python's, and leave nothing behind."""

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.sessions.recorder import Recorder
from monitor.runtime.assembly import core_of, header_of
from monitor.runtime.runner import Runner
from tests.support.interrupted import has_children, interrupted
from tests.support.recorded import rules
from tests.support.slow_data import MAP, ORIGIN_NS, Pull, slow_rig


@pytest.fixture(scope="module")
def endless(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six hours that take minutes to replay: their header knows the full grid alone."""
    path = tmp_path_factory.mktemp("endless") / "endless.stopmark"
    rig = slow_rig(10.0)
    header = dict(header_of(rig, rules(), "IMPORTED", ORIGIN_NS))
    core = core_of(rig, rules(), "rules", header)
    del header["grid"]
    with Recorder(path, header, wait=True) as recorder:
        runner = Runner(core, recorder)
        for frame in Pull(seed=1, seconds=21_600.0).frames(10.0):
            runner.frame(frame)
        assert recorder.flush(60.0)
    return path


@pytest.fixture(params=[True, False], ids=["ignored", "heard"])
def however_started(request: pytest.FixtureRequest) -> Iterator[None]:
    """These tests hold where SIGINT is ignored in whatever started them."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN if request.param else signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("however_started")
def test_ctrl_c_leaves_no_half_session(tmp_path: Path) -> None:
    log = Pull(seed=1, seconds=2_000_000.0).csv(tmp_path / "log.csv", 10.0)
    (tmp_path / "map.toml").write_text(MAP)
    out = tmp_path / "out.stopmark"
    words = ["import", str(log), "--map", str(tmp_path / "map.toml"), "-o", str(out)]
    assert interrupted(words, lambda _: any(tmp_path.glob(".out.stopmark.*.part"))) == (130, "", "")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv", "map.toml"]


@pytest.mark.parametrize("then_s", [0.0, 0.7])
@pytest.mark.parametrize(
    "words", [["ledger", "take", "SESSION", "--data", "led"], ["report", "SESSION", "-o", "out.html"]]
)
def test_ctrl_c_ends_the_processes_of_a_replay_without_a_word(
    words: list[str], then_s: float, endless: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = [str(endless) if word == "SESSION" else word for word in words]
    assert interrupted(words, has_children, then_s) == (130, "", "")
    assert list(tmp_path.iterdir()) == []


def test_an_interrupt_of_the_first_process_alone_ends_the_others_too(endless: Path, tmp_path: Path) -> None:
    words = ["report", str(endless), "-o", str(tmp_path / "out.html"), "--jobs", "2"]
    assert interrupted(words, has_children, 0.5, group=False) == (130, "", "")


@pytest.mark.parametrize(("what", "name"), [("signals", "out.csv"), ("session", "out.stopmark")])
def test_ctrl_c_leaves_no_half_table(what: str, name: str, endless: Path, tmp_path: Path) -> None:
    words = ["export", str(endless), "--what", what, "-o", str(tmp_path / name)]
    assert interrupted(words, lambda _: any(tmp_path.iterdir()), 0.2) == (130, "", "")
    assert list(tmp_path.iterdir()) == []
