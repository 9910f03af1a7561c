"""The accelerated demonstration's clock and intake, without a broker: order, waiting, and what happens when a reading is lost."""

import random

import pytest

from monitor.model.stream import Frame
from simulators.delivery import pace
from simulators.delivery.pace import PACE_TOPIC, STEP_NS, PacedClock, PacedIntake, Pacer

TOPICS = ["a", "b", "c"]
ORIGIN = 1_000_000 * STEP_NS


def sent(count: int) -> list[tuple[int, str, bytes]]:
    """What the rig publishes, marks included: `count` readings on each topic."""
    pacer = Pacer(TOPICS)
    out: list[tuple[int, str, bytes]] = []
    for i in range(count * len(TOPICS) + 20):
        t = ORIGIN + i * 7_000_000
        mark = pacer.before(t)
        if mark is not None:
            out.append((t, PACE_TOPIC, mark))
        topic = TOPICS[i % len(TOPICS)]
        out.append((t, topic, str(t).encode()))
        pacer.sent(topic)
    return out


@pytest.mark.parametrize("seed", range(20))
def test_a_burst_that_comes_topic_by_topic_is_put_in_order_of_time(seed: int) -> None:
    draw = random.Random(seed)
    clock = PacedClock(ORIGIN, 20.0)
    got: list[tuple[int, str, bytes]] = []
    clock.begin()
    intake = PacedIntake(clock, TOPICS, lambda frame: got.append(frame[:3]))
    waiting = sent(100)
    while waiting:
        burst, waiting = waiting[:40], waiting[40:]
        order = draw.sample([*TOPICS, PACE_TOPIC], 4)
        for _, topic, payload in sorted(burst, key=lambda item: order.index(item[1])):
            intake.take(Frame(0, topic, payload))
    assert len(got) > 250
    stamps = [t for t, _, _ in got]
    assert stamps == sorted(stamps)
    assert all(abs(t - int(payload)) <= STEP_NS for t, _, payload in got)
    for topic in TOPICS:
        taken = [int(payload) for _, name, payload in got if name == topic]
        assert taken == sorted(taken)
    assert clock.now_ns() >= stamps[-1]


def test_a_lost_reading_costs_no_more_than_its_successor_s_time() -> None:
    clock = PacedClock(ORIGIN, 20.0)
    clock.begin()
    got: list[str] = []
    intake = PacedIntake(clock, TOPICS, lambda frame: got.append(frame.topic))
    messages = sent(100)
    lost = next(i for i, item in enumerate(messages) if i > 30 and item[1] == "b")
    for _, topic, payload in messages[:lost] + messages[lost + 1 :]:
        intake.take(Frame(clock.now_ns(), topic, payload))
    assert len(got) > 280


def test_a_topic_that_falls_silent_holds_the_others_up_only_until_patience_ends(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = [0]
    monkeypatch.setattr(pace.time, "monotonic_ns", lambda: now[0])
    clock = PacedClock(ORIGIN, 20.0)
    clock.begin()
    got: list[str] = []
    intake = PacedIntake(clock, TOPICS, lambda frame: got.append(frame.topic))
    messages = [item for i, item in enumerate(sent(100)) if i < 30 or item[1] != "b"]
    for _, topic, payload in messages[:150]:
        intake.take(Frame(clock.now_ns(), topic, payload))
    held_up = len(got)
    assert held_up < 40
    now[0] += int(5e9)
    for _, topic, payload in messages[150:]:
        intake.take(Frame(clock.now_ns(), topic, payload))
    assert got.count("a") > 50
    assert got.count("b") < 15


def test_without_a_word_from_the_rig_the_clock_goes_on_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0]
    monkeypatch.setattr(pace.time, "monotonic_ns", lambda: now[0])
    clock = PacedClock(ORIGIN, 20.0)
    assert clock.now_ns() == ORIGIN
    clock.begin()
    now[0] += int(1.4e9)
    assert clock.now_ns() == ORIGIN
    now[0] += int(10e9)
    assert clock.now_ns() - ORIGIN == pytest.approx(20 * 9.7e9, rel=1e-6)
    before = clock.now_ns()
    now[0] += int(1e9)
    assert clock.now_ns() - before == pytest.approx(20e9, rel=1e-6)
