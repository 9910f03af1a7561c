"""The life of a node: births, deaths, numbering, aliases, and a monitor that begins to listen too late."""

import json
from typing import Any

import pytest

from monitor.core.engine import Core
from monitor.core.sensors.decoder import Decoder
from monitor.core.sensors.source_news import News
from monitor.core.sensors.sparkplug.birth import read_birth
from monitor.core.sensors.sparkplug.metric import read_payload
from monitor.core.sensors.sparkplug.node import Metric, Node
from monitor.model.alarm import Finding
from monitor.model.reading import Reject, RejectReason, Sample
from monitor.model.stream import HEALTH_TOPIC, Frame
from monitor.text import printable
from tests.fuzz.texts import rules_for
from tests.support.sparkplug import T, bd_seq, frame, load_sensor, metric, payload, rig_with

NAME = "Hoist/Hook load"
STEP_NS = 100_000_000


class Bench:
    """A core with one sensor on a node, fed message by message, 0.1 s apart."""

    def __init__(self, **table: Any) -> None:
        self.rig = rig_with(load_sensor(**table))
        self.core = Core(self.rig, rules_for(self.rig))
        self.t_ns = T
        self.findings: list[Finding] = []
        self.connected(True)

    def send(self, kind: str, *metrics: dict[str, Any], seq: int | None = 0) -> None:
        self.t_ns += STEP_NS
        self.findings += self.core.feed(frame(kind, *metrics, seq=seq, t_ns=self.t_ns))
        self.findings += self.core.advance(self.t_ns + 60_000_000)

    def connected(self, there: bool) -> None:
        self.t_ns += STEP_NS
        health = {"recording": "on", "connected": there, "dropped": 0, "lag_s": 0, "note": ""}
        self.findings += self.core.feed(Frame(self.t_ns, HEALTH_TOPIC, json.dumps(health).encode()))

    def birth(self, alias: int | None = 7, seq: int = 0, **fields: Any) -> None:
        given = {"datatype": "Float", "float_value": 100.0} | fields
        self.send("NBIRTH", bd_seq(3), seq=seq)
        self.send("DBIRTH", metric(NAME, **given, **({} if alias is None else {"alias": alias})), seq=seq + 1)

    def data(self, seq: int, value: float = 100.0, alias: int = 7) -> None:
        self.send("DDATA", metric(alias=alias, float_value=value), seq=seq)

    @property
    def load(self) -> Any:
        return self.core.snapshot().sensors[1]

    def said(self) -> list[str]:
        """What was found of the node and the sensor since the last call."""
        words = [f.message for f in self.findings if f.kind == "instrument" and not f.key.endswith(":drum")]
        self.findings.clear()
        return words


def test_a_birth_gives_type_alias_and_first_value() -> None:
    bench = Bench()
    bench.birth()
    assert bench.load.value.number == 100_000.0
    bench.data(2, 120.0)
    assert bench.load.value.number == 120_000.0
    assert not bench.load.stale
    assert bench.said() == []


@pytest.mark.parametrize(("kind", "metrics"), [("NDEATH", [bd_seq(3)]), ("NDEATH", []), ("DDEATH", [])])
def test_a_death_makes_its_sensors_stale_at_once_with_the_reason(kind: str, metrics: list[dict[str, Any]]) -> None:
    bench = Bench()
    bench.birth()
    bench.data(2)
    assert not bench.load.stale
    bench.send(kind, *metrics, seq=None if kind == "NDEATH" else 3)
    assert bench.load.stale
    assert not bench.load.value.known
    assert "went away" in bench.load.diagnosis
    assert len([words for words in bench.said() if "went away" in words]) == 2  # of the node, and of its sensor
    values = bench.core.snapshot().values
    assert not values["hook_load"].known
    # Data of the dead are refused, and counted; a birth brings them back.
    bench.data(4, 130.0)
    assert bench.load.stale
    assert bench.core.snapshot().rejects == {RejectReason.BEFORE_BIRTH: 1}
    assert not bench.load.rejecting
    bench.birth()
    assert bench.load.value.number == 100_000.0
    assert bench.load.diagnosis == ""


