"""Heights that sessions show: what counts as one, with which turns and load, and what begins a new set."""

import math
import tempfile
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.analysis.heights import HeightSet, heights_of
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig, load_rig
from monitor.model.stream import Action, ActionKind, Frame
from tests.support.recorded import START_NS, reading

ROOT = Path(__file__).parent.parent.parent
STEP_NS = 50_000_000
LAND = find_rig("land")
PER_TURN = 4096
MARK = """
[[sensors]]
id = "mark-10"
quantity = "height_mark"
unit = "switch"
value = "/value"
time = "/t"
rate_hz = 20
stale_after_s = 2.0
range = [0, 1]
sigma = 0
height_m = 10.0
"""


def at(seconds: float) -> int:
    return START_NS + round(seconds * 1e9)


def counted(seconds: float, counts: int) -> Frame:
    return reading(at(seconds), "drum", counts, seq=round(seconds * 1000))


def path(
    places: Sequence[tuple[float, float]], load_kn: float = 300.0, zero: int = 1_000_000, bits: int = 32
) -> Iterator[Frame]:
    """Readings of drum and load along (seconds, turns), straight between."""
    for (t0, turns0), (t1, turns1) in pairwise(places):
        for k in range(round((t1 - t0) * 20)):
            turns = turns0 + (turns1 - turns0) * k / ((t1 - t0) * 20)
            yield counted(t0 + k / 20, (zero + round(turns * PER_TURN)) % 2**bits)
            yield reading(at(t0 + k / 20), "hook-load", load_kn)


def reported(seconds: float, height_m: float, kind: ActionKind = ActionKind.REFERENCE_HEIGHT) -> Action:
    return Action(at(seconds), kind, number=height_m, who="ab")


def found(items: Sequence[Frame | Action], rig: Rig = LAND) -> list[HeightSet]:
    encoder = rig.sensor_of("drum_counts")
    assert encoder is not None
    return heights_of(sorted(items, key=lambda item: item.t_ns), rig, encoder, 0.02)


UP = [(0.0, 0.0), (5.0, 0.0), (25.0, 40.0), (32.0, 40.0)]


def test_a_reference_comes_with_the_turns_and_the_load_of_that_moment() -> None:
    (only,) = found([*path(UP), reported(4.0, 1.0), reported(31.0, 9.3)])
    assert [row.height_m for row in only.heights] == [1.0, 9.3]
    assert only.heights[1].turns - only.heights[0].turns == pytest.approx(40.0, abs=1e-3)
    assert [row.load_n for row in only.heights] == pytest.approx([300e3, 300e3])
    assert not only.left_out
    assert only.as_configured
    assert only.wraps_at_reference == 12.0


@pytest.mark.parametrize(
    ("items", "words"),
    [
        ([*path(UP), reported(15.0, 5.0)], "the block moved (0.39 m/s)"),
        ([*path(UP, load_kn=20.0), reported(4.0, 1.0)], "the line was slack (20 kN)"),
        ([*path(UP), reported(40.0, 9.3)], "no counts of the drum then"),
        ([*(item for item in path(UP) if item.topic.endswith("drum")), reported(4.0, 1.0)], "hook load not known"),
        ([*path(UP), reported(3.0, 1.5), reported(4.5, 1.0)], "1.50 m: given again at the same place"),
    ],
)
def test_what_is_no_height_is_left_out_and_said(items: list[Frame | Action], words: str) -> None:
    (only,) = found(items)
    assert len(only.left_out) == 1
    assert words in only.left_out[0]
    assert [row.height_m for row in only.heights] == ([1.0] if "again" in words else [])


def test_a_dead_line_weighs_the_hook_by_the_last_direction() -> None:
    rig = load_land_with('quantity = "hook_load"', 'quantity = "dead_line_tension"')
    down = [(40.0, 40.0), (60.0, 0.0), (66.0, 0.0)]
    (only,) = found([*path([*UP, *down], load_kn=25.0), reported(31.0, 9.3), reported(65.0, 1.0)], rig)
    low, high = only.heights
    # Lowering, the dead line is the tightest of the twelve; hoisting, the slackest (API RP 9B convention).
    slack = 12 * 0.04 / (1.04**12 - 1)
    assert high.load_n == pytest.approx(25e3 * 12 / slack)
    assert low.load_n == pytest.approx(25e3 * 12 / (slack * 1.04**11))


def test_a_height_beyond_the_mast_is_none() -> None:
    (only,) = found([*path(UP), reported(4.0, 50.0)])
    assert not only.heights
    assert not only.left_out


def test_a_cut_begins_a_new_set_with_the_wraps_that_the_crew_gave() -> None:
    items: list[Frame | Action] = [
        *path(UP),
        reported(4.0, 1.0),
        reported(10.0, 18.0, ActionKind.SLIP_AND_CUT),
        reported(31.0, 9.3),
    ]
    before, after = found(items)
    assert [row.height_m for row in before.heights] == [1.0]
    assert [row.height_m for row in after.heights] == [9.3]
    assert after.wraps_at_reference == 18.0
    assert not after.as_configured
    assert "cut and slip, 18 wraps" in after.begin


