"""A run that goes on from what the one before left behind: nothing that matters is lost, and a replay agrees."""

import json
from collections.abc import Iterator

import pytest

from monitor.config.rig_file import find_rig
from monitor.config.rules_file import default_rules_path, load_rules
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import CARRIED_TOPIC, HEALTH_TOPIC, Action, ActionKind, Frame
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario

HEALTH = b'{"recording":"off","connected":true,"dropped":0,"lag_s":0,"note":""}'


def core_for(rig_name: str) -> Core:
    rig = find_rig(rig_name)
    return Core(rig, load_rules(default_rules_path(), rig, SIGNAL_NAMES))


def feed(core: Core, items: Iterator[Frame | Action], until_ns: int | None = None) -> list[Finding]:
    found: list[Finding] = []
    for item in items:
        item = core.admit(item)
        found += core.ingest(item) if isinstance(item, Frame) else core.act(item)
        if until_ns is not None and core.now_ns >= until_ns:
            break
    return found


def carried(core: Core, t_ns: int) -> list[Frame]:
    state = json.dumps(core.state(), allow_nan=False).encode()
    return [Frame(t_ns, CARRIED_TOPIC, state), Frame(t_ns, HEALTH_TOPIC, HEALTH)]


def height(snapshot: Snapshot) -> float:
    return snapshot.values["height"].number


class Trip:
    """Two minutes of a trip watched by one core, then a restart: a second core goes on from the first one's state."""

    def __init__(self, scenario: str = "calm-trip", gap_s: float = 0.0, before: tuple[ActionKind, float] | None = None):
        chosen = find_scenario(scenario)
        source = PlantSource(find_rig(chosen.rig), chosen, 1)
        items = iter(source.items())
        first = next(items)
        self.start_ns = first.t_ns
        self.split_ns = first.t_ns + 120_000_000_000
        self.whole, self.one, self.two = core_for(chosen.rig), core_for(chosen.rig), core_for(chosen.rig)
        for core in (self.whole, self.one):
            core.ingest(Frame(first.t_ns, HEALTH_TOPIC, HEALTH))
        rest = [first, *items]
        early = [item for item in rest if item.t_ns <= self.split_ns]
        self.late = [item for item in rest if item.t_ns > self.split_ns + gap_s * 1e9]
        for core in (self.whole, self.one):
            feed(core, iter(early))
            core.advance(self.split_ns)
            if before is not None:
                core.act(Action(core.now_ns, before[0], number=before[1], who="ab"))


def test_the_height_reference_comes_back() -> None:
    """A reference that the rig's file does not know: a metre off what the counts would say by the file."""
    trip = Trip(before=(ActionKind.REFERENCE_HEIGHT, 12.0))
    now = trip.late[0].t_ns
    found = [finding for frame in carried(trip.one, now) for finding in trip.two.ingest(frame)]
    assert [(f.kind, f.key, f.after) for f in found] == [("health", "carried", "carried")]
    until = now + 20_000_000_000
    feed(trip.whole, iter(trip.late), until)
    feed(trip.two, iter(trip.late), until)
    one, two = trip.whole.snapshot(), trip.two.snapshot()
    assert two.values["height"].validity is one.values["height"].validity
    assert height(two) == pytest.approx(height(one), abs=0.01)
    # The way of the seconds in between is not known.
    assert two.values["height_bound"].number == pytest.approx(one.values["height_bound"].number, abs=0.04)
    cold = core_for(trip.two.rig.name)
    cold.ingest(Frame(now, HEALTH_TOPIC, HEALTH))
    feed(cold, iter(trip.late), until)
    assert abs(height(cold.snapshot()) - height(one)) > 0.5, "the reference must matter, or this shows nothing"