def test_a_death_of_an_earlier_connection_changes_nothing_and_is_told() -> None:
    bench = Bench()
    bench.birth()
    bench.send("NDEATH", bd_seq(2), seq=None)
    assert not bench.load.stale
    assert "bdSeq 2, born with 3" in bench.said()[0]


def test_numbers_wrap_and_a_gap_is_counted_and_said() -> None:
    bench = Bench()
    bench.birth()
    for place in range(2, 600):
        bench.data(place % 256)
    assert bench.said() == []
    bench.data((600 + 3) % 256)
    assert bench.said() == [f"field/rig-7: 3 messages missing before number {603 % 256}, 3 so far"]
    bench.data((603 + 2) % 256)
    assert bench.said() == []  # told once a minute
    assert bench.core.decoder.missing == 4
    assert not bench.load.stale


def test_a_number_that_comes_twice_is_no_gap() -> None:
    bench = Bench()
    bench.birth()
    bench.data(2)
    bench.data(2)
    assert bench.core.decoder.missing == 0
    assert bench.said() == ["field/rig-7: message number 2 came twice"]


def test_another_device_of_the_node_counts_in_the_numbering_and_in_nothing_else() -> None:
    decoder = Decoder(rig_with(load_sensor()))
    for seq, device in enumerate(("hoist", "pumps", "pumps", "hoist")):
        items = decoder.decode(frame("DDATA", metric(NAME, float_value=1.0), seq=seq, device=device))
        assert len(items) == (device == "hoist")
    assert decoder.missing == 0


# --- late joining -----------------------------------------------------------------------------------------------------


def test_data_before_a_birth_are_refused_and_it_says_what_to_do() -> None:
    bench = Bench()
    for seq in range(5):
        bench.data(seq)
    words = "waiting for the birth of device hoist of node field/rig-7, or map aliases in the rig file"
    assert bench.load.diagnosis == words
    assert bench.said() == [words]
    assert bench.core.snapshot().rejects == {RejectReason.BEFORE_BIRTH: 5}
    bench.birth()
    bench.data(2, 120.0)
    assert bench.load.value.number == 120_000.0
    assert bench.load.diagnosis == ""


def test_names_are_taken_where_the_data_carry_them() -> None:
    bench = Bench()
    bench.data(0, alias=9)  # of another metric
    assert "waiting" in bench.load.diagnosis
    for seq in range(1, 4):
        bench.send("DDATA", metric(NAME, datatype="Float", float_value=90.0), metric(alias=9, float_value=1.0), seq=seq)
    assert bench.load.value.number == 90_000.0
    assert bench.load.diagnosis == ""
    assert bench.core.snapshot().rejects == {RejectReason.BEFORE_BIRTH: 1}


def digest_of(*metrics: dict[str, Any]) -> str:
    return read_birth(read_payload(payload(*metrics))).digest


BORN = metric(NAME, alias=7, datatype="Float", float_value=100.0)
TABLE = {"alias": 7, "type": "Float", "birth": digest_of(BORN)}


def test_a_table_of_aliases_serves_until_a_birth_comes() -> None:
    bench = Bench(**TABLE)
    bench.data(0, 80.0)
    assert bench.load.value.number == 80_000.0
    bench.birth()
    bench.data(2, 90.0)
    assert bench.load.value.number == 90_000.0
    assert bench.said() == []


def test_a_birth_that_contradicts_the_table_wins_and_is_said() -> None:
    bench = Bench(**TABLE)
    bench.birth(alias=8)
    (words,) = bench.said()
    assert "maps alias 7 (Float), the birth 8 (Float): the birth counts" in words
    bench.send("DDATA", metric(alias=7, float_value=5.0), metric(alias=8, float_value=90.0), seq=2)
    assert bench.load.value.number == 90_000.0


