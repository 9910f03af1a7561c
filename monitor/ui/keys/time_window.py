"""The stretch of time that a screen shows, and the cursor in it: how keys and the mouse change them. Pure."""

from dataclasses import dataclass, replace
from typing import Final

from monitor.ui.view import ScreenState

SPANS_S: Final = (60.0, 300.0, 900.0, 3600.0, 10_800.0)
STEPS: Final = 60
"""The cursor crosses the window in so many."""


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """What is shown, ns of stream time; the cursor lies inside."""

    since_ns: int
    until_ns: int
    cursor_ns: int

    @property
    def span_s(self) -> float:
        return (self.until_ns - self.since_ns) * 1e-9

    @property
    def back_s(self) -> float:
        """The cursor, seconds before the window's end."""
        return (self.until_ns - self.cursor_ns) * 1e-9


def window(state: ScreenState, now_ns: int) -> TimeWindow:
    """The window of a state at `now_ns`."""
    until = min(state.until_ns or now_ns, now_ns)
    since = until - round(state.span_s * 1e9)
    return TimeWindow(since, until, max(since, min(until, state.cursor_ns or until)))


def zoom(state: ScreenState, now_ns: int, step: int, at_ns: int | None = None) -> ScreenState:
    """A longer (1) or shorter (-1) window in which the moment `at_ns` (the cursor where None) keeps its place."""
    shown = window(state, now_ns)
    here = min(range(len(SPANS_S)), key=lambda place: abs(SPANS_S[place] - state.span_s))
    span_s = SPANS_S[max(0, min(len(SPANS_S) - 1, here + step))]
    if at_ns is None and not state.cursor_ns:
        at_ns = shown.until_ns
    at = shown.cursor_ns if at_ns is None else at_ns
    share = (shown.until_ns - at) / (shown.until_ns - shown.since_ns)
    return _ending(replace(state, span_s=span_s), at + round(share * span_s * 1e9), now_ns)


def pan(state: ScreenState, now_ns: int, share: float) -> ScreenState:
    """Later by that share of the window (earlier where it is negative). The cursor stays in it."""
    shown = window(state, now_ns)
    moved = _ending(state, shown.until_ns + round(share * state.span_s * 1e9), now_ns)
    after = window(moved, now_ns)
    return replace(moved, cursor_ns=after.cursor_ns) if moved.cursor_ns else moved


def cursor_by(state: ScreenState, now_ns: int, step: int) -> ScreenState:
    """The cursor a step later or earlier; at an edge the window goes with it."""
    shown = window(state, now_ns)
    return cursor_to(state, now_ns, shown.cursor_ns + round(step * state.span_s / STEPS * 1e9))


def cursor_to(state: ScreenState, now_ns: int, at_ns: int) -> ScreenState:
    """The cursor at that moment; the window goes there where it lies outside. At the newest moment it is now again."""
    shown = window(state, now_ns)
    if at_ns >= now_ns:
        return replace(state, cursor_ns=0, until_ns=0)
    if at_ns < shown.since_ns:
        state = _ending(state, at_ns + round(state.span_s * 1e9), now_ns)
    elif at_ns > shown.until_ns:
        state = _ending(state, at_ns, now_ns)
    return replace(state, cursor_ns=at_ns)


def now(state: ScreenState) -> ScreenState:
    """Follow what comes, the cursor at the newest."""
    return replace(state, cursor_ns=0, until_ns=0)


def _ending(state: ScreenState, until_ns: int, now_ns: int) -> ScreenState:
    return replace(state, until_ns=0 if until_ns >= now_ns else until_ns)