def test_line_work_since_the_cut_comes_back_and_the_sum_of_the_stream_begins_anew() -> None:
    trip = Trip()
    done = trip.one.state()["line work"]["since_cut_j"]
    assert done > 1e6
    for frame in carried(trip.one, trip.late[0].t_ns):
        trip.two.ingest(frame)
    assert trip.two.state()["line work"] == {"since_cut_j": done, "total_j": 0.0}


def test_unacknowledged_alarms_and_shelves_come_back() -> None:
    trip = Trip("pressure-loss")
    views = {view.key: view for view in trip.one.snapshot().alarms}
    assert views, "the scenario must have raised something"
    shelved = next(iter(views))
    trip.one.act(Action(trip.one.now_ns, ActionKind.SHELVE, shelved, number=600.0, who="ab"))
    before = {view.key: (view.state, view.since_ns, view.shelved_until_ns) for view in trip.one.snapshot().alarms}
    for frame in carried(trip.one, trip.one.now_ns + 1_000_000):
        trip.two.ingest(frame)
    after = {view.key: (view.state, view.since_ns, view.shelved_until_ns) for view in trip.two.snapshot().alarms}
    assert after == before


def test_direction_and_weight_of_the_block_come_back() -> None:
    trip = Trip()
    for frame in carried(trip.one, trip.late[0].t_ns):
        trip.two.ingest(frame)
    assert trip.two.state()["hoist"] == trip.one.state()["hoist"]
    assert trip.one.state()["hoist"]["direction"] in (-1, 1)


def test_a_replay_of_both_runs_in_a_row_says_what_was_said() -> None:
    """The first frame of a run makes any core forget what went before: live, it was a new process."""
    trip = Trip("pressure-loss", gap_s=30.0)
    now = trip.late[0].t_ns
    frames = carried(trip.one, now)
    said = [finding for frame in frames for finding in trip.two.ingest(frame)]
    said += feed(trip.two, iter(trip.late))
    again = [finding for frame in frames for finding in trip.whole.ingest(frame)]
    again += feed(trip.whole, iter(trip.late))
    assert again == said
    assert repr(trip.whole.snapshot()) == repr(trip.two.snapshot())  # by words: a NaN is not equal to itself


def test_a_state_goes_through_a_second_restart_unchanged() -> None:
    trip = Trip(before=(ActionKind.SLIP_AND_CUT, 300.0))
    frame, _ = carried(trip.one, trip.one.now_ns)
    trip.two.ingest(frame)
    one, two = trip.one.state(), trip.two.state()
    for name in ("height", "hoist", "alarms"):
        assert two[name] == one[name], name