def test_a_spike_is_passed_over_and_counts_that_stay_elsewhere_begin_a_new_set() -> None:
    spike = counted(10.02, 1_000_000 + 300 * PER_TURN)
    items: list[Frame | Action] = [*path(UP), spike, reported(4.0, 1.0), reported(31.0, 9.3)]
    (only,) = found(items)
    assert only.heights[1].turns - only.heights[0].turns == pytest.approx(40.0, abs=1e-3)

    later = path([(32.0, 0.0), (40.0, 0.0)], zero=5_000)
    before, after = found([*path(UP), *later, reported(4.0, 1.0), reported(31.0, 9.3), reported(38.0, 9.3)])
    assert len(before.heights) == 2
    assert len(after.heights) == 1
    assert "the counts jumped by" in after.begin


def test_a_counter_that_runs_over_is_followed() -> None:
    (only,) = found([*path(UP, zero=2**32 - 20 * PER_TURN), reported(4.0, 1.0), reported(31.0, 9.3)])
    assert only.heights[1].turns - only.heights[0].turns == pytest.approx(40.0, abs=1e-3)


def test_a_short_counter_is_not_trusted_over_a_gap() -> None:
    small = load_land_with("bits = 32", "bits = 16", "range = [0, 4294967295]", "range = [0, 65535]")
    frames = [*path([(0.0, 0.0), (8.0, 0.0)], bits=16), *path([(20.0, 3.0), (28.0, 3.0)], bits=16)]
    before, after = found([*frames, reported(4.0, 1.0), reported(27.0, 1.6)], small)
    assert (len(before.heights), len(after.heights)) == (1, 1)
    assert "may have run over" in after.begin


def load_land_with(*pairs: str, more: str = "") -> Rig:
    text = (ROOT / "config/rigs/land.toml").read_text()
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert old in text
        text = text.replace(old, new, 1)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "land.toml"
        file.write_text(text + more)
        return load_rig(file)


def marked(
    places: Sequence[tuple[float, float]], switch_at: float, delay_s: float = 0.0, load_kn: float = 300.0
) -> Iterator[Frame]:
    """Drum and load along `places`, and a mark at `switch_at` turns whose switch acts `delay_s` late."""
    for frame in path(places, load_kn):
        yield frame
        if frame.topic.endswith("drum"):
            seconds = (frame.t_ns - START_NS) * 1e-9
            yield reading(frame.t_ns, "mark-10", int(place(places, max(0.0, seconds - delay_s)) > switch_at))


def place(places: Sequence[tuple[float, float]], seconds: float) -> float:
    for (t0, turns0), (t1, turns1) in pairwise(places):
        if t0 <= seconds <= t1:
            return turns0 + (turns1 - turns0) * (seconds - t0) / (t1 - t0)
    return places[-1][1]


PAST = [(0.0, 30.0), (3.0, 30.0), (23.0, 60.0), (26.0, 60.0)]
BACK = [(26.0, 60.0), (46.0, 30.0), (50.0, 30.0)]
ZERO_TURNS = 1_000_000 / PER_TURN


def test_a_mark_passed_both_ways_is_one_height_and_its_delay_cancels() -> None:
    rig = load_land_with(more=MARK)
    (only,) = found([*marked([*PAST, *BACK[1:]], 45.01, delay_s=0.15)], rig)
    (both,) = only.heights
    assert both.height_m == 10.0
    assert both.words == "mark mark-10, passed 1 up, 1 down"
    assert both.load_n == pytest.approx(300e3)
    assert both.turns - ZERO_TURNS == pytest.approx(45.01, abs=0.08)

    (only,) = found([*marked(PAST, 45.01, delay_s=0.15)], rig)
    (up,) = only.heights
    assert up.words == "mark mark-10, passed 1 up"
    assert up.turns - ZERO_TURNS == pytest.approx(45.01 + 0.15 * 1.5, abs=0.08)
    assert up.sigma_m > both.sigma_m


def test_passages_of_a_mark_under_different_loads_are_brought_to_one() -> None:
    """More load stretches the line, so the mark comes that much of a turn later; undone, the two agree."""
    rig = load_land_with(more=MARK)
    heavy_kn, light_kn = 1300.0, 300.0
    flex = 1.0 / (rig.line.lines * rig.line.axial_stiffness_n)
    tail = rig.mast.crown_m + (rig.line.fast_line_m + rig.line.dead_line_m) / rig.line.lines
    rise = math.pi * (0.7112 + 0.034925 + 2 * 0.866 * 0.034925) / 12  # layer 2
    later = (heavy_kn - light_kn) * 1e3 * flex * (tail - 10.0) / rise
    assert later > 0.2
    up, down = [(0.0, 44.0), (20.0, 47.0)], [(20.0, 47.0), (40.0, 44.0)]
    again = [(40.0, 44.0), (60.0, 47.0), (61.0, 47.0)]
    (row,) = found(
        [
            *marked(up, 45.0, load_kn=light_kn),
            *marked(down, 45.0 + later, load_kn=heavy_kn),
            *marked(again, 45.0, load_kn=light_kn),
        ],
        rig,
    )[0].heights
    assert row.words == "mark mark-10, passed 2 up, 1 down"
    assert row.load_n == pytest.approx((2 * light_kn + heavy_kn) / 3 * 1e3)
    # At the mean load, a third of the way; the mean of up and down as they were would be half of it.
    assert row.turns - ZERO_TURNS == pytest.approx(45.0 + later / 3, abs=0.012)
