"""What the fuzzers found, one test each: it stays found."""

import json
import math
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters.ledger.ledger import Ledger, LedgerError
from monitor.adapters.mqtt.packets import PacketError, PacketReader
from monitor.adapters.sessions.blocks import pack_block
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.adapters.sessions.remarks import NOTE_BYTES, Remark, add_remark, remarks_of
from monitor.adapters.tables.field_map import EXAMPLE, load_map
from monitor.config.rig import Rig
from monitor.config.rules_file import build_rules
from monitor.config.toml_file import ConfigError, config_root, parse_toml, validate
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.stream import Action, ActionKind, Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.replay import ReplayDriver
from monitor.runtime.restart import CATCH_UP_NS, state_of_last_run
from monitor.web.gate import _name
from simulators.scenario.scenario import load_scenario
from tests.fuzz.sessions import few_rules, sound_session
from tests.fuzz.stream import T_NS, shipped, sound_snapshot
from tests.fuzz.texts import find_rig_once, rules_for

HUGE = ("9" * 5000, "0x" + "f" * 5000)
LAND = (config_root() / "rigs" / "land.toml").read_text(encoding="utf-8")


def with_value(field: str, value: str) -> str:
    """The land rig's file with another value of the first field so called."""
    text, count = re.subn(rf"(?m)^{field} = .*$", lambda _: f"{field} = {value}", LAND, count=1)
    assert count == 1, field
    return text


