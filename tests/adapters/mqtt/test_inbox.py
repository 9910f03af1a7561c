"""The queue of messages that wait: bounded, the oldest go first, and only those of the topics that flood."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.mqtt import inbox as module
from monitor.adapters.mqtt.inbox import BURST_BYTES, MESSAGE_BYTES, STANDING_BYTES, Inbox
from monitor.model.stream import Frame


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """No time passes but what a test lets pass: a stalled machine must not make a queue old."""
    passed = SimpleNamespace(now_s=1e6)
    passed.monotonic = lambda: passed.now_s
    monkeypatch.setattr(module, "time", passed)
    return passed


def standing_box() -> Inbox:
    """A box that has not run empty for long: one message waits."""
    box = Inbox()
    box.put([Frame(-1, "first", b"")])
    box._empty_s -= 1000.0
    return box


def emptied(box: Inbox) -> list[Frame]:
    taken = []
    while box:
        taken.append(box.take())
    return taken


def test_a_burst_stays_whole() -> None:
    box = Inbox()
    for number in range(20_000):
        assert box.put([Frame(number, "a", b"%d" % number)]) == 0
    assert [frame.t_ns for frame in emptied(box)] == [*range(20_000)]
    assert box.dropped == 0
    assert box.size == 0


def test_a_burst_after_a_silence_stays_whole(clock: SimpleNamespace) -> None:
    """A broker that thaws, a gateway that reconnects: nothing waited meanwhile, so the queue is not old."""
    box = Inbox()
    box.put([Frame(0, "a", b"0")])
    assert len(emptied(box)) == 1
    clock.now_s += 10.0
    for number in range(20):
        assert box.put([Frame(number, "a", b"%d" % number)] * 1000) == 0
        assert not box.crowded
    assert len(emptied(box)) == 20_000


def test_a_flood_loses_its_oldest_and_quiet_topics_nothing() -> None:
    box = Inbox()
    sent = 0
    for number in range(3000):
        box.put([Frame(number, "loud", b"%d" % number)] * 100)
        sent += 100
        if number % 100 == 0:
            box.put([Frame(number, "quiet", b"%d" % number)])
        if number % 300 == 299:
            assert box.size <= BURST_BYTES
    quiet = [frame.t_ns for frame in box._queue if frame.topic == "quiet"]
    left = emptied(box)
    loud = [frame.t_ns for frame in left if frame.topic == "loud"]
    assert quiet == [*range(0, 3000, 100)]
    assert loud[-1] == 2999
    assert loud == sorted(loud)
    assert box.dropped == sent - len(loud)


def test_what_never_runs_empty_keeps_only_a_moment() -> None:
    box = standing_box()
    for number in range(20_000):
        box.put([Frame(number, "a", b"1")])
        assert box.size <= STANDING_BYTES
    assert box.dropped > 15_000
    assert emptied(box)[-1][0] == 19_999


def test_the_newest_of_every_topic_stays_however_large() -> None:
    box = standing_box()
    for number in range(40):
        box.put([Frame(number, "large", bytes(STANDING_BYTES)), Frame(number, "small", b"1")])
    left = emptied(box)
    assert [frame.t_ns for frame in left if frame.topic == "small"] == [*range(40)]
    assert [frame.t_ns for frame in left if frame.topic == "large"] == [39]


@given(st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 200_000)), max_size=200), st.booleans())
def test_whatever_comes_it_is_bounded_counted_and_in_order(sizes: list[tuple[str, int]], standing: bool) -> None:
    box = standing_box() if standing else Inbox()
    for number, (topic, size) in enumerate(sizes):
        box.put([Frame(number, topic, bytes(size))])
        assert box.size <= (8 * 200_000 + STANDING_BYTES if standing else BURST_BYTES)
        assert box._queue[-1][0] == number
    left = emptied(box)
    assert box.size == 0
    assert len(left) + box.dropped == len(sizes) + standing
    assert [frame.t_ns for frame in left] == sorted(frame.t_ns for frame in left)
    for topic in {topic for topic, _ in sizes}:
        arrived = [number for number, (name, _) in enumerate(sizes) if name == topic]
        stayed = [number for number, name, _, _ in left if name == topic]
        assert stayed == arrived[len(arrived) - len(stayed) :], "only the oldest of a topic may go"


def test_the_cost_of_a_message_counts_even_when_it_is_empty() -> None:
    box = Inbox()
    box.put([Frame(1, "a", b"")] * 10)
    assert box.size == 10 * MESSAGE_BYTES
