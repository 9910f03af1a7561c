"""What a mechanic should look at: everything that was serious, failed, fell due or gave no readings, and nothing else."""

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from monitor.model.check import CheckResult, CheckVerdict
from monitor.model.stream import Frame
from monitor.presentation.format import Units
from monitor.report.attention import MOST_LINES, attention_table
from monitor.report.context import ReportContext
from tests.support.recorded import START_NS, by_hand, reading

S = 1_000_000_000


def looked(rec: Recording) -> str:
    return attention_table(ReportContext(rec, Units("si")))


def still(path: Path, seconds: int, silent_from: int = 1_000_000) -> Recording:
    """A block at rest; from some second on the hook load is not read any more."""
    items = []
    for i in range(20 * seconds):
        t_ns = START_NS + i * S // 20
        items.append(reading(t_ns, "drum", 1_020_000, seq=i))
        if i < 20 * silent_from:
            items.append(reading(t_ns, "hook-load", 500.0))

    def two(config: dict[str, object]) -> None:
        sensors = config["sensors"]
        assert isinstance(sensors, list)
        config["sensors"] = [one for one in sensors if one["id"] in ("drum", "hook-load")]

    with SessionChain([by_hand(path, [item for item in items if isinstance(item, Frame)], two)]) as chain:
        return collect(chain)


def awake(rec: Recording) -> Recording:
    """As if no sensor had been silent at the end, and nothing been said of it."""
    views = tuple(replace(view, stale=False) for view in rec.snapshot.sensors)
    return replace(rec, findings=[], snapshot=replace(rec.snapshot, sensors=views))


def test_alarms_that_were_serious_come_first(crown_rec: Recording) -> None:
    words = looked(crown_rec)
    assert words.index("DANGER") < words.index("WARNING")
    assert "Will cross: upper limit [will-cross-up]" in words
    assert 'href="#timeline"' in words


def test_a_quiet_record_asks_for_nothing(tmp_path: Path) -> None:
    rec = still(tmp_path / "a.stopmark", 20)
    assert "Nothing: no WARNING or DANGER" in looked(awake(rec))


def test_a_sensor_that_fell_silent_or_gave_little_is_named(tmp_path: Path) -> None:
    rec = still(tmp_path / "a.stopmark", 40, silent_from=20)
    assert "hook-load: silent at the end" in looked(rec)
    assert "hook-load: gave 49 % of its readings" in looked(awake(rec))


@pytest.mark.parametrize("verdict", [CheckVerdict.FAIL, CheckVerdict.NOT_JUDGED])
def test_a_check_that_did_not_pass_or_is_due_is_named(crown_rec: Recording, verdict: CheckVerdict) -> None:
    first, *others = crown_rec.snapshot.checks
    result = CheckResult(START_NS, "ab", verdict, "the air half did not act")
    made = replace(first, unfit="", result=result, due=True, due_words="last passed long ago")
    rec = replace(crown_rec, snapshot=replace(crown_rec.snapshot, checks=(made, *others)))
    words = looked(rec)
    assert f"{first.title}, 00:00:00: {verdict}, the air half did not act." in words
    assert f"{first.title} is due: last passed long ago." in words


def test_a_long_list_is_cut_and_says_so(crown_rec: Recording) -> None:
    alarm = next(f for f in crown_rec.findings if f.kind == "alarm" and f.severity.name == "DANGER")
    many = [replace(alarm, key=f"k{i}") for i in range(MOST_LINES + 5)]
    words = looked(replace(crown_rec, findings=many))
    assert words.count("DANGER</span>") == MOST_LINES
    assert "more are not listed here" in words
