"""The page: well formed, alone in one file, harmless whatever a session holds, honest about what is missing."""

import sqlite3
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.sessions.chain import SessionChain
from monitor.analysis.recording import Recording, collect
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.stream import Action, ActionKind, Frame
from monitor.report.html import table, text
from monitor.report.page import SECTIONS, make_report
from monitor.report.plots import Chart, Curve, Panel, band, ticks, time_ticks
from tests.support.recorded import START_NS, by_hand, reading

VOID = {"meta", "link", "br", "img", "hr", "input"}
S = 1_000_000_000


class Page(HTMLParser):
    """Checks that every tag is closed in turn, and gathers what a reader sees."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(source)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words += data + " "


def report_of(*paths: Path, units: Any = None) -> str:
    with SessionChain(paths) as chain:
        return make_report(collect(chain), units)


def drum_and_load(count: int, load_kn: float = 500.0) -> list[Frame | Action]:
    """A block at rest: drum and load readings at 20 Hz."""
    items: list[Frame | Action] = []
    for i in range(count):
        t_ns = START_NS + i * 50_000_000
        items += [reading(t_ns, "drum", 1_000_000 + 20_000, seq=i), reading(t_ns, "hook-load", load_kn)]
    return items


def test_the_page_stands_alone_and_is_well_formed(crown_rec: Recording) -> None:
    source = make_report(crown_rec)
    page = Page(source)
    assert {tag for tag, _ in page.tags}.isdisjoint({"script", "img", "link", "iframe", "object", "embed", "form"})
    for tag, attributes in page.tags:
        assert not {name for name in attributes if name.startswith("on")}, tag
        assert "src" not in attributes
        assert (attributes.get("href") or "#").startswith("#")
    assert "url(" not in source
    assert "http:" not in source
    assert "https:" not in source
    anchors = {attributes["id"] for tag, attributes in page.tags if tag == "section"}
    assert anchors == {section.anchor for section in SECTIONS}


def test_the_page_says_what_happened(crown_rec: Recording) -> None:
    words = Page(make_report(crown_rec, "si")).words
    for expected in ("Will cross: upper limit", "DANGER", "block height, m", "1 stop, 1 of them with the full brake",
                     "Overtravel function test", "least design factor", "drum encoder", "ANSI/ISA-18.2"):  # fmt: skip
        assert expected in words


def test_units_are_the_rigs_unless_told(crown_rec: Recording) -> None:
    assert "block height, ft" in make_report(crown_rec)
    assert "block height, m" in make_report(crown_rec, "si")


EVIL = "<script>alert('x')</script>&\"\x1b[31m"


def test_nothing_from_a_session_becomes_markup(tmp_path: Path) -> None:
    def poison(config: dict[str, Any]) -> None:
        config["title"] = EVIL.replace("\x1b", "")
        config["braking"]["ratio_origin"] = EVIL.replace("\x1b", "")

    said = [
        Finding(START_NS + S, "alarm", EVIL, Severity.DANGER, "", AlarmState.UNACKNOWLEDGED, EVIL, EVIL, 1.0, 2.0),
        Finding(START_NS + S, "instrument", f"verdict:{EVIL}", Severity.NOTICE, "", EVIL, EVIL),
        Finding(START_NS + S, "check", EVIL, Severity.NOTICE, "", "pass", EVIL),
    ]
    items = [*drum_and_load(60), Action(START_NS + 4 * S, ActionKind.NOTE, text=EVIL, who=EVIL)]
    source = report_of(by_hand(tmp_path / "evil.stopmark", items, poison, said))
    page = Page(source)
    assert not [tag for tag, _ in page.tags if tag == "script"]
    assert "&lt;script&gt;alert(&#x27;x&#x27;)" in source
    assert "\x1b" not in source
    assert source.count("<script") == 0


@given(st.text())
def test_text_is_escaped_and_reads_as_it_was(words: str) -> None:
    escaped = text(words)
    assert "<" not in escaped
    assert Page(f"<p>{escaped}</p>").words.rstrip() == "".join(c if c.isprintable() else " " for c in words).rstrip()


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    words = Page(report_of(by_hand(tmp_path / "quiet.stopmark", drum_and_load(100)))).words
    assert "not known in this record" in words  # no pressure reading came
    assert "No descent of 9.8 ft or more" in words
    assert "The string was not set in slips" in words

    def blind(config: dict[str, Any]) -> None:
        config["sensors"] = [s for s in config["sensors"] if s["quantity"] in ("drum_counts", "hook_load")]

    words = Page(report_of(by_hand(tmp_path / "blind.stopmark", drum_and_load(100), blind))).words
    assert "brake pressure is not measured" in words
    assert "overtravel device is not connected" in words
    assert "cannot be run" in words


def test_gaps_and_a_new_beginning_are_said(tmp_path: Path) -> None:
    first = drum_and_load(60)
    later = [Frame(f.t_ns + 2400 * S, f.topic, f.payload) for f in drum_and_load(60) if isinstance(f, Frame)]
    words = Page(report_of(by_hand(tmp_path / "gap.stopmark", [*first, *later]))).words
    assert "1 gap without readings, the longest 40 min" in words
    assert "1 silence of more than half an hour: what was under way before was let go" in words


def test_several_sessions_are_one_report(tmp_path: Path) -> None:
    one = by_hand(tmp_path / "one.stopmark", drum_and_load(100))
    shifted = [Frame(f.t_ns + 8 * S, f.topic, f.payload) for f in drum_and_load(100) if isinstance(f, Frame)]
    two = by_hand(tmp_path / "two.stopmark", shifted)
    with SessionChain([two, one]) as chain:
        recording = collect(chain)
    assert recording.frames == 400
    assert recording.start_ns == START_NS
    assert np.all(np.diff(recording.t_ns) == 50_000_000)


def test_a_part_knows_of_the_height_reference_before_it(tmp_path: Path) -> None:
    items = drum_and_load(4000)  # 200 s
    items.insert(400, Action(items[400].t_ns, ActionKind.REFERENCE_HEIGHT, number=7.0, who="ab"))
    with SessionChain([by_hand(tmp_path / "set.stopmark", items)]) as chain:
        whole = collect(chain)
        part = collect(chain, from_ns=START_NS + 150 * S)
    assert part.start_ns == START_NS + 150 * S
    assert part.t_ns[0] >= part.start_ns
    assert part["height"][-1] == pytest.approx(7.0, abs=0.1)
    assert part["height"][-1] == pytest.approx(whole["height"][-1], abs=0.02)
    assert whole["height"][100] != pytest.approx(7.0, abs=0.1)


# --- plots ----------------------------------------------------------------------------------------------------------


@given(st.lists(st.floats(-1e6, 1e6, width=32) | st.just(float("nan")), min_size=1, max_size=4000))
def test_a_band_keeps_every_peak(numbers: list[float]) -> None:
    array = np.array(numbers, dtype=np.float32)
    low, high = band(array)
    assert len(low) <= 900
    if np.isfinite(array).any():
        assert np.nanmin(low) == np.nanmin(array)
        assert np.nanmax(high) == np.nanmax(array)
    else:
        assert not np.isfinite(low).any()


@given(st.floats(-1e9, 1e9), st.floats(1e-3, 1e9))
def test_ticks_are_few_and_within(low: float, width: float) -> None:
    found = ticks(low, low + width)
    assert len(found) <= 8
    assert all(low - 1e-6 * width <= tick <= low + width * (1 + 1e-6) for tick in found)


@given(st.integers(0, 2_000_000_000), st.integers(1, 10**7))
def test_time_ticks_are_few_and_within(start_s: int, length_s: int) -> None:
    found = time_ticks(start_s * S, (start_s + length_s) * S)
    assert len(found) <= 12
    assert all(start_s * S <= t_ns <= (start_s + length_s) * S for t_ns, _ in found)


@pytest.mark.parametrize("numbers", [[], [1.0], [float("nan")] * 5, [0.0] * 5, [float("nan"), 2.0, float("nan")]])
def test_any_curve_can_be_drawn(numbers: list[float]) -> None:
    chart = Chart(0, 10 * S)
    chart.panel(Panel("x", [Curve("x", np.array(numbers, dtype=np.float32))]))
    assert "nan" not in Page(f"<div>{chart.svg('x')}</div>").words
    assert "nan" not in chart.svg("x")


def test_a_table_escapes_its_cells() -> None:
    assert "<b>" not in table(("<head <b>",), [("<b>",)])


def test_a_file_that_claims_to_go_on_for_ages_is_reported_as_far_as_it_goes(tmp_path: Path) -> None:
    path = by_hand(tmp_path / "ages.stopmark", drum_and_load(60))
    with sqlite3.connect(path) as base:
        base.execute("UPDATE block SET advanced_ns = 4611686018427387904 WHERE id = (SELECT max(id) FROM block)")
        base.execute(
            "INSERT INTO finding VALUES (NULL, -5, 'alarm', 'x', 'DANGER', '', 'unacknowledged', 'y', '', 'nan', 1e300)"
        )
    base.close()
    page = Page(report_of(path))
    assert "min" in page.words
