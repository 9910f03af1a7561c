"""Where the brake's figures are heading over months, in words."""

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Final

from monitor.adapters.ledger.ledger import Entry, iso
from monitor.adapters.ledger.trend import FEWEST_POINTS, SHORTEST_DAYS, BrakeTrend, brake_trends
from monitor.language import msgid, tr, tr_n
from monitor.presentation.figures import figure

SERIES: Final = {
    "effectiveness": msgid("brake effectiveness"),
    "response_s": msgid("brake response time"),
    "leak_pa_s": msgid("pressure leak rate"),
    "aux_share": msgid("auxiliary share"),
}
"""Numbers of ``brake`` entries that trends are looked for in, and their words."""
_MONTH_DAYS: Final = 30.4


def trend_words(
    entries: Sequence[Entry],
    bounds: Mapping[str, float] = MappingProxyType({}),
    alarms: Mapping[str, float] = MappingProxyType({}),
) -> Iterator[tuple[str, str]]:
    """(series, what can be said of it) for each of SERIES.

    `bounds` asks when a series reaches a value, and is answered in any case; the levels in `alarms` are spoken of only
    where the data carries a date.
    """
    for found in brake_trends(entries, {**alarms, **bounds}):
        yield SERIES[found.name], words_of(found, asked=found.name in bounds)


def words_of(brake: BrakeTrend, asked: bool = False) -> str:
    """One trend; with `asked`, also that no date can be given for its bound."""
    name, found = brake.name, brake.found
    since = "" if brake.pads_ns is None else tr(" since the pads were changed on {day}", day=iso(brake.pads_ns)[:10])
    if found is None or brake.last_ns is None:
        fewest = tr("a trend needs {fewest} over {days:g} days", fewest=FEWEST_POINTS, days=SHORTEST_DAYS)
        return tr_n(
            "{n} entry{since}; {fewest}", "{n} entries{since}; {fewest}", brake.points, since=since, fewest=fewest
        )
    slope, low, high = (
        figure(name, part * _MONTH_DAYS, 3, signed=True) for part in (found.slope, found.slope_low, found.slope_high)
    )
    text = tr(
        "{figure} on {day}, {slope} per month ({low} to {high}){since}",
        figure=figure(name, found.level, 3),
        day=iso(brake.last_ns)[:10],
        slope=slope,
        low=low,
        high=high,
        since=since,
    )
    text += "" if found.certain else tr("; no change can be told from none")
    if brake.bound is None:
        return text
    level = figure(name, brake.bound, 3)
    if found.reaches_ns is not None and found.reaches_earliest_ns is not None:
        latest = tr("later than can be said") if found.reaches_latest_ns is None else iso(found.reaches_latest_ns)[:10]
        text += tr("; reaches {level} around {day} ", level=level, day=iso(found.reaches_ns)[:10])
        text += tr("(between {day} and {latest})", day=iso(found.reaches_earliest_ns)[:10], latest=latest)
    elif asked:
        text += tr("; when it reaches {level} cannot be told from this", level=level)
    return text