@pytest.mark.parametrize("number", HUGE)
def test_a_number_with_thousands_of_digits_is_refused_in_words(number: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="rig"):
        validate(Rig, parse_toml(with_value("mass_kg", number), "rig"), "rig")
    with pytest.raises(ConfigError, match="rules"):
        build_rules(
            parse_toml(f"format = 1\n[[rule]]\nid = {number}\n", "rules"), "rules", find_rig_once("land"), SIGNAL_NAMES
        )
    path = tmp_path / "s.toml"
    path.write_text(f"description = {number}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=re.escape(str(path))):
        load_scenario(path)


def test_tables_in_tables_without_end_are_refused_in_words() -> None:
    deep = "[" + ".".join(["a"] * 5000) + "]\n"
    with pytest.raises(ConfigError, match="rig"):
        validate(Rig, parse_toml(deep, "rig"), "rig")


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("core_diameter_m", "0.02", "core_diameter_m: must be above line.rope_diameter_m"),
        ("wraps_per_layer", "0.5", "drum.wraps_per_layer: must be from 1 to 1,000"),
        ("cooling_tau_s", "900.0\nfade_full_c = 200.0", "above fade_onset_c"),
        ("fill", "0.0", "line.fill"),
        ("inertia_kg_m2", "1e300", "drum.inertia_kg_m2"),
        ("heat_capacity_j_k", "5e-324", "braking.heat_capacity_j_k"),
    ],
)
def test_a_machine_that_cannot_be_is_refused_before_it_is_computed_with(field: str, value: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        validate(Rig, parse_toml(with_value(field, value), "rig"), "rig")


def test_a_rule_s_delay_has_an_end() -> None:
    text = (
        (config_root() / "rules.toml")
        .read_text(encoding="utf-8")
        .replace("on_delay_s = 1.5 ", "on_delay_s = 1e308 ", 1)
    )
    with pytest.raises(ConfigError, match="on_delay_s"):
        build_rules(parse_toml(text, "rules"), "rules", find_rig_once("land"), SIGNAL_NAMES)


@pytest.mark.parametrize(("field", "value"), [("start_m", "inf"), ("settings", "{ string_n = nan }")])
def test_a_scenario_s_numbers_are_finite(field: str, value: str, tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    text = (config_root() / "scenarios" / "calm-trip.toml").read_text(encoding="utf-8")
    path.write_text(re.sub(rf"(?m)^{field} = .*$", f"{field} = {value}", text), encoding="utf-8")
    with pytest.raises(ConfigError, match=f"work.{field}"):
        load_scenario(path)


def test_a_map_that_skips_rows_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(EXAMPLE.replace("skip_rows = 0", "skip_rows = 999999999999"), encoding="utf-8")
    with pytest.raises(ConfigError, match="skip_rows"):
        load_map(path)


def test_a_finding_repeats_no_infinite_number_of_the_crew() -> None:
    rig = find_rig_once("land")
    core = Core(rig, rules_for(rig))
    core.ingest(Frame(T_NS, "x", b""))
    (said,) = core.act(Action(T_NS, ActionKind.SILENCE, number=math.inf))
    assert said.number is None


@pytest.mark.parametrize("share", [5, "ab", [None, 1.0], [math.nan, 1.0], [0.5]])
def test_a_share_that_is_none_is_not_taken_up_from_a_run_before(share: object) -> None:
    rig = find_rig_once("land")
    before = Core(rig, rules_for(rig))
    before.ingest(Frame(T_NS, "x", b""))
    state = before.state()
    state["brake"]["aux_share"] = share
    words = Core(rig, rules_for(rig)).restore(state, T_NS + 1_000_000_000)
    assert [word for word in words if "brake" in word]


AGES_NS = 1 << 61


def changed(path: Path, *statements: str | tuple[str, tuple[object, ...]]) -> Path:
    """The sound session at `path`, with these statements done to it."""
    path.write_bytes(sound_session())
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        for statement in statements:
            base.execute(*((statement,) if isinstance(statement, str) else statement))
    return path


@pytest.mark.parametrize(
    "claim",
    [
        f"UPDATE block SET advanced_ns = {AGES_NS} WHERE id = (SELECT max(id) FROM block)",
        f"UPDATE block SET t_last_ns = {AGES_NS} WHERE id = (SELECT max(id) FROM block)",
        f"INSERT INTO block VALUES (9, {AGES_NS}, {AGES_NS}, {AGES_NS}, 101, 0, x'')",
    ],
)
def test_a_session_that_claims_to_go_on_for_ages_is_played_to_its_real_end(claim: str, tmp_path: Path) -> None:
    path = changed(tmp_path / "a.stopmark", claim)
    with SessionReader(path) as reader:
        driver = ReplayDriver(reader, math.inf)
        driver.play_out()
        assert driver.finished
        assert T_NS + 1_900_000_000 <= driver.core.now_ns <= T_NS + 2_100_000_000


def test_inputs_that_lie_ages_ahead_are_damage_and_can_be_passed_over(tmp_path: Path) -> None:
    data, _ = pack_block([Frame(t_ns, "a", b"1") for t_ns in (T_NS, AGES_NS, T_NS + 1)])
    ahead = ("UPDATE block SET data = ?, frames = 3 WHERE id = 1", (data,))
    for path in (
        changed(tmp_path / "frames.stopmark", ahead),
        changed(tmp_path / "action.stopmark", f"UPDATE action SET t_ns = {AGES_NS}"),
    ):
        with SessionReader(path) as reader:
            with pytest.raises(SessionError, match="its time jumps"):
                list(reader.inputs())
            assert all(item.t_ns < AGES_NS for item in reader.inputs(damaged="skip"))


def test_before_the_first_input_no_sensor_has_a_value() -> None:
    rig = find_rig_once("land")
    assert not any(sensor.value.known for sensor in Core(rig, rules_for(rig)).snapshot().sensors)


@pytest.mark.parametrize("part", ["alarms", "brake", "checks", "height", "hoist", "line work"])
@pytest.mark.parametrize("number", [math.inf, math.nan, 10**400])
def test_a_state_full_of_numbers_that_are_none_is_not_taken_up(part: str, number: float) -> None:
    rig = find_rig_once("land")
    before = Core(rig, rules_for(rig))
    before.ingest(Frame(T_NS, "x", b""))

    def spoilt(item: object) -> object:
        if isinstance(item, dict):
            return {name: spoilt(inner) for name, inner in item.items()}
        if isinstance(item, list):
            return [spoilt(inner) for inner in item]
        return number if isinstance(item, int | float) and not isinstance(item, bool) else item

    state = before.state()
    state[part] = spoilt(state[part])
    core = Core(rig, rules_for(rig))
    assert len(core.restore(state, T_NS + 1_000_000_000)) <= 1
    core.ingest(Frame(T_NS + 1_000_000_000, "x", b""))
    core.advance(T_NS + 2_000_000_000)
    sound_snapshot(core.snapshot())


def test_a_header_that_holds_nothing_is_damage(tmp_path: Path) -> None:
    table = "ALTER TABLE header RENAME TO old", "CREATE TABLE header (key TEXT PRIMARY KEY, value TEXT)"
    path = changed(tmp_path / "a.stopmark", *table, "INSERT INTO header SELECT key, NULL FROM old", "DROP TABLE old")
    with pytest.raises(SessionError, match="is damaged: its header 'aside' cannot be read"):
        SessionReader(path)


@pytest.mark.parametrize(
    "change", ["UPDATE note SET t_ns = 9e999", "UPDATE action SET before = 9e999", "UPDATE finding SET t_ns = 9e999"]
)
def test_an_infinite_time_in_a_table_is_damage(change: str, tmp_path: Path) -> None:
    with (
        SessionReader(changed(tmp_path / "a.stopmark", change)) as reader,
        pytest.raises(SessionError, match="damaged"),
    ):
        (reader.notes(), reader.findings(), list(reader.inputs()))


def test_a_month_between_two_sessions_is_not_played_through(tmp_path: Path) -> None:
    rig, _ = shipped("land")
    month_ns = 30 * 86_400_000_000_000
    paths = [tmp_path / "one.stopmark", tmp_path / "two.stopmark"]
    for path, start_ns in zip(paths, (T_NS, T_NS + month_ns), strict=True):
        with Recorder(path, header_of(rig, few_rules(), "IMPORTED", start_ns)) as recorder:
            for place in range(20):
                recorder.frame(Frame(start_ns + 50_000_000 * place, "x", b"1"))
    with SessionChain(paths) as chain:
        driver = ReplayDriver(chain, math.inf)
        driver.play_out()
        assert driver.core.now_ns == T_NS + month_ns + 950_000_000
        assert [frame.payload for frame in chain.inputs() if isinstance(frame, Frame)] == [b"1"] * 20 + [b"{}"] + [
            b"1"
        ] * 20


def test_a_message_without_a_topic_at_the_end_of_a_piece_breaks_the_protocol_and_no_more() -> None:
    for most in (0, 32):
        for stream in (b"\x30\x00", b"\x30\x01\x00", b"\x30\x03\x00\x01a\x30\x00"):
            with pytest.raises(PacketError, match="topic"):
                PacketReader({b"a": "a"}).feed(0, stream, most)


def test_a_run_before_whose_times_lie_days_ahead_keeps_no_new_run_waiting(tmp_path: Path) -> None:
    days_ns = 11 * 86_400_000_000_000
    changed(
        tmp_path / "land-20231114-221320.stopmark",
        *(f"UPDATE block SET {column} = {column} + {days_ns}" for column in ("t_first_ns", "t_last_ns", "advanced_ns")),
    )
    state = state_of_last_run(tmp_path, "land")
    assert T_NS <= state["t_ns"] <= T_NS + CATCH_UP_NS + 2_000_000_000


@pytest.mark.parametrize("name", ["response_s", "leak_pa_s", "leak_age_s", "pump_s"])
@pytest.mark.parametrize("number", [math.inf, math.nan, 10**400])
def test_a_hydraulics_figure_that_is_no_number_is_not_taken_up(name: str, number: float) -> None:
    rig = find_rig_once("land")
    before = Core(rig, rules_for(rig))
    before.ingest(Frame(T_NS, "x", b""))
    state = before.state()
    state["brake"]["hydraulics"][name] = number
    core = Core(rig, rules_for(rig))
    assert [word for word in core.restore(state, T_NS + 1_000_000_000) if "brake" in word]
    core.ingest(Frame(T_NS + 1_000_000_000, "x", b""))
    json.dumps(core.state(), allow_nan=False)


@pytest.mark.parametrize(
    "change", ["numbers = '5'", "numbers = '[]'", "written_ns = 1e30", "corrects = 'x'", "t_ns = 9e999"]
)
def test_a_ledger_with_a_cell_of_the_wrong_kind_is_damage(change: str, tmp_path: Path) -> None:
    path = tmp_path / "land.ledger"
    with Ledger(path) as made:
        made.add("note", T_NS, T_NS, who="ab", text="x")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("DROP TRIGGER entry_stays")
        base.execute(f"UPDATE entry SET {change}")
    with Ledger(path) as made, pytest.raises(LedgerError, match="damaged"):
        made.entries(corrected=True)


def test_a_run_that_ended_in_silence_is_gone_on_from_where_it_ended(tmp_path: Path) -> None:
    rig, rules = shipped("land")
    core = Core(rig, rules)
    with Recorder(tmp_path / "land-20231114-221320.stopmark", header_of(rig, few_rules(), "LIVE", T_NS)) as recorder:
        frame = Frame(T_NS, "x", b"1")
        recorder.frame(frame)
        core.ingest(frame)
        core.advance(T_NS + 90_000_000_000)
        recorder.advanced(core.now_ns)
        recorder.checkpoint(core.now_ns, core.state())
    assert state_of_last_run(tmp_path, "land")["t_ns"] == T_NS + 90_000_000_000


def test_a_note_longer_than_anybody_types_is_left_out_and_the_others_are_read(tmp_path: Path) -> None:
    path = changed(tmp_path / "a.stopmark")
    for place, text in enumerate(("one", "x" * (NOTE_BYTES + 1), "two")):
        add_remark(path, Remark(T_NS + place, T_NS, "AB", text))
    assert [remark.text for remark in remarks_of(path)] == ["one", "two"]


@pytest.mark.parametrize("host", ["-1[::1]:80", "x@localhost", "[::1]x:80", "[", "localhost:80x"])
def test_a_host_that_no_browser_writes_is_not_this_machine(host: str) -> None:
    assert _name(host) == ""
    assert (_name("[::1]:80"), _name("LocalHost:8080"), _name("127.0.0.1")) == ("::1", "localhost", "127.0.0.1")
