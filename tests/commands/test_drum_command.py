"""`stopmark drum`: the table, heights by hand, and heights that simulated sessions show of a drum unlike its rig file."""

import random
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.sessions.recorder import Recorder
from monitor.cli import main
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig, load_rig
from monitor.core.estimator.height_map import HeightMap
from monitor.model.stream import Action, ActionKind, Frame
from monitor.physics.drum import DrumGeometry, block_height_m
from monitor.runtime.assembly import header_of
from monitor.units import FOOT_M
from simulators.machine.truth import Truth
from simulators.scenario.plant_source import PlantSource
from simulators.scenario.scenario import find_scenario
from tests.analysis.test_heights import MARK, path, reported
from tests.commands.test_commands import own_rig
from tests.support.recorded import by_hand, rules

ROOT = Path(__file__).parents[2]
LAND = ROOT / "config/rigs/land.toml"
Capture = pytest.CaptureFixture[str]


def say(capsys: Capture, *words: object) -> str:
    """Run `stopmark drum` where it must succeed; what it printed, which must fit on a terminal."""
    assert main(["drum", *(str(word) for word in words)]) == 0, capsys.readouterr().err
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    return out


def mistake(capsys: Capture, *words: object) -> str:
    assert main(["drum", *(str(word) for word in words)]) == 2
    reported = capsys.readouterr()
    assert "Traceback" not in reported.err
    assert reported.out == ""
    return " ".join(reported.err.split())


def flat(text: str) -> str:
    return " ".join(text.split())


def seen(*rows: str) -> list[str]:
    return [word for row in rows for word in ("--seen", row)]


# --- the table ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["land", "deep", "light"])
def test_the_table_is_the_drums_geometry(name: str, capsys: Capture) -> None:
    rig = find_rig(name)
    out = say(capsys, "table", "--rig", name)
    drum = DrumGeometry(
        rig.drum.core_diameter_m,
        rig.line.rope_diameter_m,
        rig.drum.wraps_per_layer,
        rig.drum.nesting,
        rig.drum.max_layers,
    )
    rows = [row.split() for row in out.splitlines() if re.match(r"\d +\d", row)]
    assert len(rows) == rig.drum.max_layers
    reference = rig.reference
    for k, row in enumerate(rows):
        begin, end = k * rig.drum.wraps_per_layer, (k + 1) * rig.drum.wraps_per_layer
        inside = begin + 0.5
        _, first, _, last, radius, _, full, _, rise, _, low, high, _ = row
        assert (float(first), float(last)) == (begin, end)
        assert float(radius) == pytest.approx(drum.radius_m(inside) * 1e3, abs=0.06)
        assert float(full) == pytest.approx(drum.line_m(end), abs=0.06)
        assert float(rise) == pytest.approx(drum.block_travel_per_turn_m(inside, rig.line.lines), abs=6e-5)
        for shown, wraps in ((low, begin), (high, end)):
            height = block_height_m(drum, wraps, reference.turns, reference.height_m, rig.line.lines)
            assert float(shown) == pytest.approx(height, abs=0.006)
    assert "above the" in out


def test_the_table_with_other_wraps_says_when_dead_wraps_are_missing(capsys: Capture) -> None:
    assert "14.6 wraps, layer 1, 11.6 above the 3 dead wraps" in flat(say(capsys, "table"))
    assert "2.6 wraps, layer 1, 0.4 TOO FEW for the 3 dead wraps" in flat(say(capsys, "table", "--wraps", 0))
    assert "THE DRUM IS FULL" in say(capsys, "table", "--wraps", 60)
    assert "takes 0 to 200" in mistake(capsys, "table", "--wraps", 300)


# --- heights by hand ------------------------------------------------------------------------------------------------------


def land_file(folder: Path, *pairs: str, more: str = "") -> Path:
    text = LAND.read_text()
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert old in text
        text = text.replace(old, new, 1)
    file = folder / "land.toml"
    file.write_text(text + more)
    return file


@pytest.fixture
def published(tmp_path: Path) -> Path:
    """The land rig of the published value: 36 wraps a layer, 4 wraps at the reference height, without stretch."""
    return land_file(
        tmp_path, "wraps_per_layer = 40", "wraps_per_layer = 36", "turns = 12.0", "turns = 4.0", "216000", "0"
    )