def test_a_small_counter_means_no_height_after_a_gap() -> None:
    """A small counter runs over within the mast: after a minute unwatched nobody knows how often it did."""
    rig = find_rig("land")
    sensors = tuple(
        sensor.model_copy(update={"bits": 14}) if sensor.quantity == "drum_counts" else sensor for sensor in rig.sensors
    )
    rig = rig.model_copy(update={"sensors": sensors})
    rules = load_rules(default_rules_path(), rig, SIGNAL_NAMES)

    def frame(core: Core, t_ns: int, counts: int) -> None:
        drum = next(s for s in rig.sensors if s.quantity == "drum_counts")
        core.ingest(Frame(t_ns, rig.topic(drum), b'{"value": %d, "t": %d, "seq": 1}' % (counts, t_ns // 1_000_000)))

    start = 1_767_225_600_000_000_000
    one = Core(rig, rules)
    one.ingest(Frame(start, HEALTH_TOPIC, HEALTH))
    for n in range(40):
        frame(one, start + n * 50_000_000, 1000)
    one.act(Action(one.now_ns, ActionKind.REFERENCE_HEIGHT, number=12.0))
    for n in range(40, 80):
        frame(one, start + n * 50_000_000, 1000)
    assert one.snapshot().values["height"].validity <= Validity.DEGRADED
    for gap_s, known in ((0.05, True), (60.0, False)):
        two = Core(rig, rules)
        begin = one.now_ns + round(gap_s * 1e9)
        for item in carried(one, begin):
            two.ingest(item)
        for n in range(1, 40):
            frame(two, begin + n * 50_000_000, 1000)
        assert (two.snapshot().values["height"].validity <= Validity.DEGRADED) is known, gap_s


@pytest.mark.parametrize(
    "payload",
    [b"", b"[1]", b"{", b'{"format": 99}', b'{"format": 1, "rig": "elsewhere", "t_ns": 1}', b'{"format":1,"rig":"land"}',
     b"[" * 100_000, b'{"format":1,"rig":"land","t_ns":1e400}', b"\xff\xfe"],
)  # fmt: skip
def test_what_cannot_be_used_is_said_and_begins_anew(payload: bytes) -> None:
    core = core_for("land")
    start = 1_767_225_600_000_000_000
    found = core.ingest(Frame(start, CARRIED_TOPIC, payload))
    assert [(f.kind, f.after) for f in found] == [("health", "anew")]
    fresh = core_for("land")
    fresh.ingest(Frame(start, CARRIED_TOPIC, b"{}"))
    assert core.state() == fresh.state()


def test_one_bad_part_leaves_the_others() -> None:
    trip = Trip(before=(ActionKind.REFERENCE_HEIGHT, 12.0))
    state = trip.one.state()
    state["alarms"] = {"hoist": "flying"}
    now = trip.one.now_ns
    found = trip.two.ingest(Frame(now, CARRIED_TOPIC, json.dumps(state).encode()))
    assert "begun anew: alarms" in found[0].message
    assert trip.two.state()["height"] == trip.one.state()["height"]
    assert trip.two.state()["alarms"]["alarms"] == {}


def test_a_changed_drum_in_the_rig_file_makes_the_height_begin_anew() -> None:
    trip = Trip()
    state = trip.one.state()
    state["height"]["drum"][0] += 0.01
    found = trip.two.ingest(Frame(trip.one.now_ns, CARRIED_TOPIC, json.dumps(state).encode()))
    assert "begun anew: height (the rig file's drum, line, position sensors or reference changed)" in found[0].message


def test_state_changes_nothing() -> None:
    """Looking at the state now and then leaves what is found as it is."""
    chosen = find_scenario("late-brake-floor")
    rig = find_rig(chosen.rig)
    plain, looked = core_for(chosen.rig), core_for(chosen.rig)
    found: tuple[list[Finding], list[Finding]] = ([], [])
    for n, item in enumerate(PlantSource(rig, chosen, 1).items()):
        for core, said in zip((plain, looked), found, strict=True):
            item = core.admit(item)
            said += core.ingest(item) if isinstance(item, Frame) else core.act(item)
        if n % 500 == 0:
            json.dumps(looked.state(), allow_nan=False)
    assert found[0] == found[1]
    assert repr(plain.snapshot()) == repr(looked.snapshot())


def test_the_first_seconds_after_a_restart_end_no_alarm_of_an_unknown_height() -> None:
    """Nor raise one: a stream has some seconds to find the height."""
    start_ns = 1_700_000_000_000_000_000
    one, two, fresh = core_for("land"), core_for("land"), core_for("land")
    one.ingest(Frame(start_ns, HEALTH_TOPIC, HEALTH))
    raised = [f.after for f in one.advance(start_ns + 10_000_000_000) if f.key == "height-unknown"]
    assert raised == ["unacknowledged"]
    now = one.now_ns + 50_000_000
    found = [finding for frame in carried(one, now) for finding in two.ingest(frame)]
    found += two.advance(now + 10_000_000_000)
    assert [f for f in found if f.key == "height-unknown"] == []
    assert [view.active for view in two.snapshot().alarms if view.key == "height-unknown"] == [True]
    fresh.ingest(Frame(start_ns, HEALTH_TOPIC, HEALTH))
    assert [f for f in fresh.advance(start_ns + 4_500_000_000) if f.key == "height-unknown"] == []
