"""Alarm statistics against the performance figures of ANSI/ISA-18.2-2016, section 16.4, as restated in print.

Per operator: about one alarm in ten minutes is acceptable, two at most; under 1 % of ten-minute intervals above ten; a
flood begins above ten in ten minutes and ends below five; the ten most frequent make 1 to 5 % of the load; fewer than
five stale (over 24 h); none chattering or fleeting; priorities about 80/15/5. They were written for process plants with
months of records; of one night they are an indication.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from monitor.model.alarm import AlarmState, Finding, Severity

WINDOW_NS: Final = 600_000_000_000
FLOOD_ABOVE: Final = 10
FLOOD_ENDS_BELOW: Final = 5
STALE_NS: Final = 86_400_000_000_000
CHATTER_NS: Final = 60_000_000_000
CHATTER_COUNT: Final = 3
"""An alarm raised this often within a minute chatters (common practice, no source)."""
FLEETING_NS: Final = 2_000_000_000
"""An alarm over within this, before anybody could have seen to it, is fleeting (common practice, no source)."""
_ACTIVE: Final = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class Span:
    """One time that an alarm was true, from being raised to being over (or the end of the record)."""

    key: str
    severity: Severity
    message: str
    from_ns: int
    to_ns: int
    over: bool
    """False: it was still true when the record ended."""
    acknowledged_ns: int | None


@dataclass(frozen=True, slots=True)
class AlarmFigures:
    """The statistics. Shares are 0 to 1."""

    raised: int
    by_severity: Mapping[Severity, int]
    by_key: tuple[tuple[str, int], ...]
    """Most frequent first."""
    per_10_min: float
    most_in_10_min: int
    intervals: int
    intervals_above_10: int
    flood_share: float
    top_ten_share: float
    stale: tuple[str, ...]
    chattering: tuple[str, ...]
    fleeting: tuple[str, ...]
    acknowledged: int
    median_acknowledge_s: float | None
    seconds: float


def spans(findings: Sequence[Finding], end_ns: int) -> list[Span]:
    """Each time that an alarm or a prompt was true, in the order of their beginning."""
    open_: dict[str, tuple[Finding, int | None]] = {}
    found = []
    for finding in findings:
        if finding.kind not in ("alarm", "prompt"):
            continue
        key = finding.key
        if (finding.raised or finding.prompted) and key not in open_:
            open_[key] = finding, None
        elif finding.after == AlarmState.ACKNOWLEDGED and key in open_:
            open_[key] = open_[key][0], open_[key][1] or finding.t_ns
        elif finding.after not in _ACTIVE and key in open_:
            found.append(_span(*open_.pop(key), finding.t_ns, True))
    found += [_span(first, acknowledged, end_ns, False) for first, acknowledged in open_.values()]
    return sorted(found, key=lambda span: (span.from_ns, span.key))


def _span(first: Finding, acknowledged_ns: int | None, to_ns: int, over: bool) -> Span:
    return Span(first.key, first.severity, first.message, first.t_ns, max(to_ns, first.t_ns), over, acknowledged_ns)


def figures(findings: Sequence[Finding], start_ns: int, end_ns: int) -> AlarmFigures:
    """The statistics of what was said from `start_ns` to `end_ns`."""
    rung = [finding for finding in findings if finding.raised]
    times = [finding.t_ns for finding in rung]
    seconds = max(1e-9, (end_ns - start_ns) * 1e-9)
    whole = max(1, -(-(end_ns - start_ns) // WINDOW_NS))
    counts = Counter(min(whole - 1, max(0, (t_ns - start_ns) // WINDOW_NS)) for t_ns in times)
    times_of: dict[str, list[int]] = {}
    for finding in rung:
        times_of.setdefault(finding.key, []).append(finding.t_ns)
    by_key = Counter({key: len(rings) for key, rings in times_of.items()})
    # A prompt is a cue for ordinary work: no alarm, and in no figure about alarms.
    all_spans = spans([finding for finding in findings if finding.kind == "alarm"], end_ns)
    waits = _waits(findings)
    return AlarmFigures(
        raised=len(rung),
        by_severity={level: sum(finding.severity is level for finding in rung) for level in Severity},
        by_key=tuple(by_key.most_common()),
        per_10_min=len(rung) / seconds * 600.0,
        most_in_10_min=_most_in_window(times),
        intervals=whole,
        intervals_above_10=sum(count > FLOOD_ABOVE for count in counts.values()),
        flood_share=_flood_ns(times, end_ns) * 1e-9 / seconds,
        top_ten_share=sum(count for _, count in by_key.most_common(10)) / len(rung) if rung else 0.0,
        stale=tuple(span.key for span in all_spans if span.to_ns - span.from_ns > STALE_NS),
        chattering=tuple(sorted(key for key, rings in times_of.items() if _chatters(rings))),
        fleeting=tuple(sorted({span.key for span in all_spans if span.over and _fleeting(span)})),
        acknowledged=len(waits),
        median_acknowledge_s=median(waits) if waits else None,
        seconds=seconds,
    )


def _waits(findings: Sequence[Finding]) -> list[float]:
    """Seconds from each ring to its acknowledgement."""
    rung: dict[str, int] = {}
    waits = []
    for finding in findings:
        if finding.kind != "alarm":
            continue
        if finding.raised:
            rung[finding.key] = finding.t_ns
        elif finding.message.startswith("Acknowledged") or finding.after in (
            AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED,
        ):  # fmt: skip
            then = rung.pop(finding.key, None)
            if then is not None:
                waits.append((finding.t_ns - then) * 1e-9)
    return waits


def _fleeting(span: Span) -> bool:
    return span.to_ns - span.from_ns <= FLEETING_NS and span.acknowledged_ns is None


def _most_in_window(times: Sequence[int]) -> int:
    most = first = 0
    for last, t_ns in enumerate(times):
        while t_ns - times[first] >= WINDOW_NS:
            first += 1
        most = max(most, last - first + 1)
    return most


def _chatters(times: Sequence[int]) -> bool:
    last = CHATTER_COUNT - 1
    return any(times[i + last] - times[i] <= CHATTER_NS for i in range(len(times) - last))


def _flood_ns(times: Sequence[int], end_ns: int) -> int:
    """Time spent in floods: from the alarm that made more than ten in ten minutes until fewer than five are left."""
    total, since, first = 0, None, 0
    events = sorted([(t_ns, 1) for t_ns in times] + [(t_ns + WINDOW_NS, -1) for t_ns in times])
    for t_ns, change in events:
        first += change
        if since is None and first > FLOOD_ABOVE:
            since = t_ns
        elif since is not None and first < FLOOD_ENDS_BELOW:
            total += min(t_ns, end_ns) - since
            since = None
    return total + (max(0, end_ns - since) if since is not None else 0)