def test_the_straight_line_through_two_heights_is_1268_mm_wrong(published: Path, capsys: Capture) -> None:
    # Derived in tests/published/test_drum.py: start on wrap 4, 150 turns, 12 lines, 1.268 m too high at turn 68.
    drum = DrumGeometry(0.7112, 0.034925, 36)
    top = block_height_m(drum, 154.0, 4.0, 1.0, 12)
    out = say(capsys, "calibrate", "--rig", published, *seen("1m,0turns", f"{top:.4f}m,150turns"))
    reported = flat(out)
    assert "would be UNSAFE: up to 1.268 m (4.16 ft) too high: the block is lower than it says" in reported
    assert "72.0 wraps, 68.0 turns above the lowest" in reported
    for name in ("wraps at 1.00 m", "rope diameter, mm", "nesting"):
        assert re.search(rf"{name}.*NOT determined", out)
    assert out.count("# NOT determined by these heights") == 3
    assert "replaces no measurement, no manual and no licensed" in reported
    assert "read the encoder" in reported


def test_exact_heights_in_feet_and_counts_give_the_drum_back(published: Path, tmp_path: Path, capsys: Capture) -> None:
    truth = DrumGeometry(0.7112, 0.0345, 36, 0.89)
    rows = []
    for k in range(16):
        height = block_height_m(truth, 9.0 + 10 * k, 9.0, 1.0, 12)
        rows.append(f"{height / FOOT_M:.4f}ft,{(2**32 - 300_000 + 40_960 * k) % 2**32}counts,0kN")
    out = say(capsys, "calibrate", "--rig", published, "--doubt", "2mm", *seen(*rows))
    file = adopted(published, out, tmp_path)
    assert file.line.rope_diameter_m == pytest.approx(0.0345, abs=5e-5)
    assert file.drum.nesting == pytest.approx(0.89, abs=0.005)
    assert file.reference.turns == pytest.approx(9.0, abs=0.2)
    # The wraps at 1.00 m are a little off nine, and so is the count.
    assert (file.reference.counts["drum"] + 300_000 - 2**32) / 4096 == pytest.approx(0.0, abs=0.05)
    assert "NOT determined by" not in out
    # What is then in the file agrees with the heights.
    again = say(capsys, "calibrate", "--rig", tmp_path / "new.toml", "--doubt", "2mm", *seen(*rows))
    worst = re.search(r"read wrong by up to ([+-][\d.]+) m", flat(again))
    assert worst is not None
    assert abs(float(worst[1])) < 0.01
    count = re.search(r"own reference the file reads ([+-][\d.]+) m", flat(again))
    assert count is not None
    assert abs(float(count[1])) < 0.01


def adopted(file: Path, out: str, folder: Path) -> Rig:
    """The rig file with the printed lines put in, as ``new.toml``."""
    text = file.read_text()
    for name in ("rope_diameter_m", "nesting", "turns", "counts"):
        line = re.search(rf"(?m)^  ({name} = .*)$", out)
        assert line is not None, name
        text, count = re.subn(rf"(?m)^{name} = .*$", line[1], text, count=1)
        assert count == 1
    new = folder / "new.toml"
    new.write_text(text)
    return load_rig(new)


def test_unequal_loads_are_corrected_and_said(tmp_path: Path, capsys: Capture) -> None:
    """Heights of the drum as in the file, each lowered by the stretch of its load: nothing is found wrong."""
    rig = find_rig("land")
    drum = DrumGeometry(0.7112, 0.034925, 40, 0.866, 5)
    curve = HeightMap(drum, 12.0, 1.0, 12)
    flex = 1.0 / (12 * rig.line.axial_stiffness_n)
    tail = 42.0 + 92.0 / 12
    rows = []
    for k in range(14):
        unloaded = curve.height(12.0 + 11.5 * k) + 216e3 * flex * (tail - 1.0)
        load = 216e3 if k % 2 else 1.6e6
        height = (unloaded - load * flex * tail) / (1.0 - load * flex)
        rows.append(f"{height:.4f}m,{11.5 * k}turns,{load / 1e3}kN")
    reported = flat(say(capsys, "calibrate", "--rig", "land", *seen(*rows)))
    assert "HOOK LOADS DIFFER by up to 1384 kN, which is" in reported
    worst = re.search(r"read wrong by up to ([+-][\d.]+) m", reported)
    assert worst is not None
    assert abs(float(worst[1])) < 0.002
    assert "0 mm all together" in reported

    bare = [row.rpartition(",")[0] for row in rows]
    reported = flat(say(capsys, "calibrate", "--rig", "land", *seen(*bare)))
    assert "no hook loads: 216 kN, the rig file's, is taken for all of them" in reported
    assert "0 mm all together" not in reported


