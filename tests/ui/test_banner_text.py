"""The words of the banner, chosen for its room: what is said first, what is left out first, which alarms stand behind."""

from dataclasses import replace

import pytest

from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.ui.drawing.canvas import Canvas, first_that_fits
from monitor.ui.frame.banner import BannerText, banner_text, paint
from tests.ui.sample import alarm

BRAKE = alarm("brake", Severity.WARNING, "Brake has lost much of its grip", "Stop and set the brake.")
OIL = alarm("oil", Severity.CAUTION, "Oil leaks", "Look for the leak.")
GONE = replace(OIL, state=AlarmState.RETURNED, active=False)
LOST = alarm("lost", Severity.CAUTION, "No connection to the broker", "Check the network.", signal="disconnected")
CUE = alarm("ease", Severity.NOTICE, "Ease", "Look.", state=AlarmState.ACKNOWLEDGED, prompt=True)


def words(text: BannerText) -> list[str]:
    return [line for line, _ in text.others]


@pytest.mark.parametrize(
    ("width", "tail"),
    [
        (80, "not acknowledged · 20:26:38  +1"),
        (70, "not acknowledged  +1"),
        (52, "+1"),
    ],
)
def test_the_message_comes_before_its_state_and_time(width: int, tail: str) -> None:
    text = banner_text([BRAKE, OIL], width, 3)
    assert text.lines[0] == "Brake has lost much of its grip"
    assert text.tail == tail


def test_a_message_too_long_goes_on_below() -> None:
    text = banner_text([BRAKE, OIL], 40, 4)
    assert text.lines == ("Brake has lost much", "of its grip", "Stop and set the brake.")
    assert text.tail == "+1"


@pytest.mark.parametrize(
    ("shown", "state"),
    [
        (BRAKE, "not acknowledged"),
        (replace(BRAKE, state=AlarmState.ACKNOWLEDGED), "acknowledged"),
        (GONE, "gone, not acknowledged"),
        (replace(BRAKE, blind=True), "held blind"),
        (CUE, "cue"),
        (replace(CUE, prompt=False), "acknowledged"),
        (replace(CUE, blind=True), "held blind"),
    ],
)
def test_the_state_in_words(shown: AlarmView, state: str) -> None:
    assert banner_text([shown], 120, 4).tail.partition(" · ")[0] == state


def test_a_silenced_bell_is_told_at_every_width_while_something_would_ring() -> None:
    assert banner_text([BRAKE, OIL], 120, 4, silenced=True).tail.startswith("not acknowledged · bell silenced · ")
    assert banner_text([BRAKE, OIL], 60, 4, silenced=True).tail == "bell silenced +1"
    assert "silenced" not in banner_text([replace(BRAKE, state=AlarmState.ACKNOWLEDGED)], 120, 4, silenced=True).tail


def test_what_is_filled() -> None:
    """A warning fills all rows but the one for the others; less, or what has returned, two."""
    assert [banner_text([BRAKE], 80, height).rows for height in (2, 3, 4, 5)] == [2, 2, 3, 4]
    assert [banner_text([OIL], 80, height).rows for height in (2, 3, 4, 5)] == [2, 2, 2, 2]
    over = banner_text([replace(BRAKE, state=AlarmState.RETURNED, active=False)], 80, 5)
    assert (over.rows, over.role) == (2, "fill_notice")
    assert banner_text([BRAKE], 80, 5).role == "fill_warning"


def test_the_alarms_behind_are_named_as_far_as_they_fit() -> None:
    third = alarm("third", Severity.NOTICE, "Check is due")
    assert words(banner_text([BRAKE, GONE, third], 80, 3)) == ["△ Oil leaks (gone)", "○ Check is due"]
    assert words(banner_text([BRAKE, GONE, third], 35, 4)) == ["△ Oil leaks (gone)", "and 1 more"]
    assert words(banner_text([BRAKE, GONE, third], 28, 4)) == ["2 more: see Alarms"]
    assert words(banner_text([BRAKE], 80, 4)) == []


def test_a_lost_connection_is_named_first_with_its_reason() -> None:
    text = banner_text([BRAKE, OIL, LOST], 80, 3, note="nothing answers")
    assert words(text) == ["△ No connection to the broker: nothing answers"]
    assert words(banner_text([BRAKE, OIL, LOST], 60, 3, note="nothing answers")) == ["△ nothing answers"]
    # Where it is the worst itself its reason stands in place of the guidance.
    assert banner_text([LOST, OIL], 80, 4, note="nothing answers").lines[1] == "nothing answers"
    assert banner_text([LOST, OIL], 80, 4).lines[1] == "Check the network."


def test_words_are_painted_where_they_belong() -> None:
    canvas = Canvas(60, 4)
    paint(canvas.area, banner_text([BRAKE, OIL], 60, 4))
    rows = canvas.text().splitlines()
    assert rows[0] == "  ▲ WARNING  Brake has lost much of its grip".ljust(57) + "+1"
    assert rows[1] == "  Stop and set the brake."
    assert rows[3] == "  △ Oil leaks"
    assert {role for row in canvas.roles[:3] for role in row} == {"fill_warning"}


def test_first_that_fits() -> None:
    assert first_that_fits(("three", "two", "1"), 3) == "two"
    assert first_that_fits(("three", "two"), 2) == "two", "the last one when none does"