def test_a_birth_that_is_another_one_but_agrees_is_said_too() -> None:
    bench = Bench(**(TABLE | {"birth": "0" * 16}))
    bench.birth()
    (words,) = bench.said()
    assert words.endswith("what it says still holds for it")


def test_the_hash_is_of_what_is_defined_not_of_values_times_or_order() -> None:
    other = metric("Hoist/Other", alias=1, datatype="Int32", int_value=1)
    again = metric(NAME, alias=7, datatype="Float", float_value=3.0, timestamp=5)
    assert digest_of(BORN, other) == digest_of(other, again)
    assert digest_of(BORN) != digest_of(metric(NAME, alias=8, datatype="Float"))
    assert digest_of(BORN) != digest_of(metric(NAME, alias=7, datatype="Double"))
    assert digest_of(BORN) != digest_of(metric(NAME, datatype="Float"))


# --- births that change, or are wrong -----------------------------------------------------------------------------------


def test_a_birth_with_other_aliases_moves_the_readings() -> None:
    bench = Bench()
    bench.birth(alias=7)
    bench.birth(alias=12)
    bench.send("DDATA", metric(alias=7, float_value=5.0), metric(alias=12, float_value=90.0), seq=2)
    assert bench.load.value.number == 90_000.0


def test_after_a_birth_of_the_node_its_devices_wait_for_their_own() -> None:
    bench = Bench()
    bench.birth()
    bench.send("NBIRTH", bd_seq(3), seq=0)
    assert bench.load.stale
    assert bench.load.diagnosis == "node field/rig-7 is born again, its device hoist not yet"
    bench.data(1)
    assert bench.core.snapshot().rejects == {RejectReason.BEFORE_BIRTH: 1}


def test_an_alias_that_two_metrics_have_is_refused_and_a_name_is_not() -> None:
    bench = Bench()
    twice = metric("Hoist/Other", alias=7, datatype="Float", float_value=1.0)
    bench.send("DBIRTH", metric(NAME, alias=7, datatype="Float"), twice, seq=1)
    bench.data(2, 55.0)
    assert bench.core.snapshot().rejects[RejectReason.CLASHING] == 1
    assert bench.load.last_reason == "alias given to two metrics: alias 7"
    bench.send("DDATA", metric(NAME, float_value=66.0), seq=3)
    assert bench.load.value.number == 66_000.0


def test_a_birth_without_the_metric_or_with_another_type_says_so() -> None:
    bench = Bench()
    bench.send("DBIRTH", metric("Hoist/Load", datatype="Float"), seq=1)
    assert bench.load.diagnosis == "the birth of device hoist of node field/rig-7 has no metric 'Hoist/Hook load'"
    assert bench.load.stale
    bench.send("DBIRTH", metric(NAME, datatype="DataSet"), seq=2)
    assert bench.load.diagnosis == (
        "metric 'Hoist/Hook load' of device hoist of node field/rig-7 is no number but of type DataSet"
    )


def test_a_birth_that_cannot_be_read_ends_what_was_known() -> None:
    bench = Bench()
    bench.birth()
    bench.t_ns += STEP_NS
    bench.core.feed(frame("DBIRTH", t_ns=bench.t_ns)._replace(payload=b"\xff\xff"))
    bench.core.advance(bench.t_ns + 60_000_000)
    assert bench.load.stale
    assert "cannot be read" in bench.load.diagnosis
    bench.data(3)
    assert bench.load.stale


def test_a_birth_with_two_metrics_of_one_name_is_refused() -> None:
    bench = Bench()
    bench.send("DBIRTH", BORN, BORN, seq=1)
    assert bench.core.snapshot().rejects == {RejectReason.NOT_SPARKPLUG: 1}


