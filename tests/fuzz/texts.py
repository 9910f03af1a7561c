"""Targets that read text written by people: rig files, rule catalogues, scenarios, field logs and their maps.

Oracle: a complete result or a `UserError` in words, nothing else; what is accepted works.
"""

import json
import math
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

from monitor.adapters.tables import field_map
from monitor.adapters.tables.field_log import FieldLog
from monitor.adapters.tables.field_map import EXAMPLE, load_map
from monitor.config.fields import Model
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.rule import RuleSet
from monitor.config.rules_file import build_rules
from monitor.config.toml_file import config_root, parse_toml, validate
from monitor.core.engine import Core
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.errors import UserError
from monitor.model.stream import Action, ActionKind, Frame
from simulators.scenario.scenario import load_scenario, shipped_scenarios
from tests.fuzz.draws import Draws, edited, edited_lines

VALUES: Final = (
    *(
        "0",
        "1",
        "-1",
        "2",
        "20",
        "0.5",
        "1.0",
        "1e-9",
        "1e300",
        "-1e300",
        "1e999",
        "inf",
        "-inf",
        "nan",
        "5e-324",
        "-0.0",
    ),
    *(
        "true",
        "false",
        "''",
        '"land"',
        '"si"',
        '"x"',
        '"\\u0000"',
        '"\\ud800"',
        '"\\U0010FFFF"',
        '"a\\u001b[31mb"',
        "[]",
    ),
    *(
        "{}",
        "[[]]",
        "[0, 1]",
        "[1, 0]",
        "[nan, inf]",
        "[-1e308, 1e308]",
        "{ a = 1 }",
        "1979-05-27T07:32:00Z",
        "07:32:00",
    ),
    *(
        "1979-05-27",
        '"../../etc/passwd"',
        '"[bold]x[/]"',
        '"' + "x" * 500 + '"',
        "9" * 30,
        "9" * 5000,
        "0x" + "f" * 5000,
    ),
    *("0b" + "1" * 200, "[" * 200, "{a=" * 200, "a." * 300, "-9223372036854775809", "18446744073709551616", "1_000"),
    *('"band"', '"caliper"', '"none"', '"eddy"', '"regen"', '"drum_counts"', '"block_position"', '"hook_load"', '"kN"'),
    *(
        '"rig:limits.ease_s"',
        '"1.5 * rig:mast.crown_m"',
        '"rig:brake.kind"',
        '"rig:line"',
        '"above"',
        '"below"',
        '"rig:"',
    ),
    *('"{sensor}"', '"sensor"', '["hoisting"]', '["unknown"]', '"999999999999999999999 * rig:mast.crown_m"'),
)
"""What may stand right of an equals sign."""
TOKENS: Final = (
    *(word.encode("utf-8", "surrogatepass") for word in VALUES),
    *(
        b"\n[[sensors]]\n",
        b"\n[x]\n",
        b"=",
        b"\n",
        b"#",
        b'"""',
        b"'''",
        b"\x00",
        b"\xff",
        b"\xef\xbb\xbf",
        b"\r",
        b".",
    ),
)
"""What may stand anywhere."""


@lru_cache(maxsize=1)
def _rig_texts() -> tuple[tuple[str, ...], ...]:
    """Small rig files: the shipped ones without comments, with three sensors each (the parser's time is by length)."""
    made = []
    for path in shipped_rigs().values():
        head, *tables = path.read_text(encoding="utf-8").split("[[sensors]]")
        wanted = ('"drum_counts"', '"block_position"', '"hook_load"', '"dead_line_tension"', '"height_mark"')
        kept = [table for table in tables if any(f"quantity = {name}" in table for name in wanted)][:3]
        text = "[[sensors]]".join((head, *kept, tables[-1]))
        lines = [line.partition("  #")[0].rstrip() for line in text.splitlines() if not line.startswith("#")]
        made.append(tuple(line for line in lines if line))
    return tuple(made)