def test_a_height_that_does_not_fit_is_pointed_at(published: Path, capsys: Capture) -> None:
    drum = DrumGeometry(0.7112, 0.034925, 36)
    rows = [f"{block_height_m(drum, 4.0 + 10 * k, 4.0, 1.0, 12) + (0.5 if k == 7 else 0.0):.3f}m,{10 * k}turns"
            for k in range(15)]  # fmt: skip
    out = say(capsys, "calibrate", "--rig", published, *seen(*rows))
    odd = [line for line in out.splitlines() if line.endswith(" !")]
    assert any(re.search(r" 70\.00 ", line) for line in odd)
    assert "! does not fit the others" in flat(out)


def test_a_drum_far_from_its_file_is_doubted(published: Path, capsys: Capture) -> None:
    other = DrumGeometry(0.7112, 0.034925, 36)
    rows = [f"{block_height_m(other, 30.0 + 10 * k, 30.0, 1.0, 12):.3f}m,{10 * k}turns" for k in range(15)]
    assert "FAR FROM THE RIG FILE: wraps." in flat(say(capsys, "calibrate", "--rig", published, *seen(*rows)))


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--rig", "land"], "give sessions, or heights by hand"),
        (seen("1m,0turns", "30m,100turns"), "--seen needs the rig"),
        (["--rig", "land", *seen("1m,0turns")], "one height was seen (1.00 m), and it takes at least two with metres"),
        (["--rig", "land", *seen("1m,0turns", "1.1m,0.5turns", "1.05m,0.2turns")], "all 3 heights (1.00 to 1.10 m) lie within"),
        (["--rig", "land", *seen("1m,100turns", "30m,0turns")], "falls from 30.00 to 1.00 m while the drum takes in 100.0"),
        (["--rig", "land", *seen("1m,0turns", "36m,100turns")], "0.350 m a turn from 1.00 to 36.00 m, and this drum with 12"),
        (["--rig", "land", *seen("1m,0turns", "30m,5000000counts")], "turns with every height, or counts with every"),
        (["--rig", "land", *seen("1m,0turns,20t", "30m,100turns")], "the hook load with every height, or with none"),
        (["--rig", "land", *seen("1m,-5counts", "30m,9counts")], "counts go from 0 to 4294967295"),
        (["--rig", "land", "--encoder", "x", *seen("1m,0counts", "30m,9counts")], "--encoder x: rig land has drum"),
        (["--rig", "land", "--doubt", "0m", *seen("1m,0turns", "30m,9turns")], "--doubt: must be above 0"),
        (["--rig", "land", "--from", "+3", *seen("1m,0turns", "30m,9turns")], "--from and --to choose a part of sessions"),
        (["--rig", "nowhere", *seen("1m,0turns", "30m,9turns")], "no rig is called 'nowhere'"),
        (["missing.stopmark"], "missing.stopmark: no such session"),
    ],
)  # fmt: skip
def test_what_cannot_calibrate_is_one_clear_sentence(words: list[str], expected: str, capsys: Capture) -> None:
    assert expected in mistake(capsys, "calibrate", *words)


@pytest.mark.parametrize(
    "row", ["1m", "1m,0", "1,0turns", "1m,0turns,20", "1m,0turns,2t,3", "xm,0turns", "1m,nanturns"]
)
def test_a_height_that_cannot_be_read_says_how_to_write_it(row: str, capsys: Capture) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["drum", "calibrate", "--rig", "land", "--seen", row])
    assert ended.value.code == 2
    assert "as " in capsys.readouterr().err


