"""What every section of the report is written from: the recording, what was found in it, and figures as text."""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

from monitor.adapters.ledger.ledger import Entry
from monitor.analysis.alarm_figures import AlarmFigures, Span, figures, spans
from monitor.analysis.motion import Descent, Stop, descents, stops
from monitor.analysis.recording import Recording
from monitor.analysis.work.log import WorkedLog, series_of_recording, worked
from monitor.analysis.work.strokes import WorkedStand
from monitor.core.signals.table import SIGNALS, Signal
from monitor.model.alarm import Finding
from monitor.model.reading import UNKNOWN, Validity, Value
from monitor.presentation.believed import believed_value, words_for
from monitor.presentation.format import NOT_KNOWN_WORDS, Units, clock, plain
from monitor.report.html import missing_note
from monitor.units import Dimension

NONE: Final = "–"
_SIGNALS: Final = {signal.name: signal for signal in SIGNALS}
MOST_ROWS: Final = 1500
"""Rows of one table; beyond them the report says how many more there were."""


@dataclass(frozen=True)
class ReportContext:
    """A recording and what was found in it; worked out once, when first asked for."""

    rec: Recording
    units: Units
    entries: tuple[Entry, ...] | None = None
    """What the rig's ledger holds; None where none was given."""

    @cached_property
    def stops(self) -> list[Stop]:
        """Every stop by the friction brake."""
        return stops(self.rec)

    @cached_property
    def descents(self) -> list[Descent]:
        """Every descent."""
        return descents(self.rec)

    @cached_property
    def log(self) -> WorkedLog:
        """Strokes, stands, line work by activity, and what was hardest on the hoist."""
        return worked(series_of_recording(self.rec))

    @property
    def stands(self) -> list[WorkedStand]:
        """Every stand."""
        return self.log.motion.stands

    @cached_property
    def spans(self) -> list[Span]:
        """Each time an alarm was true."""
        return spans(self.rec.findings, self.rec.end_ns)

    @cached_property
    def alarms(self) -> AlarmFigures:
        """Alarm statistics: per time watched, so that weeks between two sessions make no rig look quiet."""
        rec = self.rec
        away = rec.away
        if not away:
            return figures(rec.findings, rec.start_ns, rec.end_ns)

        def watched_ns(t_ns: int) -> int:
            return t_ns - sum(max(0, min(t_ns, to_ns) - from_ns) for from_ns, to_ns in away)

        findings = [replace(finding, t_ns=watched_ns(finding.t_ns)) for finding in rec.findings]
        return figures(findings, watched_ns(rec.start_ns), watched_ns(rec.end_ns))

    def when(self, t_ns: int) -> str:
        """A time in the report: of day, in more than a day with its date."""
        return clock(t_ns, date=True)[5:] if self.rec.seconds > 86_400 else clock(t_ns)

    def signal_of_rule(self, key: str) -> str | None:
        """The name of the signal that an alarm's rule looks at; None where it is not known."""
        return self._signal_names.get(key.partition(":")[0])

    @cached_property
    def _signal_names(self) -> dict[str, str]:
        try:
            rules = tomllib.loads(self.rec.rules_text).get("rule", [])
            return {str(rule["id"]): str(rule["signal"]) for rule in rules}
        except (tomllib.TOMLDecodeError, TypeError, KeyError, AttributeError):
            return {}  # untrusted input

    def signal_of(self, key: str) -> Signal | None:
        """The signal of an alarm's rule; None where it is a switch or not known."""
        signal = _SIGNALS.get(self.signal_of_rule(key) or "")
        return None if signal is None or signal.dimension == "switch" else signal

    def value_and_limit(self, finding: Finding) -> tuple[str, str]:
        """What an alarm's signal read and its threshold: told apart in one unit; words where the figure says nothing."""
        signal = self.signal_of(finding.key)
        if signal is None:
            return "", ""
        number, threshold = finding.number, finding.threshold
        if signal.name == "speed_over_max" and threshold is not None:
            # What is beyond the maximum says nothing beside a threshold of nothing: the speed and the maximum do.
            most = self.rec.rig.limits.max_speed_m_s
            number, threshold = None if number is None else number + most, threshold + most
        value = UNKNOWN if number is None else Value(number, Validity.VALID)
        value = believed_value(signal.name, value)
        if threshold is None:
            return (self.units.value(value, signal.dimension) if value.known else NOT_KNOWN_WORDS), NOT_KNOWN_WORDS
        told, limit = self.units.apart(value, threshold, signal.dimension)
        return (told if value.known else NOT_KNOWN_WORDS), limit

    def signal(self, name: str, si: float) -> str:
        """Figure and unit of a signal; words where the figure says nothing, a dash where it is not known."""
        return words_for(name, si) or self.full(si, _SIGNALS[name].dimension)

    def number(self, si: float, dimension: Dimension) -> str:
        """A bare figure in the report's units; a dash where not known."""
        return NONE if not math.isfinite(si) else self.units.number(si, dimension)

    def slowing(self, si: float) -> str:
        """A stop's deceleration as a bare figure; in words where no brake can have brought it about: a strike."""
        return words_for("acceleration", si) or self.number(si, "acceleration")

    def within(self, si: float, bound: float, dimension: Dimension) -> str:
        """A bare figure with its uncertainty."""
        if not (math.isfinite(si) and math.isfinite(bound)):
            return self.number(si, dimension)
        shown = self.units.shown(dimension)
        wide = abs(shown.unit.scale)
        return f"{self.number(si, dimension)} ± {plain(bound / wide, max(shown.decimals, 0))}"

    def fine(self, si: float, dimension: Dimension, bound: float = math.nan) -> str:
        """A bare figure with one more decimal than usual, and its uncertainty where given."""
        if not math.isfinite(si):
            return NONE
        shown = self.units.shown(dimension)
        figure = plain(shown.number(si), shown.decimals + 1)
        return (
            figure if not math.isfinite(bound) else f"{figure} ± {plain(bound / shown.unit.scale, shown.decimals + 1)}"
        )

    def full(self, si: float, dimension: Dimension) -> str:
        """Figure and unit."""
        return NONE if not math.isfinite(si) else self.units.text(si, dimension)

    def head(self, words: str, dimension: Dimension) -> str:
        """A column's head with its unit."""
        label = self.units.label(dimension)
        return f"{words}, {label}" if label else words


def mega(si: float, decimals: int = 1) -> str:
    """Joules as a bare figure in MJ."""
    return NONE if not math.isfinite(si) else plain(si / 1e6, decimals)


def percent(share: float, decimals: int = 0) -> str:
    """A share as text."""
    return NONE if not math.isfinite(share) else f"{plain(share * 100, decimals)} %"


def counted(count: int, word: str) -> str:
    """A count of things: "1 stop", "2 stops"."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def cut(rows: Sequence[Sequence[str]], most: int = MOST_ROWS) -> tuple[Sequence[Sequence[str]], str]:
    """At most so many rows, and a sentence about those left out."""
    if len(rows) <= most:
        return rows, ""
    return rows[:most], missing_note(
        f"The first {most} of {len(rows)} are listed; report a shorter stretch to see the others."
    )