@lru_cache(maxsize=1)
def shipped_rules() -> str:
    """Text of the shipped catalogue."""
    return (config_root() / "rules.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _rules_data() -> dict[str, Any]:
    return parse_toml(shipped_rules(), "rules")


@lru_cache(maxsize=1)
def _rule_tables() -> tuple[tuple[str, ...], ...]:
    made = []
    for table in shipped_rules().split("[[rule]]")[1:]:
        lines = [line.partition("  #")[0].rstrip() for line in table.splitlines() if line and line[0] not in "#["]
        made.append(("[[rule]]", *lines))
    return tuple(made)


def _mangled(draws: Draws, lines: Sequence[str]) -> bytes:
    if draws.flag(3):
        return edited(draws, "\n".join(lines).encode(), TOKENS)
    return edited_lines(draws, lines, VALUES).encode("utf-8", "surrogatepass")


def in_words(error: UserError) -> None:
    """Fail where an error for the person says nothing."""
    assert str(error).strip()


def finite(item: object, where: str = "") -> None:
    """Fail where a number in a model (and whatever is in it) is not finite."""
    if isinstance(item, float):
        assert math.isfinite(item), f"{where} is {item}"
    elif isinstance(item, Model):
        for name in type(item).model_fields:
            finite(getattr(item, name), f"{where}.{name}")
    elif isinstance(item, tuple):
        for place, part in enumerate(item):
            finite(part, f"{where}.{place}")


def rules_for(rig: Rig) -> RuleSet:
    """The shipped rules on `rig`.

    Raises:
        UserError: they do not fit it.
    """
    return build_rules(_rules_data(), "rules", rig, SIGNAL_NAMES)


def rig(data: bytes) -> None:
    """A rig file; what is accepted makes a core that takes readings and can be looked at."""
    draws = Draws(data)
    text = _mangled(draws, draws.pick(_rig_texts()))
    try:
        made = validate(Rig, parse_toml(text.decode("utf-8", "surrogateescape"), "rig"), "rig")
        finite(made)
        rules = rules_for(made)
    except UserError as error:
        in_words(error)
        return
    try:
        core = Core(made, rules)
    except UserError as error:
        in_words(error)
        return
    t_ns = 1_700_000_000_000_000_000
    for step in range(4):
        for sensor in made.sensors:
            low, high = sensor.range
            reading = low + (high - low) * (0.4 + 0.05 * step)
            document: Any = round(reading) if sensor.dimension in ("count", "switch") else reading
            core.feed(Frame(t_ns, made.topic(sensor), json.dumps({"value": document}).encode()))
            core.feed(Frame(t_ns, made.topic(sensor), json.dumps(document).encode()))
        t_ns += 60_000_000
    core.act(Action(t_ns, ActionKind.REFERENCE_HEIGHT, number=made.limits.lower_m))
    core.act(Action(t_ns, ActionKind.SLIP_AND_CUT, number=made.reference.turns))
    core.advance(t_ns + 600_000_000)
    core.snapshot()


def rules(data: bytes) -> None:
    """A catalogue of one to three rules, for one of the rigs."""
    draws = Draws(data)
    tables = [line for _ in range(1 + draws.below(3)) for line in draws.pick(_rule_tables())]
    text = _mangled(draws, ["format = 1", *tables])
    rig = find_rig_once(draws.pick(("land", "light", "deep")))
    try:
        found = build_rules(parse_toml(text.decode("utf-8", "surrogateescape"), "rules"), "rules", rig, SIGNAL_NAMES)
    except UserError as error:
        in_words(error)
        return
    for rule in found.rules:
        assert math.isfinite(rule.trip), rule
        assert math.isfinite(rule.clear), rule
        assert math.isfinite(rule.on_delay_s), rule
    core = Core(rig, found)
    core.ingest(Frame(1_700_000_000_000_000_000, "x", b""))
    core.advance(1_700_000_000_200_000_000)
    core.snapshot()


@lru_cache(maxsize=4)
def find_rig_once(name: str) -> Rig:
    """A shipped rig, read once."""
    return find_rig(name)


@lru_cache(maxsize=1)
def _scenario_texts() -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(path.read_text(encoding="utf-8").splitlines()) for path in shipped_scenarios().values())


@lru_cache(maxsize=1)
def _folder() -> tempfile.TemporaryDirectory[str]:
    memory = Path("/dev/shm")  # where there is such a thing, the disk is spared
    return tempfile.TemporaryDirectory(prefix="stopmark-fuzz-", dir=memory if memory.is_dir() else None)


def folder() -> Path:
    """A folder for this process's inputs; it goes with the process."""
    return Path(_folder().name)


