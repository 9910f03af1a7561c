"""The queue of messages that wait: bounded, the oldest go first, and only those of the topics that flood."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.mqtt import inbox as module
from monitor.adapters.mqtt.inbox import BURST_BYTES, MESSAGE_BYTES, STANDING_BYTES, Inbox, Waiting


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
    box.put(-1, [("first", b"", False)])
    box._empty_s -= 1000.0
    return box


def emptied(box: Inbox) -> list[Waiting]:
    taken = []
    while box:
        taken.append(box.take())
    return taken


def test_a_burst_stays_whole() -> None:
    box = Inbox()
    for number in range(20_000):
        assert box.put(number, [("a", b"%d" % number, False)]) == 0
    assert [waiting[0] for waiting in emptied(box)] == [*range(20_000)]
    assert box.dropped == 0
    assert box.size == 0


def test_a_burst_after_a_silence_stays_whole(clock: SimpleNamespace) -> None:
    """A broker that thaws, a gateway that reconnects: nothing waited meanwhile, so the queue is not old."""
    box = Inbox()
    box.put(0, [("a", b"0", False)])
    assert len(emptied(box)) == 1
    clock.now_s += 10.0
    for number in range(20):
        assert box.put(number, [("a", b"%d" % number, False)] * 1000) == 0
        assert not box.crowded
    assert len(emptied(box)) == 20_000


def test_a_flood_loses_its_oldest_and_quiet_topics_nothing() -> None:
    box = Inbox()
    sent = 0
    for number in range(3000):
        box.put(number, [("loud", b"%d" % number, False)] * 100)
        sent += 100
        if number % 100 == 0:
            box.put(number, [("quiet", b"%d" % number, False)])
        if number % 300 == 299:
            assert box.size <= BURST_BYTES
    quiet = [waiting[0] for waiting in box._queue if waiting[1] == "quiet"]
    left = emptied(box)
    loud = [waiting[0] for waiting in left if waiting[1] == "loud"]
    assert quiet == [*range(0, 3000, 100)]
    assert loud[-1] == 2999
    assert loud == sorted(loud)
    assert box.dropped == sent - len(loud)


def test_what_never_runs_empty_keeps_only_a_moment() -> None:
    box = standing_box()
    for number in range(20_000):
        box.put(number, [("a", b"1", False)])
        assert box.size <= STANDING_BYTES
    assert box.dropped > 15_000
    assert emptied(box)[-1][0] == 19_999


def test_the_newest_of_every_topic_stays_however_large() -> None:
    box = standing_box()
    for number in range(40):
        box.put(number, [("large", bytes(STANDING_BYTES), False), ("small", b"1", False)])
    left = emptied(box)
    assert [waiting[0] for waiting in left if waiting[1] == "small"] == [*range(40)]
    assert [waiting[0] for waiting in left if waiting[1] == "large"] == [39]


@given(st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 200_000)), max_size=200), st.booleans())
def test_whatever_comes_it_is_bounded_counted_and_in_order(sizes: list[tuple[str, int]], standing: bool) -> None:
    box = standing_box() if standing else Inbox()
    for number, (topic, size) in enumerate(sizes):
        box.put(number, [(topic, bytes(size), False)])
        assert box.size <= (8 * 200_000 + STANDING_BYTES if standing else BURST_BYTES)
        assert box._queue[-1][0] == number
    left = emptied(box)
    assert box.size == 0
    assert len(left) + box.dropped == len(sizes) + standing
    assert [waiting[0] for waiting in left] == sorted(waiting[0] for waiting in left)
    for topic in {topic for topic, _ in sizes}:
        arrived = [number for number, (name, _) in enumerate(sizes) if name == topic]
        stayed = [number for number, name, _, _ in left if name == topic]
        assert stayed == arrived[len(arrived) - len(stayed) :], "only the oldest of a topic may go"


def test_the_cost_of_a_message_counts_even_when_it_is_empty() -> None:
    box = Inbox()
    box.put(1, [("a", b"", False)] * 10)
    assert box.size == 10 * MESSAGE_BYTES
