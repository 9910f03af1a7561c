"""The commands of the crew's record, as a person uses them."""

import asyncio
import csv
import json
import math
import shutil
from pathlib import Path

import pytest

from monitor.adapters.ledger.ledger import Ledger
from monitor.adapters.sessions.chain import SessionChain
from monitor.adapters.sessions.reader import SessionReader
from monitor.cli import main
from monitor.config.rig_file import shipped_rigs
from monitor.model.stream import CARRIED_TOPIC, Frame
from monitor.runtime.replay import ReplayDriver
from tests.support.recorded import START_NS, changed, simulated


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One minute in which the block runs up and is braked too late."""
    return simulated(tmp_path_factory.mktemp("crown") / "land-20260101-000000.stopmark", "runaway-crown")


def say(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """Run a command that must succeed; what it printed."""
    assert main([str(word) for word in words]) == 0, capsys.readouterr().err
    return capsys.readouterr().out


def mistake(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """Run a command that must fail with one clear sentence."""
    assert main([str(word) for word in words]) == 2
    reported = capsys.readouterr()
    assert "Traceback" not in reported.err
    assert reported.err.startswith(f"stopmark {words[0]}: ")
    return reported.err


Capture = pytest.CaptureFixture[str]


def test_report_is_written_once_and_whole(session: Path, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "report.html"
    assert "0.02 h of land" in say(capsys, "report", session, "-o", out)
    assert out.read_text().endswith("</html>\n")
    assert "--force" in mistake(capsys, "report", session, "-o", out)
    say(capsys, "report", session, "-o", out, "--force", "--units", "si")
    assert list(tmp_path.iterdir()) == [out]
    say(capsys, "report", session, "-o", out, "--force", "--from", "+21", "--to", "+40")
    part = out.read_text()
    assert "00:00:21 to 2026-01-01 00:00:40" in part
    assert "Will cross: upper limit" in part
    reported = mistake(capsys, "report", session, "-o", out, "--force", "--from", "+21", "--to", "+20")
    assert "--to +20: 2026-01-01 00:00:20 UTC is not after the beginning, 2026-01-01 00:00:21 UTC" in reported
    assert "there is no folder" in mistake(capsys, "report", session, "-o", tmp_path / "none" / "x.html")
    assert "must end in .html or .htm" in mistake(capsys, "report", session, "-o", tmp_path / "x.txt")
    assert "--data" in mistake(capsys, "report", session, "-o", tmp_path / "x.html", "--data", tmp_path / "none")
    (tmp_path / "folder.html").mkdir()
    assert "is a folder" in mistake(capsys, "report", session, "-o", tmp_path / "folder.html", "--force")
    assert "no such session" in mistake(capsys, "report", tmp_path / "x.stopmark", "-o", tmp_path / "y.html")
    (tmp_path / "empty.stopmark").touch()
    assert "it is empty" in mistake(capsys, "report", tmp_path / "empty.stopmark", "-o", tmp_path / "y.html")


def test_compare_says_where_rules_differ(session: Path, tmp_path: Path, capsys: Capture) -> None:
    assert "Both say the same: " in say(capsys, "compare", session, "--rules", "shipped")
    other = tmp_path / "other.toml"
    with SessionReader(session) as reader:
        other.write_text(changed(reader.rules_text, "brake-now-up", on_delay_s=0.6))
    assert main(["compare", str(session), "--rules", "recorded", "--rules", str(other)]) == 1
    reported = capsys.readouterr().out
    assert "brake-now-up: on_delay_s " in reported
    assert " s later" in reported


def replayed(text: str) -> tuple[list[str], dict[str, object]]:
    *findings, summary = [json.loads(line) for line in text.splitlines()]
    wanted = ("brake-now-up", "will-cross-up")
    return [f["key"] for f in findings if f["after"] == "unacknowledged" and f["key"] in wanted], summary


def test_replay_from_a_finding_to_a_time_with_other_rules(session: Path, tmp_path: Path, capsys: Capture) -> None:
    base = ("replay", session, "--headless")
    both = ["brake-now-up", "will-cross-up"]
    assert replayed(say(capsys, *base))[0] == both
    # It begins five seconds before the finding; what was said in those is heard, too.
    assert replayed(say(capsys, *base, "--at", "will-cross-up"))[0] == both
    assert replayed(say(capsys, *base, "--from", "+40"))[0] == []
    keys, summary = replayed(say(capsys, *base, "--from", "00:00:10", "--to", "+20"))
    assert keys == []
    assert summary["stream_seconds"] == 10.0
    rules = tmp_path / "one.toml"
    with SessionReader(session) as reader:
        rules.write_text(changed(reader.rules_text, "brake-now-up", trip=-90.0, clear=-80.0))
    assert "brake-now-up" not in replayed(say(capsys, *base, "--rules", rules))[0]
    reported = mistake(capsys, *base, "--at", "nothing")
    assert all(key in reported for key in ("brake-now-up", "ease-up", "will-cross-up"))
    with SessionReader(session) as reader:
        assert f"has {len(reader.findings())} findings" in mistake(capsys, *base, "--at", "99")
    assert "has it 1 time" in mistake(capsys, *base, "--at", "will-cross-up:2")
    assert "has it 1 time" in mistake(capsys, *base, "--at", "ease-up:2")  # its end is no second one
    assert "outside the session" in mistake(capsys, *base, "--from", "+100")


async def test_a_loop_begins_again_and_a_paused_replay_stands(session: Path) -> None:
    heard: list[str] = []
    with SessionChain([session]) as chain:
        from_ns, to_ns = START_NS + 19_000_000_000, START_NS + 21_000_000_000
        driver = ReplayDriver(
            chain,
            math.inf,
            (lambda finding: heard.append(finding.key),),
            from_ns=from_ns,
            to_ns=to_ns,
            loop=True,
            paused=True,
        )
        task = asyncio.create_task(driver.run())
        await asyncio.wait([task], timeout=0.2)
        assert driver.position_ns == from_ns
        assert heard == []
        driver.pause(False)
        for _ in range(600):
            await asyncio.wait([task], timeout=0.05)
            if len(heard) >= 3:
                break
        task.cancel()
    # Only what lies between the two times is heard, each time round.
    assert len(heard) >= 3
    assert len(set(heard)) == 1


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        # Public ton-mile sheet, and its casing example by the form that the strokes agree with.
        (
            "round-trip --depth 12090ft --stand 93ft --pipe 17.55lb/ft --block 75000lb --excess 19734lb",
            "633.44 ton-miles",
        ),
        ("casing --depth 5200ft --joint 42ft --pipe 25lb/ft --mud 10ppg --block 95000lb", "120.90 ton-miles"),
        # API RP 9B, Addendum 1: 1-3/8 in EIPS (854 kN), here on 12 lines.
        ("load --load 400klbf", "design factor: 4.50"),
        # Lyons, p. 614: a share of the cut is slipped in proportion to the work.
        ("cut --cut 80ft --since-slip 400tonmile", "slip now: 6.10 m (20.0 ft)"),
    ],
)
def test_line_plans(words: str, expected: str, capsys: Capture) -> None:
    assert expected in say(capsys, "line", "plan", *words.split())


def test_a_load_plan_prints_the_textbooks_derrick_and_power(tmp_path: Path, capsys: Capture) -> None:
    """Bourgoyne et al., Applied Drilling Engineering, example 1.2 (from memory): 300,000 lb on 8 lines of efficiency 0.841,
    500 hp at the drum. K = 1.04 makes that efficiency 0.8416, so the last digits printed here differ from the book's 420.5 hp,
    46.25 ft/min, 1.9 min and 382,090 lb."""
    rig = tmp_path / "eight.toml"
    rig.write_text(shipped_rigs()["land"].read_text().replace("\nlines = 12", "\nlines = 8"))
    words = ("line", "plan", "load", "--rig", rig, "--load", "300klb", "--power", "500hp")
    reported = say(capsys, *words, "--stroke", "90ft")
    assert "power at the hook: 314 kW (420.8 hp), 84.2 % of the drum's" in reported
    assert "at most 0.235 m/s (46.3 ft/min)" in reported
    assert "a stroke of 27.4 m (90 ft): 117 s (1.9 min)" in reported
    assert "(382,058 lbf)" in reported
    assert "(450,000 lbf), derrick efficiency 84.9 %" in reported
    assert "--power" in mistake(capsys, *words[:-2], "--stroke", "90ft")
    assert "--power" in mistake(capsys, *words[:-1], "0kW")


def test_line_work_measured_stands_beside_the_plan(session: Path, capsys: Capture) -> None:
    reported = say(capsys, "line", "measured", session)
    counted = reported.partition(": ")[2].partition(", ")[0]
    assert counted.startswith("0.4")
    assert "stroke by stroke, by activity" in reported
    assert f"counted on the way it is {counted}" in reported
    words = ["short-trip", "--start", "1000m", "--depth", "1028m", "--stand", "28m", "--pipe", "25kg/m", "--measured"]
    assert "measured over formula" in say(capsys, "line", "plan", *words, session)
    assert "--start" in mistake(capsys, "line", "plan", *words[:1], "--start", "2000m", *words[3:-1])


def test_sessions_are_listed_and_verified(session: Path, tmp_path: Path, capsys: Capture) -> None:
    reported = say(capsys, "sessions", "--data", session.parent)
    assert "DANGER" in reported
    assert "not acknowledged: " in reported
    assert "will-cross-up" in reported
    assert "1 session of land" in reported
    assert max(map(len, reported.splitlines()[:3])) <= 80
    assert "sound" in say(capsys, "sessions", "verify", session)
    copy = tmp_path / "land-20260101-000001.stopmark"
    say(capsys, "sessions", "copy", session, copy)
    say(capsys, "sessions", "flag", copy, "the near miss")
    assert "flagged: the near miss" in say(capsys, "sessions", "list", "--data", tmp_path, "--rig", "land")
    data = bytearray(copy.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 4000] = b"\xa5" * 4000
    copy.write_bytes(data)
    assert main(["sessions", "verify", str(copy)]) == 1
    assert "NOT SOUND" in capsys.readouterr().out
    assert "no such folder" in mistake(capsys, "sessions", "--data", tmp_path / "none")
    assert "WHY" in mistake(capsys, "sessions", "flag", session, " ")


def test_copies_go_into_folders_and_are_listed_under_any_name(session: Path, tmp_path: Path, capsys: Capture) -> None:
    assert str(tmp_path / session.name) in say(capsys, "sessions", "copy", session, tmp_path)
    say(capsys, "sessions", "copy", session, tmp_path / "near miss.stopmark")
    assert "exists already" in mistake(capsys, "sessions", "copy", session, tmp_path)
    assert "no folder" in mistake(capsys, "sessions", "copy", session, tmp_path / "none" / "x.stopmark")
    assert "must end in .stopmark" in mistake(capsys, "sessions", "copy", session, tmp_path / "x.db")
    reported = say(capsys, "sessions", "--data", tmp_path, "--rig", "land")
    assert "near miss.stopmark" in reported
    assert "rig land" in reported
    assert "2 sessions of land" in reported
    assert "no sessions" in say(capsys, "sessions", "--data", tmp_path, "--rig", "deep")
    assert "near miss.stopmark: sound" in say(capsys, "sessions", "verify", "--data", tmp_path)


def test_a_bare_name_is_sought_in_the_users_data_folder(
    session: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "stopmark"
    folder.mkdir()
    shutil.copy(session, folder / session.name)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    assert str(folder / session.name) in say(capsys, "sessions", "verify", session.name)
    assert '"summary": "replay"' in say(capsys, "replay", session.name, "--headless", "--to", "+5")
    assert "no such session" in mistake(capsys, "replay", "other.stopmark", "--headless")


def test_export_writes_tables(session: Path, tmp_path: Path, capsys: Capture) -> None:
    with SessionReader(session) as reader:
        said = len(reader.findings())
    minute = ("--to", "+59.5")  # at its very end a slow disk may have something to say
    for what, rows, part in (("findings", said, ()), ("resampled", 60, minute), ("signals", 60, minute)):
        out = tmp_path / f"{what}.csv"
        assert f"{rows} rows" in say(capsys, "export", session, "-o", out, "--what", what, *part)
        with out.open(newline="") as file:
            assert len(list(csv.DictReader(file))) == rows
    out = tmp_path / "part.csv"
    say(
        capsys,
        "export",
        session,
        "-o",
        out,
        "--what",
        "signals",
        "--signals",
        "height,speed",
        "--from",
        "+10",
        "--to",
        "+20",
    )
    with out.open(newline="") as file:
        table = list(csv.DictReader(file))
    assert len(table) == 10
    assert set(table[0]) == {"time", "hoist", "height [m]", "speed [m/s]"}
    assert "goes with" in mistake(capsys, "export", session, "-o", tmp_path / "x.csv", "--signals", "height")
    assert "--what resampled" in mistake(capsys, "export", session, "-o", tmp_path / "x.csv", "--every", "5")
    before = out.read_bytes()
    assert "--force" in mistake(capsys, "export", session, "-o", out)
    assert "is not after the beginning" in mistake(
        capsys, "export", session, "-o", out, "--force", "--from", "+20", "--to", "+10"
    )
    assert ".parquet or .xlsx" in mistake(capsys, "export", session, "-o", tmp_path / "x.tsv")
    assert out.read_bytes() == before
    assert f"{said} rows" in say(capsys, "export", session, "-o", out, "--force", "--what", "findings")


def test_no_command_writes_over_what_it_reads(session: Path, tmp_path: Path, capsys: Capture) -> None:
    for name, words in (("a.html", ["report"]), ("a.csv", ["export"])):
        copy = tmp_path / name
        shutil.copy(session, copy)
        before = copy.read_bytes()
        assert "one of the files to read" in mistake(capsys, *words, copy, "-o", copy, "--force")
        assert copy.read_bytes() == before
    log = tmp_path / "log.stopmark"
    log.write_text("time,pos\n1,2\n")
    (tmp_path / "map.toml").write_text("format = 1\n")
    assert "one of the files to read" in mistake(capsys, "import", log, "--map", tmp_path / "map.toml", "-o", log)
    assert "must end in .stopmark" in mistake(
        capsys, "import", log, "--map", tmp_path / "map.toml", "-o", tmp_path / "x"
    )


def test_ledger_takes_corrects_and_exports(session: Path, tmp_path: Path, capsys: Capture) -> None:
    where = ("--rig", "land", "--data", tmp_path)
    assert "no ledger yet" in mistake(capsys, "ledger", "show", *where)
    say(capsys, "ledger", "add", "line-cut", *where, "--who", "ab", "--number", "cut_m=24", "--at", "2025-12-31T10:00")
    take = ("ledger", "take", session, "--data", tmp_path)
    assert "is a simulation" in mistake(capsys, *take)
    assert "new entries; 0 were there" in say(capsys, *take, "--simulated")
    assert "0 new entries" in say(capsys, *take, "--simulated")
    say(capsys, "ledger", "add", "line-cut", *where, "--who", "ab", "--number", "cut_m=25", "--at", "2025-12-31T10:00",
        "--corrects", "1")  # fmt: skip
    reported = say(capsys, "ledger", "show", *where, "--kind", "line-cut")
    assert "2025-12-31 10:00:00  line-cut     ab    cut 25 m  (corrects 1)\n1 entries; times are UTC\n" in reported
    assert "0 entries" in say(capsys, "ledger", "show", *where, "--kind", "line-cut", "--since", "2026-01-01")
    assert "\n0 entries" in "\n" + say(capsys, "ledger", "show", *where, "--since", "3h")
    assert "sound" in say(capsys, "ledger", "verify", *where)
    out = tmp_path / "ledger.csv"
    say(capsys, "ledger", "export", *where, "-o", out)
    with out.open(newline="") as file, Ledger(tmp_path / "land.ledger") as ledger:
        assert len(list(csv.DictReader(file))) == len(ledger.entries(corrected=True))
    assert "a trend needs" in say(capsys, "ledger", "trend", *where, "--bound", "effectiveness=0.7")
    # What was done since the cut counts toward the next one.
    plan = ("line", "plan", "cut", "--cut", "80ft")
    assert "done: 0.4" in say(capsys, *plan, "--data", tmp_path)
    # Sessions that the ledger knows are counted once, however they are given.
    assert "done: 0.4" in say(capsys, *plan, "--data", tmp_path, "--measured", session)
    assert "done: 0.4" in say(capsys, *plan, "--measured", session)
    assert "no ledger yet" in mistake(capsys, *plan, "--data", tmp_path / "none")
    page = tmp_path / "page.html"
    say(capsys, "report", session, "-o", page, "--data", tmp_path)
    assert "since the cut of 2025-12-31 10:00:00" in page.read_text()
    for words, why in (
        (("add", "wish", "--who", "ab"), "no kind of entry"),
        (("add", "note", "--who", "ab", "--number", "x"), "NAME=NUMBER"),
        (("add", "note", "--who", "ab", "--number", "x=nan"), "not a finite number"),
        (("add", "note", "--who", "ab"), "says nothing"),
        (("add", "pads", "--who", " "), "initials"),
        (("add", "line-cut", "--who", "ab", "--number", "cut_m=80psi"), "m, mm, cm, ft, in"),
        (("add", "line-cut", "--who", "ab", "--number", "cut_m=ft"), "is no number"),
        (("add", "brake", "--who", "ab", "--number", "effectivness=0.9"), "effectivness"),
        (("add", "line-work", "--who", "ab"), "work_j"),
        (("export", "-o", tmp_path / "ledger.xlsx"), "must end in .csv"),
        (("add", "note", "--who", "ab", "--at", "soon"), "no time"),
        (("show", "--since", "99999999d"), "no time"),
        (("trend", "--bound", "height=1"), "no such series"),
    ):
        assert why in mistake(capsys, "ledger", *words, *where)


def test_a_field_log_becomes_a_session_that_replays_and_reports(tmp_path: Path, capsys: Capture) -> None:
    lines = ["when;pos;load"]
    for i in range(240):  # up and down, a sample each second, with what field logs have
        height = 5.0 + 0.25 * (i if i < 120 else 240 - i)
        position = {30: "1e12", 60: "-999.25", 90: "-50"}.get(i, f"{height:.3f}")
        lines.append(f"{START_NS // 10**9 + i};{position};{'0' if i == 100 else '600.0'}")
        if i == 150:
            lines.append(lines[-1])
    log, mapping, out = tmp_path / "log.csv", tmp_path / "map.toml", tmp_path / "log.stopmark"
    log.write_text("\n".join(lines))
    mapping.write_text(
        'format = 1\nrig = "land"\n[time]\ncolumns = ["when"]\nformat = "s"\n'
        '[[columns]]\ncolumn = "pos"\nquantity = "block_position"\nunit = "m"\nsigma = 0.02\n'
        '[[columns]]\ncolumn = "load"\nquantity = "hook_load"\nunit = "kN"\nzero_is_missing = true\n'
    )
    reported = say(capsys, "import", log, "--map", mapping, "-o", out)
    summary = json.loads(reported.splitlines()[-1])
    assert summary["readings"] == 2 * 240 - 4
    assert sum(summary["dropped"].values()) == 5
    with SessionReader(out) as session:
        assert (session.mode, session.frames) == ("IMPORTED", 476)
        recorded = [f.key for f in session.findings()]
    keys = [json.loads(line)["key"] for line in say(capsys, "replay", out, "--headless").splitlines()[:-1]]
    assert keys == recorded
    page = tmp_path / "log.html"
    say(capsys, "report", out, "-o", page)
    assert "zero where none can be" in page.read_text()
    assert "exists already" in mistake(capsys, "import", log, "--map", mapping, "-o", out)
    log.write_text("when;pos;load\n1000;1e12;0\n")
    bad = tmp_path / "bad.stopmark"
    assert "not one reading" in mistake(capsys, "import", log, "--map", mapping, "-o", bad)
    assert not bad.exists()


def test_the_nights_of_a_log_are_passed_over(tmp_path: Path, capsys: Capture) -> None:
    """Else a log of day shifts would take hours to import, and hours to replay."""
    log, mapping, out = tmp_path / "days.csv", tmp_path / "map.toml", tmp_path / "days.stopmark"
    lines = [f"{day * 3600 + s},{50 + s % 20},120" for day in range(3) for s in range(0, 60, 2)]
    log.write_text("\n".join(["s,pos,load", *lines]) + "\n")
    columns = [("pos", "block_position", "ft"), ("load", "hook_load", "klbf")]
    mapping.write_text(
        'format = 1\nrig = "light"\n[time]\ncolumns = ["s"]\nformat = "elapsed_s"\nstart = "2026-01-01T00:00:00"\n'
        + "".join(f'[[columns]]\ncolumn = "{c}"\nquantity = "{q}"\nunit = "{u}"\n' for c, q, u in columns)
    )
    summary = json.loads(say(capsys, "import", log, "--map", mapping, "-o", out).splitlines()[-1])
    assert (summary["gaps"], summary["readings"]) == (2, 180)
    with SessionReader(out) as session:
        carried = [item for item in session.inputs() if isinstance(item, Frame) and item.topic == CARRIED_TOPIC]
        said = {finding.key for finding in session.findings()}
    assert [(frame.t_ns - START_NS) // 1_000_000_000 for frame in carried] == [3600, 7200]
    assert json.loads(carried[0].payload)["rig"] == "light"
    assert said <= {"carried", "slow-data"}  # that rows are missing is no event of the rig
    assert "in 2.0" in say(capsys, "report", out, "-o", tmp_path / "days.html")


def test_a_ledger_by_hand(tmp_path: Path, capsys: Capture) -> None:
    where = ("--data", tmp_path)
    assert "has no ledger" in mistake(capsys, "ledger", "show", *where)
    say(capsys, "ledger", "add", "line-cut", "--rig", "land", *where, "--who", "ab", "--number", "cut_m=80ft")
    say(capsys, "ledger", "add", "line-cut", *where, "--who", "ab", "--number", "cut_m=24.4", "--corrects", "1")
    reported = say(capsys, "ledger", "show", *where, "--corrected")
    assert "cut 24.38 m  (corrected by 2)" in reported
    assert "cut 24.4 m  (corrects 1)" in reported
    out = tmp_path / "ledger.csv"
    say(capsys, "ledger", "export", *where, "-o", out)
    assert "--force" in mistake(capsys, "ledger", "export", *where, "-o", out)
    say(capsys, "ledger", "export", *where, "-o", out, "--force")
    with out.open(newline="") as file:
        assert [float(row["cut_m"]) for row in csv.DictReader(file)] == pytest.approx([24.384, 24.4])
    say(capsys, "ledger", "add", "note", "--text", "x", "--rig", "deep", *where, "--who", "ab")
    assert "deep, land" in mistake(capsys, "ledger", "show", *where)


def test_a_plan_says_what_it_was_given_and_refuses_what_cannot_be(capsys: Capture) -> None:
    words = ["line", "plan", "round-trip", "--depth", "3000m", "--pipe", "26kg/m"]
    reported = say(capsys, *words, "--stand", "28m", "--mud", "1200kg/m3")
    assert "block 215.7 kN (48,502 lb), of rig land" in reported
    assert "times 0.8471 in mud of 1200 kg/m3" in reported
    assert "--stand: must be above 0" in mistake(capsys, *words, "--stand", "0m")
    with pytest.raises(SystemExit):
        main([*words, "--stand=-28m"])
    assert "must not be below 0" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "reported"),
    [
        (("line", "plan", "casing"), "17.55lb/ft"),
        (("line", "plan", "cut"), "800tonmile"),
        (("sessions", "copy"), "even while it is being recorded"),
        (("ledger", "add"), "cut_m=80ft"),
        (("replay",), "after the start"),
        (("export",), "a silence of more"),
    ],
)
def test_help_says_how_words_are_written(words: tuple[str, ...], reported: str, capsys: Capture) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*words, "--help"])
    assert ended.value.code == 0
    assert reported in " ".join(capsys.readouterr().out.split())
