"""More than anybody can take: memory stays bounded, the oldest go and are counted, rules and screen go on, and it ends well.

Short versions; the long ones are ``python -m tests.benchmarks.flood_figures``. Each runs a monitor of its own process with
a recorder, on a broker that sends what no sound one would.
"""

import asyncio
from pathlib import Path

from monitor.adapters.host.clock import StreamClock
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.mqtt.source import TAKE_TURN_S, MqttSource
from monitor.model.reading import RejectReason
from monitor.model.stream import Frame
from tests.support.flooding import Course, flooded

TOO_LARGE = RejectReason.TOO_LARGE.value
MEMORY_MB = 64.0
"""Above what it had before. The recorder alone may hold that much while it writes."""
RECOVERY_S, RECOVERY_CPU_S = 30.0, 2.0
"""From the end of it until all is as usual. CPU time is what counts: a machine that is kept busy by others may take its time."""
BUSY_CPU_S = 0.5
"""CPU time of the loop's thread that goes by between two turns of the rules, or of the screen with its drawing, at most. If
they waited for the end of a flood it would be two seconds and more."""
LATE_S = 10.0
"""The same in time that passes, whatever else this machine does."""


def played(mode: str, folder: Path, rate: float, seconds: float = 2.0, screen: bool = False, least: int = 0) -> Course:
    with flooded(mode, folder, rate, seconds, screen, least) as play:
        course = play()
    assert course.memory_mb < MEMORY_MB
    assert course.recovery_s <= RECOVERY_S, course.after[-1]
    assert course.recovery_cpu_s <= RECOVERY_CPU_S
    assert 0 < course.most("rules_cpu_s") < BUSY_CPU_S
    assert course.most("rules_late_s") < LATE_S
    return course


def test_all_sensors_at_a_hundred_thousand_a_second_with_the_screen(tmp_path: Path) -> None:
    course = played("flood", tmp_path, 100_000, screen=True, least=50_000)
    assert course.offered["sent"] >= 50_000
    assert course.gain("received") + course.gain("dropped") >= course.offered["sent"]
    assert course.gain("connections") == 0
    assert 0 < course.most("screen_cpu_s") < BUSY_CPU_S
    assert course.most("screen_gap_s") < LATE_S
    assert (course.gain("dropped") > 0) == ("readings-dropped" in course.alarms())


def test_one_sensor_gone_mad_takes_nothing_from_the_others(tmp_path: Path) -> None:
    course = played("one", tmp_path, 80_000, least=50_000)
    assert course.offered["sent"] >= 50_000
    assert course.gain("received") + course.gain("dropped") >= course.offered["sent"] + course.offered["usual"]
    # Not one reading of the others is missing: between two that were taken there is no more time than between two sent.
    for name, sent_s in course.offered["gaps_s"].items():
        if name != "drum":
            assert max((line["gaps_s"].get(name, 0.0) for line in course.during), default=0.0) < sent_s + 0.001, name


def test_a_storm_of_topics_costs_no_memory(tmp_path: Path) -> None:
    course = played("storm", tmp_path, 100_000, least=50_000)
    assert course.gain("foreign") == course.offered["sent"] >= 50_000
    assert course.gain("dropped") == 0
    assert course.memory_mb < 8.0
    assert course.said("topics nobody asked for")


def test_payloads_of_256_mb_are_cut_while_they_come_in(tmp_path: Path) -> None:
    course = played("giant", tmp_path, 1, seconds=0.1)
    assert course.offered["megabytes"] >= 268
    assert course.memory_mb < 24.0
    assert course.after[-1]["rejects"][TOO_LARGE] - course.before[-1]["rejects"].get(TOO_LARGE, 0) >= 1


def test_batches_far_too_large_are_refused_and_counted(tmp_path: Path) -> None:
    course = played("batches", tmp_path, 1)
    assert course.after[-1]["rejects"][TOO_LARGE] >= max(1, course.offered["sent"] - course.gain("dropped"))


def test_the_largest_batches_that_are_taken_do_not_stop_the_rules(tmp_path: Path) -> None:
    course = played("full", tmp_path, 400_000, least=100_000)
    assert course.offered["sent"] >= 100_000


def test_a_message_that_drips_is_cut_off_and_the_next_connection_serves(tmp_path: Path) -> None:
    course = played("drip", tmp_path, 1, seconds=7.0)
    assert course.gain("connections") >= 1
    assert course.said("held up all others")
    assert course.memory_mb < 8.0


async def test_slow_taking_does_not_hold_the_loop() -> None:
    """Two thousand messages that each take 0.2 ms: the rest of the loop gets its turn every few milliseconds."""
    taken = turns = 0
    loop = asyncio.get_running_loop()

    def slow(*_: object) -> None:
        nonlocal taken
        taken += 1
        end_s = loop.time() + 0.0002
        while loop.time() < end_s:
            pass

    source = MqttSource(parse_broker_url("mqtt://nowhere", {}), ["a"], StreamClock.live(), slow, lambda *_: None)
    source._fault = loop.create_future()
    source._on_frames([Frame(0, "a", b"1")] * 2000)
    while taken < 2000:
        await asyncio.sleep(0)
        turns += 1
    assert 2000 * 0.0002 / TAKE_TURN_S * 0.5 < turns <= 2000
    assert source.received == 2000
    assert source.dropped == 0