def test_a_first_value_that_was_old_at_the_birth_is_none() -> None:
    bench = Bench()
    bench.birth(timestamp=T // 1_000_000 - 60_000)
    assert bench.core.snapshot().rejects == {RejectReason.TOO_OLD: 1}
    assert not bench.load.value.known


# --- the connection was away ----------------------------------------------------------------------------------------------


def test_messages_missed_while_the_broker_was_away_end_the_aliases() -> None:
    bench = Bench()
    bench.birth()
    bench.data(2)
    bench.connected(False)
    bench.connected(True)
    bench.data(3)  # nothing was missed
    assert not bench.load.stale
    bench.connected(False)
    bench.connected(True)
    bench.data(9)
    assert bench.load.stale
    assert "messages were missed while the broker was away: waiting for the birth" in bench.load.diagnosis
    bench.data(10)
    assert bench.load.stale
    bench.birth()
    assert not bench.load.stale


def test_a_table_of_the_very_birth_that_was_heard_goes_on_after_it() -> None:
    bench = Bench(**TABLE)
    bench.birth()
    bench.connected(False)
    bench.connected(True)
    bench.data(9, 70.0)
    assert bench.load.value.number == 70_000.0


# --- a later moment of the same run -----------------------------------------------------------------------------------------


def test_a_state_carries_births_to_a_later_moment_of_the_run_and_not_to_another_run() -> None:
    bench = Bench()
    bench.birth()
    bench.send("NDEATH", bd_seq(3), seq=None)
    dead = bench.core.state()
    bench.birth()
    alive = bench.core.state()
    for state, same_run, reads in ((alive, True, True), (alive, False, False), (dead, True, False)):
        later = Core(bench.rig, rules_for(bench.rig))
        assert later.restore(state, bench.t_ns, same_run) == []
        later.feed(frame("DDATA", metric(alias=7, float_value=44.0), seq=2, t_ns=bench.t_ns + STEP_NS))
        assert later.snapshot().sensors[1].value.known is reads
    later = Core(bench.rig, rules_for(bench.rig))
    later.restore(dead, bench.t_ns, same_run=True)
    assert "went away" in later.snapshot().sensors[1].diagnosis


@pytest.mark.parametrize(
    "path", ["seq", "bd", "missing", "devices", "devices/hoist", "devices/hoist/birth", "devices/hoist/metrics/w"]
)
@pytest.mark.parametrize("value", [[], "x" * 5000, -1, 1e300, {"w": [1]}, [1, 2, 3, "\x1b"]])
def test_a_damaged_state_is_left_aside(path: str, value: object) -> None:
    bench = Bench()
    bench.birth()
    state = bench.core.state()
    *way, last = path.split("/")
    holder: Any = state["sources"]["field/rig-7"]
    for step in way:
        holder = holder[step]
    holder[last] = value
    later = Core(bench.rig, rules_for(bench.rig))
    later.restore(state, bench.t_ns, same_run=True)
    later.feed(frame("DDATA", metric(alias=7, float_value=44.0), seq=2, t_ns=bench.t_ns + STEP_NS))
    assert later.decoder.missing == 0
    assert not later.snapshot().sensors[1].value.known


def test_words_from_outside_are_printable() -> None:
    news: list[News] = []
    node = Node("g", "n", [Metric(0, load_sensor())], news)
    node.take(T, "DDEATH", "\x1b[2J" + "x" * 500, read_payload(payload()), [])
    node.take(T, "DDEATH", "hoist", read_payload(payload(seq=200)), [])
    assert news
    for item in news:
        assert item.words == printable(item.words, 300)


def test_readings_and_rejects_are_all_there_is() -> None:
    decoder = Decoder(rig_with(load_sensor()))
    for kind in ("NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDEATH", "NDEATH"):
        for item in decoder.decode(frame(kind, BORN)):
            assert isinstance(item, Sample | Reject)