def test_a_rig_without_a_drum_encoder_takes_turns_by_hand_only(tmp_path: Path, capsys: Capture) -> None:
    rig = own_rig(tmp_path)
    reported = mistake(capsys, "calibrate", "--rig", rig, *seen("1m,0counts", "30m,9counts"))
    assert "has no drum encoder (drum_counts)" in reported
    assert "--seen 20.5m,76.4turns" in reported
    assert "wraps at" in say(capsys, "calibrate", "--rig", rig, *seen("1m,0turns", "36m,155turns"))


def test_a_short_counter_cannot_be_given_in_counts(tmp_path: Path, capsys: Capture) -> None:
    file = land_file(
        tmp_path, "bits = 32", "bits = 16", "[0, 4294967295]", "[0, 65535]", "drum = 1000000", "drum = 1000"
    )
    reported = mistake(capsys, "calibrate", "--rig", file, *seen("1m,0counts", "30m,900counts"))
    assert "run over within the travel: give turns" in reported


# --- from sessions ------------------------------------------------------------------------------------------------------


WRAPS = 16.5
MARKS = MARK + MARK.replace("mark-10", "mark-22").replace("height_m = 10.0", "height_m = 22.0")


def simulated(folder: Path, seed: int, stop_after: int = 99) -> tuple[Path, Truth]:
    """The land rig with two height marks; its string is let down from the top, and at each stop the crew gives the height
    to a centimetre or so. The machine differs from the file in rope, nesting, stiffness, and wraps."""
    rig = load_rig(land_file(folder, more=MARKS))
    truth = replace(Truth.from_rig(rig, f"drum:{seed}"), reference_turns=WRAPS)
    plan = find_scenario("brake-test")
    work = plan.work.model_copy(update={"start_m": 36.5, "settings": {"string_n": 600000.0, "stops": 14.0}})
    source = PlantSource(rig, plan.model_copy(update={"work": work}), seed=seed, duration_s=260.0, truth=truth)
    crew = random.Random(seed)
    session = folder / f"land-{seed}.stopmark"
    given, still, last_m = 0, 0, 99.0
    with Recorder(session, header_of(rig, rules(), "SIMULATED", source.origin_ns), wait=True) as recorder:
        for now_ns, items in source.ticks():
            for item in items:
                assert isinstance(item, Frame)
                recorder.frame(item)
            plant = source.plant
            still = still + 1 if abs(plant.speed_m_s) < 1e-3 else 0
            if still > 250 and abs(plant.height_m - last_m) > 1.0 and given < stop_after:
                last_m = plant.height_m
                given += 1
                height = last_m + crew.gauss(0.0, 0.01)
                recorder.action(Action(now_ns, ActionKind.REFERENCE_HEIGHT, number=height, who="ab"))
        recorder.advanced(source.end_ns)
        assert recorder.flush(60.0)
    return session, truth


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_session_tells_the_true_drum_within_the_stated_errors(seed: int, tmp_path: Path, capsys: Capture) -> None:
    session, truth = simulated(tmp_path, seed)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    out = say(capsys, "calibrate", session, "--doubt", "1cm")
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert "SIMULATED" in out
    assert len(re.findall(r"reference by ab", out)) >= 12
    assert "mark mark-10, passed 1 down" in out
    assert "mark mark-22, passed 1 down" in out
    # All at much the same load, but three times that of the rig file's reference.
    assert "HOOK LOADS DIFFER" not in out
    assert "the line's stretch against the 216 kN of the rig file's reference" in flat(out)

    planted = {
        "wraps at 1.00 m": WRAPS,
        "rope diameter, mm": truth.rope_diameter_m * 1e3,
        "rope diameter, in": truth.rope_diameter_m / 0.0254,
        "nesting": truth.nesting,
    }
    for name, value in planted.items():
        row = re.search(rf"{name}.*?\)? +([\d.]+) +([\d.]+) +[\d.]+ +±", out)
        assert row is not None, name
        assert abs(float(row[1]) - value) < 3.0 * float(row[2]), (name, row[0], value)
    assert re.search(r"wraps at 1.00 m.* determined", out)

    # The file with these lines follows the true drum where the present one is far off.
    new = adopted(tmp_path / "land.toml", out, tmp_path)
    true = DrumGeometry(0.7112, truth.rope_diameter_m, 40, truth.nesting, 5)
    fitted = DrumGeometry(0.7112, new.line.rope_diameter_m, 40, new.drum.nesting, 5)
    present = DrumGeometry(0.7112, 0.034925, 40, 0.866, 5)

    def worst(drum: DrumGeometry, wraps: float) -> float:
        return max(
            abs(block_height_m(drum, wraps + t, wraps, 1.0, 12) - block_height_m(true, WRAPS + t, WRAPS, 1.0, 12))
            for t in range(0, 160, 2)
        )

    assert worst(fitted, new.reference.turns) < 0.04
    assert worst(present, 12.0) > 0.12
    assert "UNSAFE" in out


