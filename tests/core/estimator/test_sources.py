"""The table of transitions of a position source: whole, and no state without a way out."""

from monitor.core.estimator.sources import TRANSITIONS, ReadingKind, SourceState, source_diagram

SINGLE = [kind for kind in ReadingKind if kind is not ReadingKind.AGREED]


def test_every_state_has_an_answer_to_every_kind_of_reading() -> None:
    """A reading that agrees with refused ones can only come where some were refused."""
    expected = {(state, kind) for state in SourceState for kind in SINGLE}
    assert set(TRANSITIONS) == expected | {(SourceState.REFUSING, ReadingKind.AGREED)}


def test_a_reading_that_fits_ends_whatever_was_wrong() -> None:
    for state in SourceState:
        assert TRANSITIONS[state, ReadingKind.FITS] is SourceState.TRACKING
        assert TRANSITIONS[state, ReadingKind.REPEAT] is SourceState.FROZEN
        assert TRANSITIONS[state, ReadingKind.TOO_OLD] is state


def test_nothing_leads_back_to_waiting() -> None:
    assert not [
        row for row, after in TRANSITIONS.items() if after is SourceState.WAITING and row[0] is not SourceState.WAITING
    ]


def test_the_diagram_shows_every_transition() -> None:
    arrows = {line.strip() for line in source_diagram().splitlines() if "-->" in line and "[*]" not in line}
    for (before, kind), after in TRANSITIONS.items():
        shown = any(f"{before.name} --> {after.name}:" in arrow and kind.value in arrow for arrow in arrows)
        assert shown == (before is not after), (before, kind)
