"""The overview as it is drawn: what stands on top, what is known and what is not, at every size."""

import re
import time
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.config.fleet_file import RigPlace
from monitor.fleet.rigs.bell import RigsBell, ringing
from monitor.fleet.rigs.overview import Overview, Shown, draw_overview, shown, status_words
from monitor.fleet.rigs.row import RigRow, row_of
from monitor.fleet.rigs.supervisor import QUIET_S, Watched
from monitor.fleet.rigs.wire import Report
from monitor.model.alarm import AlarmState, Severity
from monitor.model.snapshot import Snapshot
from monitor.presentation.format import Units
from monitor.ui.drawing.canvas import Canvas
from monitor.ui.drawing.theme import FILL_ROLE, SHAPE
from monitor.ui.page import SMALLEST
from tests.language.catalogues import language, veiled
from tests.ui import sample

SIZES = [(80, 24), (120, 40), SMALLEST, (200, 50)]


def rig(name: str, snap: Snapshot | None, **changes: object) -> Shown:
    return Shown(name, None if snap is None else row_of(sample.rig(), snap), **changes)  # type: ignore[arg-type]


def fleet() -> list[Shown]:
    return [
        rig("calm", sample.calm()),
        rig("blind", sample.height_unknown()),
        rig("danger", sample.danger()),
        rig("warned", sample.warning()),
        rig("bare", sample.bare()),
        rig("dead", None, problem="its process was killed (SIGKILL); tried again in 2 s"),
        rig("starting", None, starting=True),
    ]


def drawn(rigs: list[Shown], size: tuple[int, int], units: Units | None = None, chosen: str = "") -> Canvas:
    return draw_overview(Overview(rigs, "LIVE", units or Units("si"), sample.T0_NS, chosen), *size)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("system", ["si", "metric", "field"])
def test_worst_stands_on_top_and_no_figure_is_cut(size: tuple[int, int], system: str) -> None:
    canvas = drawn(fleet(), size, Units(system))  # type: ignore[arg-type]
    assert canvas.places[0] == "dead"
    assert canvas.places.index("danger") < canvas.places.index("warned") < canvas.places.index("starting")
    assert canvas.places[-1] == "calm"
    assert not canvas.cut
    text = canvas.text()
    assert "ADVISORY ONLY" in text
    assert "1 NOT WATCHED" in text
    for name in canvas.places:
        assert name in text


@pytest.mark.parametrize("size", SIZES)
def test_what_is_not_known_is_words(size: tuple[int, int]) -> None:
    for one in (rig("x", sample.height_unknown()), rig("x", None, problem="gone"), rig("x", None, starting=True)):
        line = next(line for line in drawn([one], size).text().splitlines()[5:] if "x" in line[:3])
        assert "unknown" in line
    lines = drawn([rig("x", None, problem="gone")], size).text().splitlines()
    assert not any(char.isdigit() for char in next(line for line in lines[5:] if line[1:2] == "x"))


def test_a_severity_looks_as_on_the_other_screens() -> None:
    canvas = drawn(fleet(), (120, 40))
    for name, severity in (("danger", Severity.DANGER), ("warned", Severity.WARNING), ("dead", Severity.DANGER)):
        y = next(y for y, row in enumerate(canvas.chars) if "".join(row)[1:].startswith(name) and y > 5)
        x = "".join(canvas.chars[y]).index(SHAPE[severity])
        assert canvas.roles[y][x] == FILL_ROLE[severity]
        assert severity.name in "".join(canvas.chars[y])


def test_the_banner_names_the_rig_and_what_to_look_at() -> None:
    snap = sample.warning()
    canvas = drawn([rig("north", snap), rig("south", sample.calm())], (120, 40))
    lines = canvas.text().splitlines()
    assert f"north: {snap.alarms[0].message}" in lines[1]
    assert snap.alarms[0].guidance[:30] in lines[2]
    assert "No alarm on any rig" in drawn([rig("south", sample.calm())], (80, 24)).text()


