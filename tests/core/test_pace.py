"""The thinned grid: which points are evaluated while data are slow, and that a recording thins as the live run did.

A rig of which only a position and a load are known, once a second to once in ten, is fed as a live run would feed it: with
queues, timers, bursts, a quick stretch in between, crew actions and a restart. What was admitted is recorded and fed to another
core without a timer. Findings and evaluated grid points must agree to the nanosecond.
"""

import json
import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.engine import Core
from monitor.core.pace import PRESENT, GridLaw, Pace
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding
from monitor.model.snapshot import HoistState
from monitor.model.stream import CARRIED_TOPIC, GRID_NS, HEALTH_TOPIC, SECOND_NS, Action, ActionKind, Frame
from tests.support.slow_data import row, slow_rig

ORIGIN = 1_700_000_000_000_000_000
HEALTH = json.dumps({"recording": "on", "connected": True, "dropped": 0, "lag_s": 0.0, "note": ""}).encode()


FIRST = replace(PRESENT, law=1)
RIGS = {period: slow_rig(period) for period in (0.05, 1.0, 3.0, 10.0)}
RULES = {period: load_rules(default_rules_path(), rig, SIGNAL_NAMES) for period, rig in RIGS.items()}


def story(seed: int, period_s: float, stretches: Sequence[float]) -> list[Frame | Action]:
    """Stretches of readings every so many seconds, with jitter, silences, rubbish and a crew at the keys."""
    draw = random.Random(seed)
    items: list[Frame | Action] = [Frame(ORIGIN, HEALTH_TOPIC, HEALTH)]
    t, height, load = ORIGIN + 10_000_000, 10.0, 900.0
    for every_s in stretches:
        for _ in range(draw.randrange(12, 30)):
            t += round(every_s * SECOND_NS * draw.choice([1.0, 1.0, 1.0, draw.uniform(0.7, 1.3)]))
            if draw.random() < 0.03:
                t += round(draw.uniform(1, 6) * period_s * SECOND_NS)
            height = min(38.0, max(0.5, height + draw.choice([0.0, 0.6, -0.6]) * every_s))
            load = draw.choice([load, load, load, 220.0, 900.0, 4.0])
            items += row(t, height + draw.gauss(0, 0.01), load + draw.gauss(0, 2))
            if draw.random() < 0.03:
                items.append(Frame(t + 7, "rig/land/hoist/load", b"[red]x"))
            if draw.random() < 0.05:
                kind = draw.choice(
                    [
                        ActionKind.ACKNOWLEDGE,
                        ActionKind.REFERENCE_HEIGHT,
                        ActionKind.CHECK_START,
                        ActionKind.CHECK_ABORT,
                    ]
                )
                target = {ActionKind.CHECK_START: "overtravel", ActionKind.CHECK_ABORT: "overtravel"}.get(kind, "")
                number = height if kind is ActionKind.REFERENCE_HEIGHT else None
                items.append(Action(t + draw.randrange(SECOND_NS), kind, target, number, "", "ab"))
    return sorted(items, key=lambda item: item.t_ns)


class Watched:
    """A core, with what it said and the grid points that it evaluated."""

    def __init__(self, period_s: float, law: GridLaw | None = PRESENT) -> None:
        self.core = Core(RIGS[period_s], RULES[period_s], law=law)
        self.said: list[Finding] = []
        self.points: list[int] = []
        self.core.observe(lambda t_ns, *_: self.points.append(t_ns), ["height"])

    def feed(self, item: Frame | Action) -> None:
        self.said += self.core.feed(item)

    def advance(self, t_ns: int) -> None:
        self.said += self.core.advance(t_ns)


FAST = (Phase.explicit, Phase.reuse, Phase.generate)
"""A story is long: to shrink one takes longer than to read it."""
STRETCHES = st.lists(st.sampled_from([0.05, 0.3, 0.7, 1.0, 1.1, 3.0, 10.0]), min_size=1, max_size=4)


@settings(max_examples=40, deadline=None, phases=FAST)
@given(
    seed=st.integers(0, 10_000),
    timer_seed=st.integers(0, 10_000),
    period_s=st.sampled_from([0.05, 1.0, 10.0]),
    stretches=STRETCHES,
    restart=st.booleans(),
)
def test_a_record_of_slow_and_quick_data_replays_as_it_was(
    seed: int, timer_seed: int, period_s: float, stretches: list[float], restart: bool
) -> None:
    draw = random.Random(timer_seed)
    items = story(seed, period_s, stretches)
    restart_at = draw.randrange(1, len(items)) if restart else len(items)
    first = items[:restart_at]
    state = live_and_replayed(period_s, first, draw)
    if restart:
        t_ns = first[-1].t_ns + 3 * SECOND_NS
        carried = Frame(t_ns, CARRIED_TOPIC, json.dumps(state).encode())
        live_and_replayed(period_s, [carried, *items[restart_at:]], draw)