def test_sessions_that_show_too_little_say_what_they_showed(tmp_path: Path, capsys: Capture) -> None:
    session, _ = simulated(tmp_path, 4, stop_after=0)
    assert "no height was seen, and it takes at least two" in mistake(capsys, "calibrate", session, "--to", "+20")
    assert "give the file of the same rig" in mistake(capsys, "calibrate", session, "--rig", "deep")
    # The two marks alone are two heights.
    assert "NOT determined" in say(capsys, "calibrate", session)


def test_a_cut_and_slip_begins_a_new_set(tmp_path: Path, capsys: Capture) -> None:
    drum = DrumGeometry(0.7112, 0.034925, 40, 0.866, 5)
    places = [(0.0, 0.0), (6.0, 0.0), (30.0, 50.0), (46.0, 50.0), (70.0, 100.0), (76.0, 100.0)]

    def reference(seconds: float, wraps: float, start: float) -> Action:
        return reported(seconds, round(block_height_m(drum, wraps, start, 1.0, 12), 3))

    items: list[Frame | Action] = [
        *path(places),
        reference(5.0, 12.0, 12.0),
        reference(36.0, 62.0, 12.0),
        reported(38.0, 18.0, ActionKind.SLIP_AND_CUT),
        reference(45.0, 68.0, 18.0),
    ]
    session = by_hand(tmp_path / "one.stopmark", sorted(items, key=lambda item: item.t_ns))
    out = say(capsys, "calibrate", session)
    before, mark, after = flat(out).partition(
        "NEW SET from 2026-01-01 00:00:38: cut and slip, 18 wraps at the reference"
    )
    assert mark
    assert "no lines for the rig file from this set" in before
    assert "one height was seen" in after
    assert "turns = " not in out

    items.append(reference(75.0, 118.0, 18.0))
    session = by_hand(tmp_path / "two.stopmark", sorted(items, key=lambda item: item.t_ns))
    out = say(capsys, "calibrate", session)
    before, _, after = out.partition("NEW SET")
    assert "rope_diameter_m" not in before
    assert re.search(r"wraps at 1.00 m \(3.3 ft\) +1[0-4]\.\d\d .* 12.00", before)
    assert re.search(r"wraps at 1.00 m \(3.3 ft\) +1[6-9]\.\d\d .* 18.00", after)
    assert "by the count of its own reference" in before
    assert "by the count of its own reference" not in after
    assert "SIMULATED" not in out


def test_words_of_a_strangers_session_cannot_move_the_cursor(tmp_path: Path, capsys: Capture) -> None:
    who = "\x1b[2J\n" + "x" * 200
    items = [*path([(0.0, 0.0), (6.0, 0.0), (30.0, 50.0), (36.0, 50.0)])]
    crew = [replace(reported(seconds, height), who=who) for seconds, height in ((5.0, 1.0), (35.0, 11.5))]
    session = by_hand(tmp_path / "odd.stopmark", sorted([*items, *crew], key=lambda item: item.t_ns))
    assert "\x1b" not in say(capsys, "calibrate", session)


def test_the_command_is_imported_without_the_heavy_libraries() -> None:
    code = (
        "import sys; from monitor.cli import main; import monitor.commands.drum, monitor.commands.watch\n"
        "print([name for name in ('numpy', 'scipy') if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