def test_no_alarm_is_not_said_of_what_nobody_can_see() -> None:
    blind = replace(
        sample.calm(), blind_rules=4, sensors=sample.sensors(sample.rig(), silent=(sample.rig().sensors[0].id,))
    )
    canvas = drawn([rig("north", blind), rig("south", sample.calm())], (80, 24))
    assert "No alarm on any rig" not in canvas.text()
    assert status_words(rig("north", blind))[1] is Severity.WARNING


def test_with_more_rigs_than_rows_the_chosen_one_is_seen() -> None:
    many = [rig(f"rig-{number:02}", sample.calm()) for number in range(50)]
    for name in ("rig-00", "rig-25", "rig-49"):
        text = drawn(many, (80, 24), chosen=name).text()
        assert f"›{name}" in text
    assert "more ↓" in drawn(many, (80, 24), chosen="rig-00").text()


def test_a_window_too_small_still_names_the_worst() -> None:
    first = drawn(fleet(), (40, 8)).text().splitlines()[0]
    assert "DANGER dead" in first


def test_a_row_goes_over_the_wire_as_it_is() -> None:
    for snap in (sample.calm(), sample.danger(), sample.height_unknown(), sample.bare(), None):
        row = row_of(sample.rig(), snap)
        again = Report.model_validate_json(Report(row=row).line()).row
        assert repr(again) == repr(row)


def test_what_was_said_too_long_ago_counts_no_more() -> None:
    now_s = time.monotonic()
    watched = Watched(RigPlace("land"), "land", row_of(sample.rig(), sample.calm()), now_s - 1.0)
    assert shown(watched, now_s).row is not None
    watched.row_s = now_s - QUIET_S - 0.1
    late = shown(watched, now_s)
    assert late.row is None
    assert late.severity is Severity.DANGER
    assert "nothing from its process" in late.problem
    assert shown(Watched(RigPlace("land"), "land", RigRow("Land")), now_s).starting


def test_the_bell_is_silenced_until_something_new_rings() -> None:
    bell, warned = RigsBell(), rig("warned", sample.warning())
    found = ringing([warned])
    assert found
    assert bell.due(found, 0.0)
    bell.silenced = True
    assert not any(bell.due(found, 0.1 * tick) for tick in range(200))
    found |= ringing([rig("dead", None, problem="gone")])
    assert bell.due(found, 30.0)
    assert not bell.silenced


def test_what_is_silenced_at_a_rig_is_silent_here() -> None:
    assert ringing([rig("warned", replace(sample.warning(), silenced=True))]) == {}


def test_an_alarm_whose_cause_is_over_looks_like_none_that_stands() -> None:
    snap = sample.warning()
    over = replace(snap.alarms[0], state=AlarmState.RETURNED, active=False)
    canvas = drawn([rig("north", replace(snap, alarms=(over,)))], (120, 40))
    assert "(gone)" in canvas.text()
    assert not {FILL_ROLE[Severity.WARNING], FILL_ROLE[Severity.DANGER]} & {
        role for row in canvas.roles for role in row
    }


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("system", ["si", "field"])
def test_in_spanish_no_figure_is_cut_and_heads_stand_apart(size: tuple[int, int], system: str) -> None:
    with language("es"):
        canvas = drawn(fleet(), size, Units(system))  # type: ignore[arg-type]
    text = canvas.text()
    assert not canvas.cut
    assert "SOLO AVISA" in text
    assert "1 SIN VIGILAR" in text
    heads = next(row for row in text.splitlines() if row.startswith(" EQUIPO"))
    assert heads.split()[:1] + heads.split()[-2:] == ["EQUIPO", "FRENO", "EDAD"]
    assert len(heads.split()) == 7


def test_every_word_of_the_overview_comes_from_the_catalogue(tmp_path: Path) -> None:
    with language("en", veiled(tmp_path)):
        rigs = [rig("calm", sample.calm()), rig("still", sample.still()), rig("starting", None, starting=True)]
        text = drawn(rigs, (120, 40)).text()
    assert not set(re.findall("[A-Za-z]{3,}", text)) - {"calm", "still", "starting", "STOPMARK", "UTC"}