def live_and_replayed(period_s: float, items: Sequence[Frame | Action], draw: random.Random) -> dict[str, Any]:
    """Run `items` with random delays and timers, and what was recorded without: both must agree. The state at the end."""
    live = Watched(period_s)
    record: list[Frame | Action] = []
    wall = 0
    for item in items:
        # The item was stamped on arrival and waited in a queue; meanwhile the timer went on.
        wall = max(wall, item.t_ns + draw.randrange(400_000_000))
        while draw.random() < 0.5:
            live.advance(wall - draw.randrange(300_000_000))
        record.append(live.core.admit(item))
        live.feed(record[-1])
    end = max(wall, live.core.now_ns) + 40 * SECOND_NS
    for t_ns in sorted(end - draw.randrange(40 * SECOND_NS) for _ in range(20)):
        live.advance(t_ns)
    live.advance(end)

    replayed = Watched(period_s)
    for item in record:
        replayed.feed(item)
    replayed.advance(end)
    assert replayed.points == live.points
    assert replayed.said == live.said
    assert replayed.core.snapshot().alarms == live.core.snapshot().alarms
    assert all(t_ns % GRID_NS == 0 for t_ns in live.points)
    return live.core.state()


@settings(max_examples=25, deadline=None, phases=FAST)
@given(
    seed=st.integers(0, 10_000),
    period_s=st.sampled_from([0.05, 1.0, 10.0]),
    stretches=STRETCHES,
    law=st.sampled_from([PRESENT, FIRST]),
)
def test_from_a_checkpoint_on_the_same_points_are_evaluated(
    seed: int, period_s: float, stretches: list[float], law: GridLaw
) -> None:
    items = story(seed, period_s, stretches)
    whole = Watched(period_s, law)
    at = random.Random(seed).randrange(1, len(items))
    state, t_ns = {}, 0
    for place, item in enumerate(items):
        if place == at:
            state, t_ns = json.loads(json.dumps(whole.core.state())), whole.core.now_ns
        whole.feed(item)
    later = Watched(period_s, law)
    assert later.core.restore(state, t_ns, same_run=True) == []
    for item in items[at:]:
        later.feed(item)
    # A guided check that runs at the checkpoint does not live on, and while one runs the grid is the full one.
    if not any(isinstance(item, Action) and item.kind is ActionKind.CHECK_START for item in items[:at]):
        begun = items[at].t_ns
        differ = {t for t in later.points if t > begun} ^ {t for t in whole.points if t > begun}
        # What waits to come true is not all in a checkpoint: only second looks may be others then.
        looks = {t + PRESENT.settle_ns for t in whole.points} if law is PRESENT else set()
        assert not differ - looks


