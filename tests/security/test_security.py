"""Text from outside is text: in the terminal, in the page, in tables; and no name leads out of its folder.

The text comes by every way there is: topics and payloads of a broker, names and words in a stranger's session, what the crew
typed, and what a field log calls its columns.
"""

import csv
import io
import json
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from monitor.adapters.sessions.folder import DataFolder, FolderError
from monitor.adapters.sessions.reader import SessionReader
from monitor.adapters.sessions.recorder import Recorder
from monitor.cli import main
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.config.rules_file import build_rules
from monitor.config.toml_file import ConfigError, config_root, parse_toml, validate
from monitor.core.engine import Core
from monitor.core.sensors.decoder import Decoder
from monitor.core.signals.table import SIGNAL_NAMES
from monitor.model.alarm import Finding, Severity
from monitor.model.reading import Reject
from monitor.model.stream import Action, ActionKind, Frame
from monitor.runtime.assembly import header_of
from monitor.runtime.findings import finding_line
from monitor.runtime.replay import ReplayDriver
from monitor.runtime.restart import state_of_last_run
from monitor.ui.app import StopmarkApp
from tests.fuzz.stream import T_NS, shipped

EVIL = (
    "\x1b]0;owned\x07\x1b[2J\x1b[31m",
    "\x9b31m\x85",
    "[bold red]x[/] [@click=app.quit]y[/]",
    "<script>alert(1)</script>",
    "\"><img src=x onerror='alert(1)'>",
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1+1",
    "\r\n=1+1",
    "\u202egnp.exe",
    "a\nb\rc",
)
RULES = (config_root() / "rules.toml").read_text(encoding="utf-8")