def scenario(data: bytes) -> None:
    """A scenario file; what is accepted can be moved to another rig and checked against it."""
    draws = Draws(data)
    path = folder() / "case.toml"
    path.write_bytes(_mangled(draws, draws.pick(_scenario_texts())))
    try:
        found = load_scenario(path)
    except UserError as error:
        in_words(error)
        return
    finite(found)
    for number in found.work.settings.values():
        assert math.isfinite(number), "a setting is not finite"
    land = find_rig_once("land")
    for name in ("land", "deep"):
        moved = found.on(find_rig_once(name), land)
        assert all(isinstance(problem, str) for problem in moved.problems_on(find_rig_once(name)))
    assert all(isinstance(problem, str) for problem in found.judge((), (), 0))


_SHIPPED: Final = ("land", "light", "deep")
_HEAD: Final = "date,time,Block Pos,Hook Load"
_CELLS: Final = (
    *(
        "",
        "12.5",
        "80",
        "-3",
        "1e5",
        "1e999",
        "nan",
        "inf",
        "-999.25",
        "NULL",
        "1,5",
        "1.234,5",
        '"',
        '"a\nb"',
        "x" * 200,
    ),
    *(
        "01.02.2026",
        "12:00:01",
        "31.12.9999",
        "00.00.0000",
        "2026-01-01T00:00:00+99:99",
        "0001-01-01",
        "=1+1",
        "\0",
        "٣",
    ),
    *("9" * 400, "-" * 50, "1e-320", "True", "0x10", "1_0"),
)
_MAP: Final = (
    *EXAMPLE.splitlines(),
    *("[[columns]]", 'column = "Hook Load"', 'quantity = "hook_load"', 'unit = "klbf"'),
)
_MAP_VALUES: Final = (
    *VALUES,
    *(
        '"%Y"',
        '"%d.%m.%Y %H:%M:%S"',
        '"%"',
        '"%Q"',
        '"%z"',
        '"s"',
        '"ms"',
        '"ns"',
        '"elapsed_s"',
        '"iso8601"',
        '";"',
        '"\\n"',
    ),
    *(
        '"\\t"',
        '"\\""',
        '"rot13"',
        '"utf-16"',
        '"base64"',
        '"idna"',
        '"punycode"',
        '"unicode_escape"',
        '["date"]',
        '"ft"',
    ),
    *(
        '["Block Pos"]',
        '"deep"',
        '"0001-01-01"',
        '"9999-12-31T23:59:59"',
        "1e17",
        "-1e17",
        '"coolant_temperature"',
        '"hex"',
    ),
)


def find_rig_of_map(name: str) -> Rig:
    """A rig; a shipped one is read once."""
    return find_rig_once(name) if name in _SHIPPED else find_rig(name)


def fieldlog(data: bytes) -> None:
    """A field log and its map, both edited."""
    draws = Draws(data)
    here = folder()
    lines = list(_MAP)
    if draws.flag(3):
        lines = mangled_map(draws)
    (here / "map.toml").write_text("\n".join(lines), encoding="utf-8", errors="surrogatepass")
    rows = [_HEAD]
    for place in range(4 + draws.below(12)):
        row = ["01.02.2026", f"12:00:{place:02d}", f"{40 + place}.5", f"{200 + place}"]
        for _ in range(draws.below(3)):
            row[draws.below(4)] = draws.pick(_CELLS)
        rows.append(",".join(row))
    log = "\n".join(rows).encode("utf-8", "surrogatepass")
    if draws.flag(4):
        log = edited(draws, log, [cell.encode() for cell in _CELLS] + [b",", b";", b"\n", b"\xff\xfe", b"\r"])
    (here / "log.csv").write_bytes(log)
    try:
        # To parse a shipped rig anew for each input would take most of the time.
        with patch.object(field_map, "find_rig", find_rig_of_map):
            found = FieldLog(here / "log.csv", load_map(here / "map.toml"))
        before = 0
        for frame in found.frames():
            assert frame.t_ns > 0
            assert frame.t_ns >= before
            before = frame.t_ns
            assert math.isfinite(json.loads(frame.payload)["value"])
    except UserError as error:
        in_words(error)
        return
    assert found.readings > 0
    assert found.words()


def mangled_map(draws: Draws) -> list[str]:
    """Lines of a map, edited."""
    return (
        edited_lines(draws, _MAP, _MAP_VALUES).splitlines()
        if draws.flag(2)
        else _mangled(draws, _MAP).decode("utf-8", "surrogateescape").splitlines()
    )
