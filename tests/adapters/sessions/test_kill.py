"""A recording monitor is killed without warning: the session opens, in order and whole, and lacks no more than was told."""

import json
from pathlib import Path
from statistics import median

import pytest

from monitor.model.stream import Action, Frame
from tests.adapters.sessions.killing import killed_session
from tests.support.killed_at_work import Killer


@pytest.mark.parametrize("seed", range(6))
def test_killed_at_a_random_moment(tmp_path: Path, seed: int) -> None:
    killed = killed_session(tmp_path, seed)
    inputs, findings = killed.inputs, killed.findings
    # On a healthy disk that is at most a second; a machine that was just kept from writing says so.
    assert killed.missing_s <= killed.behind_s[-1] + 0.001
    assert median(killed.behind_s) <= 1.0
    frames = [item for item in inputs if isinstance(item, Frame)]
    notes = [item for item in inputs if isinstance(item, Action)]
    assert [json.loads(frame.payload)["seq"] for frame in frames] == list(range(len(frames)))
    # Each tenth frame was followed by an action and a finding of the same moment: they share its fate.
    assert [note.number for note in notes] == [float(count) for count in range(9, len(frames), 10)][: len(notes)]
    assert len(frames) // 10 - len(notes) <= 1
    assert len(findings) in (len(notes), len(notes) - 1)
    place = {id(item): index for index, item in enumerate(inputs)}
    for note in notes:
        before = inputs[place[id(note)] - 1]
        assert isinstance(before, Frame)
        assert json.loads(before.payload)["seq"] == note.number


def test_killed_with_everything_at_work(tmp_path: Path) -> None:
    """Recorder, ledger, retention, and an import, a report or an export; each process goes on where the one before was killed."""
    killer = Killer(tmp_path)
    for run in range(6):
        killer.kill(run)
    assert killer.tally.faults == []
    assert killer.tally.frames > 0
    assert killer.tally.files > 0
