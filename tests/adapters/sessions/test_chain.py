"""Several sessions read as one, and times as people write them."""

from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.sessions.chain import SessionChain, moment
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.recorder import Recorder
from monitor.config.rig_file import find_rig
from monitor.model.stream import CARRIED_TOPIC, Action, ActionKind, Frame
from monitor.runtime.assembly import header_of
from tests.support.recorded import START_NS, by_hand, reading, rules

S = 1_000_000_000


def made(path: Path, from_s: int, count: int = 40, **more: Any) -> Path:
    items: list[Frame | Action] = []
    for i in range(count):
        items.append(reading(START_NS + from_s * S + i * 50_000_000, "hook-load", 500.0 + i))
    items.append(Action(items[-1].t_ns, ActionKind.NOTE, text=path.stem))
    return by_hand(path, items, start_ns=START_NS + from_s * S, **more)


def test_inputs_come_in_order_whatever_the_order_of_the_files(tmp_path: Path) -> None:
    paths = [made(tmp_path / f"{name}.stopmark", at) for name, at in (("c", 20), ("a", 0), ("b", 10))]
    with SessionChain(paths) as chain:
        items = list(chain.inputs())
        assert [item.text for item in items if isinstance(item, Action)] == ["a", "b", "c"]
        assert [item.t_ns for item in items] == sorted(item.t_ns for item in items)
        assert chain.frames == 120 == sum(isinstance(item, Frame) for item in items)
        assert (chain.t_first_ns, chain.path.stem) == (START_NS, "a")
        later = list(chain.inputs(from_ns=START_NS + 15 * S))
        assert [item.text for item in later if isinstance(item, Action)] == ["c"]
        assert [(gap.to_ns - gap.from_ns) // S for gap in chain.gaps()] == [7, 7]


def test_sessions_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    one = made(tmp_path / "one.stopmark", 0)

    def other_block(config: dict[str, Any]) -> None:
        config["block"]["mass_kg"] = 30_000.0

    changed = made(tmp_path / "changed.stopmark", 10, change=other_block)
    overlapping = made(tmp_path / "overlapping.stopmark", 1)
    empty = by_hand(tmp_path / "empty.stopmark", [])
    for paths, words in (
        ([one, changed], "configuration changed"),
        ([one, overlapping], "same time"),
        ([empty], "no readings"),
        ([tmp_path / "none.stopmark"], "no such session"),
    ):
        with pytest.raises(SessionError, match=words):
            SessionChain(paths)
    with SessionChain([empty, one, one]) as chain:
        assert chain.empty == [empty]
        assert len(chain.sessions) == 1


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("+90", 90), ("+0.5", 0.5), ("23:30", 1800), ("23:00:10.5", 10.5), ("00:15", 4500), ("2026-01-01T23:10:00", 600),
     ("2026-01-02T01:10:00+02:00", 600), ("2026-01-01 23:10", 600)],
)  # fmt: skip
def test_a_time_as_people_write_it(text: str, seconds: float) -> None:
    start = START_NS + 23 * 3600 * S  # 23:00: the session goes on past midnight
    assert moment(text, start, start + 7200 * S) == start + round(seconds * S)


@pytest.mark.parametrize(
    "text", ["", "soon", "25:99", "+x", "12", "+9999", "03:00", "2027-01-01T00:00:00", "+nan", "+1e400"]
)
def test_a_time_that_is_none_or_outside_is_refused(text: str) -> None:
    start = START_NS + 23 * 3600 * S
    with pytest.raises(SessionError, match=r"is no time|outside the session"):
        moment(text, start, start + 7200 * S)


def silent(path: Path, *silences_h: float) -> Path:
    """A session of three readings, then a silence, three readings, and so on; nothing else."""
    header = header_of(find_rig("land"), rules(), "IMPORTED", START_NS)
    with Recorder(path, header, wait=True) as recorder:
        t_ns = START_NS
        for silence_h in (0.0, *silences_h):
            t_ns += round(silence_h * 3600 * S)
            for count in range(3):
                recorder.frame(reading(t_ns + count * 50_000_000, "hook-load", 500.0))
        assert recorder.flush()
    return path


def test_silences_of_more_than_a_day_in_all_are_not_played_through(tmp_path: Path) -> None:
    with SessionChain([silent(tmp_path / "ages.stopmark", 13.0, 11.0, 20.0, 0.01, 0.02, 24.0)]) as chain:
        items = list(chain.inputs())
    again = [
        (item.t_ns - START_NS) / 3600e9 for item in items if isinstance(item, Frame) and item.topic == CARRIED_TOPIC
    ]
    assert again == pytest.approx([44.0, 44.03, 68.03])
    assert [item.t_ns for item in items] == sorted(item.t_ns for item in items)
    assert sum(isinstance(item, Frame) and item.topic != CARRIED_TOPIC for item in items) == 21


def test_silences_of_less_than_a_day_are_played_as_they_were(tmp_path: Path) -> None:
    with SessionChain([silent(tmp_path / "day.stopmark", 13.0, 11.0)]) as chain:
        assert not any(isinstance(item, Frame) and item.topic == CARRIED_TOPIC for item in chain.inputs())


def test_a_time_of_day_is_one_at_which_something_was_recorded() -> None:
    day = 86_400 * S
    start = START_NS + 22 * 3600 * S
    nights = [(start, start + 2 * 3600 * S), (start + 20 * day, start + 20 * day + 9 * 3600 * S)]
    end = nights[-1][1]
    assert moment("22:30", start, end, nights) == start + 1800 * S
    assert moment("03:00", start, end, nights) == start + 20 * day + 5 * 3600 * S
    assert moment("23:00", start, end, nights, after_ns=start + day) == start + 20 * day + 3600 * S
    assert moment("12:00", start, end, nights) == start + 14 * 3600 * S  # never: the first such time is as good as any