def plain_run(period_s: float, rows: int, law: GridLaw | None = PRESENT) -> list[int]:
    """Milliseconds since the start of the points evaluated, with a row every `period_s` and then silence for 100 s."""
    watched = Watched(period_s, law)
    watched.feed(Frame(ORIGIN, HEALTH_TOPIC, HEALTH))
    for place in range(1, rows + 1):
        for frame in row(ORIGIN + round(place * period_s * SECOND_NS), 10.0, 900.0):
            watched.feed(frame)
    watched.advance(watched.core.now_ns + 100 * SECOND_NS)
    return [(t_ns - ORIGIN) // 1_000_000 for t_ns in watched.points]


def test_ten_second_data_have_a_point_a_row_where_nothing_waits_and_silence_few() -> None:
    points = plain_run(10.0, 3)
    assert [t for t in points if t > 10_000] == [10_050, 20_050, *(30_050 + 10_000 * n for n in range(10))]


def test_under_the_first_law_ten_second_data_have_two_points_a_row() -> None:
    points = plain_run(10.0, 3, FIRST)
    assert points[:9] == [0, 50, 1050, 10_050, 11_050, 20_050, 21_050, 30_050, 31_050]
    assert points[9:] == [30_050 + 10_000 * n for n in range(1, 10)]


def test_what_must_last_is_looked_at_again_a_second_later() -> None:
    """The string is set in slips between two rows: said with the second look, not ten seconds later."""
    watched = Watched(10.0)
    for place, load in enumerate([900.0, 900.0, 900.0, 220.0, 220.0], 1):
        for frame in row(ORIGIN + 10 * place * SECOND_NS, 10.0, load):
            watched.feed(frame)
    watched.advance(watched.core.now_ns + SECOND_NS // 2)
    points = [(t_ns - ORIGIN) // 1_000_000 for t_ns in watched.points]
    assert [t for t in points if t > 20_000] == [20_050, 30_050, 40_050, 41_050, 50_050]
    assert watched.core.hoist is HoistState.IN_SLIPS


def test_once_a_second_has_a_point_a_row() -> None:
    points = plain_run(1.0, 5)
    assert points[:7] == [0, 50, 1050, 2050, 3050, 4050, 5050]
    assert points[7:10] == [6050, 7050, 8050]


def test_quick_data_and_old_sessions_have_every_point() -> None:
    assert plain_run(0.05, 40) == [*range(0, 102_001, 50)]
    assert plain_run(10.0, 2, law=None) == [*range(0, 120_001, 50)]


def test_one_quick_sensor_is_enough_for_the_full_grid() -> None:
    watched = Watched(10.0)
    watched.feed(Frame(ORIGIN, HEALTH_TOPIC, HEALTH))
    for step in range(1, 200):
        watched.feed(row(ORIGIN + step * 100_000_000, 10.0, 900.0)[1])
    assert watched.points[-100:] == [*range(watched.points[-1] - 99 * GRID_NS, watched.points[-1] + 1, GRID_NS)]
    gone = watched.core.now_ns
    watched.advance(gone + 20 * SECOND_NS)  # a quick sensor that falls silent is watched on the full grid
    assert len([t_ns for t_ns in watched.points if t_ns > gone]) == 400


def test_silence_is_found_within_two_intervals_of_when_it_would_have_been() -> None:
    for period_s in (1.0, 3.0, 10.0):
        found = {}
        for law in (None, PRESENT):
            watched = Watched(period_s, law)
            watched.feed(Frame(ORIGIN, HEALTH_TOPIC, HEALTH))
            for place in range(1, 20):
                for frame in row(ORIGIN + round(place * period_s * SECOND_NS), 10.0, 900.0):
                    watched.feed(frame)
            last_ns = watched.core.now_ns
            watched.advance(last_ns + 300 * SECOND_NS)
            found[law] = next(
                f.t_ns for f in watched.said if f.t_ns > last_ns and f.raised and f.key == "height-unknown"
            )
        assert 0 <= found[PRESENT] - found[None] <= 2 * period_s * SECOND_NS


def test_a_law_comes_back_from_a_header_and_a_later_one_is_refused() -> None:
    law = GridLaw(settle_ns=2 * SECOND_NS)
    assert GridLaw.of(json.loads(json.dumps(law.plain()))) == law
    assert GridLaw.of(None) is None
    assert GridLaw.of({name: value for name, value in law.plain().items() if name != "law"} | {"law": 1}) == replace(
        law, law=1
    )
    for kept in (
        {"law": 3},
        law.plain() | {"law": 3},
        law.plain() | {"settle_ns": 7},
        law.plain() | {"near_ns": "x"},
        [],
    ):
        with pytest.raises(ValueError, match=r"law|grid|whole"):
            GridLaw.of(kept)


def test_an_interval_survives_a_restart_to_the_nanosecond() -> None:
    pace, draw = Pace(RIGS[10.0], PRESENT), random.Random(3)
    t_ns = ORIGIN
    for _ in range(60):
        t_ns += draw.randrange(7 * SECOND_NS, 9 * SECOND_NS)
        pace.reading(0, t_ns)
    other = Pace(RIGS[10.0], PRESENT)
    kept = json.loads(json.dumps(pace.state()))
    other.restore(kept, same_run=True)
    assert other.state() == pace.state() != Pace(RIGS[10.0], PRESENT).state()
    anew = Pace(RIGS[10.0], PRESENT)
    anew.restore(kept, same_run=False)
    anew.reading(0, t_ns + 3_600 * SECOND_NS)  # the hour between two runs is no interval
    assert anew.state()["pos"][0] == kept["pos"][0]
    with pytest.raises(ValueError, match="pos"):
        anew.restore({"pos": 7}, same_run=True)