def evil_session(path: Path) -> Path:
    """A session of some seconds in which every text that can be evil is."""
    rig, rules = shipped("land")
    core = Core(rig, rules)
    with Recorder(path, header_of(rig, RULES, "LIVE", T_NS)) as recorder:
        for place in range(200):
            t_ns = T_NS + 50_000_000 * place
            word = EVIL[place % len(EVIL)]
            for frame in (
                Frame(t_ns, rig.topic(rig.sensors[0]), word.encode() if place % 7 == 0 else b'{"value": %d, "t": %d, "seq": %d}'
                      % (1_000_000 + place, t_ns // 10**6, place)),
                Frame(t_ns, word, word.encode()),
            ):  # fmt: skip
                recorder.frame(frame)
                for finding in core.ingest(frame):
                    recorder.finding(finding)
        recorder.checkpoint(core.now_ns, core.state())
        for place, word in enumerate(EVIL):
            kind = ActionKind.NOTE if place % 2 else ActionKind.ACKNOWLEDGE
            action = core.admit(Action(core.now_ns, kind, word, 1.0, word, word))
            recorder.action(action)
            for finding in core.act(action):
                recorder.finding(finding)
            recorder.finding(
                Finding(core.now_ns, "alarm", word, Severity.DANGER, word, "unacknowledged", word, word, 1.0, 2.0)
            )
            recorder.finding(Finding(core.now_ns, "check", word, Severity.NOTICE, word, word, word, word))
            recorder.note(core.now_ns, "flag", word)
    return path


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One session for all tests of this file, which only read it."""
    return evil_session(tmp_path_factory.mktemp("evil") / "land-20231114-221320.stopmark")


def plain(text: str) -> None:
    """Fail where `text` would do more on a terminal than be read."""
    bad = sorted({ch for ch in text if not (ch.isprintable() or ch == "\n")})
    assert not bad, f"{bad!r} in {text[:300]!r}"


# --- terminal ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ("sessions", "list", "--data", "FOLDER"),
        ("sessions", "verify", "SESSION"),
        ("replay", "SESSION", "--headless"),
        ("compare", "SESSION", "--rules", "recorded", "--rules", "shipped"),
        ("replay", "SESSION", "--headless", "--at", "\x1b[31mno such"),
        ("sessions", "verify", "\x1b[31mno such"),
        ("check", "--rig", "\x1b[31mno such"),
        ("watch", "--rig", "land", "--broker", "\x1b]0;x\x07"),
        ("ledger", "show", "--rig", "\x1b[31mx", "--data", "FOLDER"),
        ("export", "SESSION", "-o", "\x1b[31m.csv", "--what", "signals", "--signals", "\x1b[31m"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_commands_print_nothing_that_a_terminal_obeys(
    words: tuple[str, ...], session: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    places = {"SESSION": str(session), "FOLDER": str(session.parent)}
    main([places.get(word, word) for word in words])
    out, err = capfd.readouterr()
    assert out + err
    plain(out)
    plain(err)


def test_a_stranger_s_session_cannot_speak_to_the_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for place, (key, value) in enumerate(
        [("rig", '"\x1b[31mland"'), ("config", '{"\x1b[31m": 1}'), ("\x1b[31mkey", "{"), ("rules", '"\x1b[31m = = ="')]
    ):
        path = evil_session(tmp_path / f"land-20231114-22132{place}.stopmark")
        with closing(sqlite3.connect(path, isolation_level=None)) as base:
            base.execute("INSERT OR REPLACE INTO header VALUES (?, ?)", (key, value))
        for words in (
            ["sessions", "verify"],
            ["replay", "--headless"],
            ["report", "-o", str(tmp_path / "x.html"), "--force"],
        ):
            main([*words, str(path)])
    main(["sessions", "list", "--data", str(tmp_path)])
    out, err = capfd.readouterr()
    plain(out)
    plain(err)


def test_what_an_old_session_left_is_told_without_its_control_characters(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = evil_session(tmp_path / "land-20231114-221320.stopmark")
    config = find_rig("land").model_dump(mode="json")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("UPDATE header SET value = ? WHERE key = 'config'", (json.dumps({**config, EVIL[0]: 1}),))
    with Recorder(
        tmp_path / "land-20231114-221321.stopmark", {"rig": "land", "config": {}, "rules": "", "mode": "LIVE"}
    ):
        pass
    assert state_of_last_run(tmp_path, "land") == {}
    assert caplog.records
    for record in caplog.records:
        plain(record.getMessage())


@pytest.mark.parametrize("word", EVIL)
def test_a_finding_s_line_is_one_line_of_plain_json(word: str) -> None:
    line = finding_line(Finding(T_NS, "alarm", word, Severity.DANGER, word, word, word, word))
    plain(line)
    assert "\n" not in line
    assert json.loads(line)["message"] == word


@pytest.mark.parametrize("word", EVIL)
def test_topics_and_payloads_are_kept_harmless(word: str) -> None:
    rig = find_rig("land")
    topic = rig.topic(rig.sensors[0])
    frames = (Frame(T_NS, word, b"1"), Frame(T_NS, topic, word.encode()), Frame(T_NS, topic, json.dumps(word).encode()))
    for frame in frames:
        items = list(Decoder(rig).decode(frame))
        assert items
        for item in items:
            assert isinstance(item, Reject)
            plain(item.detail)
            assert "\n" not in item.detail


async def test_no_screen_of_a_replay_obeys_what_the_session_says(session: Path) -> None:
    with SessionReader(session) as reader:
        driver = ReplayDriver(reader, 1.0, from_ns=reader.end_ns - 10**9, paused=True)
        app = StopmarkApp(driver)
        async with app.run_test(size=(120, 40)) as pilot:
            for key in ("1", "2", "3", "4", "5", "6", "7", "8"):
                await pilot.press(key)
                await pilot.pause()
                strips = app.screen._compositor.render_strips()
                for strip in strips:
                    for segment in strip:
                        plain(segment.text)
                        assert "\n" not in segment.text


# --- configuration ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", [word for word in EVIL if any(ord(ch) < 32 or 127 <= ord(ch) < 160 for ch in word)])
def test_words_of_a_rig_and_its_rules_are_printable(word: str) -> None:
    config = find_rig("land").model_dump(mode="json")
    for change in ({"title": word}, {"braking": {**config["braking"], "ratio_origin": word}}, {"name": word},
                   {"sensors": [{**config["sensors"][0], "topic": word}, *config["sensors"][1:]]}):  # fmt: skip
        with pytest.raises(ConfigError):
            validate(Rig, {**config, **change}, "rig")
    data = parse_toml(RULES, "rules")
    for field in ("message", "guidance", "id"):
        rules = [{**data["rule"][0], field: word[:30]}, *data["rule"][1:]]
        with pytest.raises(ConfigError):
            build_rules({"format": 1, "rule": rules}, "rules", find_rig("land"), SIGNAL_NAMES)


# --- page -------------------------------------------------------------------------------------------------------------

TAGS = {
    *("html", "head", "meta", "title", "style", "body", "main", "header", "footer", "section", "nav", "h1", "h2", "h3"),
    *(
        "p",
        "div",
        "span",
        "b",
        "i",
        "ul",
        "ol",
        "li",
        "dl",
        "dt",
        "dd",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
    ),
    *(
        "td",
        "br",
        "a",
        "details",
        "summary",
        "svg",
        "g",
        "path",
        "line",
        "polyline",
        "polygon",
        "rect",
        "circle",
        "text",
    ),
}


class Tags(HTMLParser):
    """Every tag and attribute of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    handle_startendtag = handle_starttag


def test_the_report_holds_no_tag_or_attribute_of_a_session(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    assert main(["report", str(session), "-o", str(out)]) == 0
    page = out.read_text(encoding="utf-8")
    plain(page)
    tags = Tags(page).found
    assert len(tags) > 50
    assert {tag for tag, _ in tags} <= TAGS
    for _, attributes in tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("href", "src", "xlink:href"):
            assert (attributes.get(name) or "#").startswith("#")
    assert "&lt;script&gt;" in page, "the evil words must have come as far as the page, or this test shows nothing"


# --- tables -----------------------------------------------------------------------------------------------------------


def is_formula(cell: object) -> bool:
    """Whether a spreadsheet would compute the text in a cell. A number with a sign is none."""
    if not isinstance(cell, str) or cell.lstrip()[:1] not in ("=", "+", "-", "@"):
        return False
    try:
        float(cell)
    except ValueError:
        return True
    return False


@pytest.mark.parametrize("what", ["findings", "readings", "signals"])
def test_no_cell_of_a_csv_is_a_formula_or_a_command(what: str, session: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert main(["export", str(session), "-o", str(out), "--what", what]) == 0
    text = out.read_text(encoding="utf-8")
    plain(text.replace("\r\n", "\n"))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) > 5
    assert not [cell for row in rows for cell in row if is_formula(cell)]
    assert what != "findings" or "cmd|" in text, "the evil words must have come as far as the table"


def test_no_cell_of_a_workbook_is_a_formula(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.xlsx"
    assert main(["export", str(session), "-o", str(out), "--what", "findings"]) == 0
    book = openpyxl.load_workbook(out)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert len(cells) > 50
    assert not [cell.value for cell in cells if cell.data_type == "f" or is_formula(cell.value)]
    for cell in cells:
        if isinstance(cell.value, str):
            plain(cell.value)


def test_no_cell_of_a_ledger_is_a_formula(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for word in EVIL:
        main(["ledger", "add", "note", "--rig", "land", "--data", str(tmp_path), f"--text={word}", f"--who={word[:4]}"])
    out = tmp_path / "ledger.csv"
    assert main(["ledger", "export", "--rig", "land", "--data", str(tmp_path), "-o", str(out)]) == 0
    main(["ledger", "show", "--rig", "land", "--data", str(tmp_path)])
    text = out.read_text(encoding="utf-8")
    plain(text.replace("\r\n", "\n"))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) > 5
    assert not [cell for row in rows for cell in row if is_formula(cell)]
    out_text, err_text = capfd.readouterr()
    plain(out_text)
    plain(err_text)


# --- names and folders ------------------------------------------------------------------------------------------------

LEADING_OUT = (
    *("../evil", "..", ".", "", "/etc/passwd", "a/b", "a\\b", "C:evil", "x\0y", "~", "con/../..", "A" * 300, "Land"),
    ".hidden",
)


def listing(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


@pytest.mark.parametrize("name", LEADING_OUT)
def test_a_rig_s_name_leads_nowhere(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    inside = tmp_path / "data"
    inside.mkdir()
    config = find_rig("land").model_dump(mode="json")
    with pytest.raises(ConfigError):
        validate(Rig, {**config, "name": name}, "rig")
    with DataFolder(inside) as folder, pytest.raises(FolderError):
        folder.session_path(name, T_NS)
    before = listing(tmp_path)
    for words in (
        ["add", "note", "--who", "ab"],
        ["show"],
        ["verify"],
        ["trend"],
        ["export", "-o", str(inside / "x.csv")],
    ):
        assert main(["ledger", words[0], *words[1:], "--rig", name, "--data", str(inside)]) == 2, words
    assert listing(tmp_path) == before
    plain(capfd.readouterr().err)


@pytest.mark.parametrize("name", ["../evil", "/tmp/evil", "a/b", "x\0y", ""])
def test_an_imported_session_s_rig_leads_nowhere(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    inside = tmp_path / "in" / "data"
    inside.mkdir(parents=True)
    path = evil_session(inside / "land-20231114-221320.stopmark")
    config = find_rig("land").model_dump(mode="json")
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("UPDATE header SET value = ? WHERE key = 'rig'", (json.dumps(name),))
        base.execute("UPDATE header SET value = ? WHERE key = 'config'", (json.dumps({**config, "name": name}),))
    before = listing(tmp_path)
    assert main(["ledger", "take", str(path), "--data", str(inside)]) == 2
    assert main(["report", str(path), "-o", str(inside / "r.html")]) == 2
    assert main(["export", str(path), "-o", str(inside / "r.csv")]) == 2
    assert main(["replay", str(path), "--headless"]) == 2
    assert listing(tmp_path) == before
    plain(capfd.readouterr().err)


@pytest.mark.parametrize("out", ["x.csv/../../y.csv", "no-such-folder/x.csv", "x.exe", "", ".csv"])
def test_an_export_is_one_file_with_the_ending_of_its_format(out: str, session: Path, tmp_path: Path) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    before = listing(tmp_path)
    target = f"{inside}/{out}" if out else ""
    assert main(["export", str(session), "-o", target, "--what", "findings"]) == 2
    assert listing(tmp_path) == before
