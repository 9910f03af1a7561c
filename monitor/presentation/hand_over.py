"""The hand-over of a tour on one page: what the oncoming driller has to know, as parts of rows. Screen and print say
the same."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.adapters.ledger.trend import BrakeTrend
from monitor.adapters.sessions.tour import Done, Raised, Tour
from monitor.config.rig import Rig
from monitor.language import english, msgid, tr, tr_record
from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.check import CheckVerdict
from monitor.model.reading import Validity
from monitor.model.snapshot import Snapshot
from monitor.model.stream import SECOND_NS, ActionKind
from monitor.presentation.believed import believed
from monitor.presentation.brake_causes import ROWS
from monitor.presentation.brake_trend import SERIES, words_of
from monitor.presentation.format import Units, clock, signal_word, span
from monitor.presentation.line_work import both_units

_ASIDE: Final = {
    AlarmState.SHELVED: msgid("shelved"),
    AlarmState.OUT_OF_SERVICE: msgid("out of service"),
    AlarmState.SUPPRESSED: msgid("suppressed"),
}
_SAID: Final = {
    CheckVerdict.PASS: None,
    CheckVerdict.NOT_JUDGED: Severity.CAUTION,
    CheckVerdict.FAIL: Severity.DANGER,
}
_HEIGHT_SIGNALS: Final = ("height", "sensor")
"""How the rules begin that doubt a height, or a sensor that gives one."""
_LONGEST: Final = 400
"""Characters of the summary: what a record keeps of the words of an action."""


@dataclass(frozen=True, slots=True)
class Row:
    """A label and words; with a severity where they should stand out."""

    label: str
    words: str
    severity: Severity | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A title and its rows; never without any."""

    title: str
    rows: tuple[Row, ...]


def parts(
    snap: Snapshot, rig: Rig, units: Units, tour: Tour, trends: Sequence[BrakeTrend] = (), crew: str = ""
) -> tuple[Part, ...]:
    """The page. `crew`: initials of who has the tour now, where nobody signed for it."""
    snap = believed(snap)
    named = (
        (tr("TOUR"), _tour(snap, tour, crew)),
        (tr("STANDS NOW"), _standing(snap)),
        (tr("SET ASIDE"), _aside(snap)),
        (tr("RAISED IN THE TOUR"), _raised(tour)),
        (tr("TESTS"), _tests(snap, tour)),
        (tr("BRAKE"), _brake(snap, rig, units, trends)),
        (tr("LINE"), _line(snap, units, tour)),
        (tr("HEIGHT"), _height(snap, rig, units, tour)),
        (tr("NOTES"), _notes(tour)),
    )
    return tuple(Part(title, tuple(rows) or (Row(tr("nothing"), ""),)) for title, rows in named)


def summary(snap: Snapshot, units: Units, tour: Tour, oncoming: str, crew: str = "") -> str:
    """The page in a sentence or two: what record and ledger keep of the signature, in English."""
    with english():
        return _summary(snap, units, tour, oncoming, crew)


def _summary(snap: Snapshot, units: Units, tour: Tour, oncoming: str, crew: str) -> str:
    counts = [(level, sum(one.count for one in tour.raised if one.severity is level)) for level in reversed(Severity)]
    raised = ", ".join(f"{count} {level.name}" for level, count in counts if count) or "nothing"
    stands = "; ".join(f"{alarm.severity.name} {alarm.message}" for alarm in _standing_alarms(snap)) or "nothing"
    aside = len([alarm for alarm in snap.alarms if alarm.state in _ASIDE])
    due = ", ".join(check.title for check in snap.checks if check.due and not check.unfit) or "none"
    words = (
        f"{tour.signed_by or crew or 'unsigned'} to {oncoming}, tour since {clock(tour.since_ns, date=True)[:16]} UTC."
        f" Height {units.value(snap.value('height'), 'length')}, tests due: {due}, set aside: {aside}, raised: {raised},"
        f" stands: {stands}"
    )
    return words if len(words) <= _LONGEST else words[: _LONGEST - 1].rsplit(" ", 1)[0] + "…"


def _tour(snap: Snapshot, tour: Tour, crew: str) -> Iterator[Row]:
    if tour.since_ns:
        lasted = span(max(0.0, (snap.t_ns - tour.since_ns) / SECOND_NS))
        yield Row(tr("since"), tr("{clock} UTC, {lasted}", clock=clock(tour.since_ns, date=True)[:16], lasted=lasted))
    else:
        yield Row(tr("since"), tr("not known"))
    if tour.signed_by:
        yield Row(tr("signed by"), tour.signed_by)
    else:
        yield Row(tr("signed by"), tr("nobody: what is known of the last 12 h at most"), Severity.CAUTION)
    if crew and crew != tour.signed_by:
        yield Row(tr("crew here"), crew)


def _standing_alarms(snap: Snapshot) -> list[AlarmView]:
    return [alarm for alarm in snap.alarms if alarm.state not in _ASIDE and not alarm.prompt]


def _standing(snap: Snapshot) -> Iterator[Row]:
    for alarm in _standing_alarms(snap):
        over = "" if alarm.active else tr(", its cause is over")
        yield Row(
            signal_word(alarm.severity),
            tr(
                "{message}: {state}{over}, since {when}",
                message=alarm.message,
                state=tr(alarm.state),
                over=over,
                when=_when(alarm.since_ns),
            ),
            alarm.severity,
        )


def _aside(snap: Snapshot) -> Iterator[Row]:
    for alarm in snap.alarms:
        word = _ASIDE.get(alarm.state)
        if word is None:
            continue
        back = ""
        if alarm.shelved_until_ns is not None:
            back = tr(", back in {time}", time=span(max(0.0, (alarm.shelved_until_ns - snap.t_ns) / SECOND_NS)))
        yield Row(tr(word), f"{signal_word(alarm.severity)} {alarm.message}{back}", alarm.severity)


def _raised(tour: Tour) -> Iterator[Row]:
    for one in tour.raised:
        # Without the severity's colour: what was raised need not stand now.
        yield Row(f"{one.count} × {signal_word(one.severity)}", f"{tr_record(one.message)}, {_times(one)}")


def _times(one: Raised) -> str:
    if one.count == 1:
        return _when(one.last_ns)
    return tr("first {first}, last {last}", first=_when(one.first_ns), last=_when(one.last_ns))


def _tests(snap: Snapshot, tour: Tour) -> Iterator[Row]:
    for check in snap.checks:
        if check.due and not check.unfit:
            yield Row(tr("due"), f"{check.title}: {check.due_words}", Severity.WARNING)
    for done in _of(tour, "check"):
        verdict = CheckVerdict(done.verdict)
        yield Row(f"{tr(verdict)} {_when(done.t_ns)}", tr_record(done.words), _SAID[verdict])
    coming = [check for check in snap.checks if not check.due and not check.unfit and check.due_ns is not None]
    if coming:
        first = min(coming, key=lambda check: check.due_ns or 0)
        yield Row(tr("next due"), f"{first.title}: {first.due_words}")


def _brake(snap: Snapshot, rig: Rig, units: Units, trends: Sequence[BrakeTrend]) -> Iterator[Row]:
    holding, least = snap.value("holding_ratio"), rig.braking.min_holding_ratio
    if holding.validity is not Validity.NOT_FITTED:
        if holding.known and not holding.word:
            low = holding.number < least
            figure = f"{units.value(holding, 'ratio')} ×"
            words = (
                f"{tr('{text} LOW', text=figure) if low else figure} ({tr('at least')} {units.text(least, 'ratio')})"
            )
            yield Row(tr("holding now"), words, ROWS["holding_ratio"].severity if low else None)
        else:
            yield Row(tr("holding now"), units.value(holding, "ratio"))
    effectiveness = snap.value("effectiveness")
    if effectiveness.validity is not Validity.NOT_FITTED:
        yield Row(tr("effectiveness"), units.value(effectiveness, "fraction"))
    for trend in trends:
        if trend.points:
            yield Row(tr("over months"), f"{tr(SERIES[trend.name])}: {words_of(trend)}")


def _line(snap: Snapshot, units: Units, tour: Tour) -> Iterator[Row]:
    work, worn = snap.value("line_work_since_cut"), snap.value("line_to_cut")
    if work.validity is not Validity.NOT_FITTED:
        yield Row(tr("since the cut"), both_units(work.number, 1) if work.known else units.value(work, "energy"))
    if worn.validity is not Validity.NOT_FITTED:
        yield Row(
            tr("to slip and cut"),
            tr("{figure} worn, by the goal in the rig's file", figure=units.value(worn, "length")),
        )
    for done in _of(tour, ActionKind.SLIP_AND_CUT):
        yield Row(tr("cut {when}", when=_when(done.t_ns)), f"{tr_record(done.words)} {done.who}".strip())


def _height(snap: Snapshot, rig: Rig, units: Units, tour: Tour) -> Iterator[Row]:
    height, bound = snap.value("height"), snap.value("height_bound")
    doubtful = height.validity is not Validity.VALID
    words = units.value(height, "length")
    if height.known and bound.known:
        words += f" ±{units.text(bound.number, 'length')}"
    words += {Validity.VALID: "", Validity.DEGRADED: tr(", DEGRADED: an estimate")}.get(height.validity, "")
    yield Row(tr("now"), words, Severity.CAUTION if doubtful else None)
    position = {sensor.id for sensor in rig.sensors if sensor.role in ("position", "mark")}
    for sensor in snap.sensors:
        if sensor.id in position and (sensor.diagnosis or sensor.stale):
            yield Row(tr("doubt now"), f"{sensor.id}: {sensor.diagnosis or tr('silent')}", Severity.CAUTION)
    for one in tour.raised:
        rule, _, sensor_id = one.key.partition(":")
        if rule.startswith(_HEIGHT_SIGNALS) and (not sensor_id or sensor_id in position):
            yield Row(
                tr("doubted"),
                tr(
                    "{message}, {count} ×, last {when}",
                    message=tr_record(one.message),
                    count=one.count,
                    when=_when(one.last_ns),
                ),
            )
    for done in _of(tour, ActionKind.REFERENCE_HEIGHT):
        yield Row(tr("set {when}", when=_when(done.t_ns)), f"{tr_record(done.words)} {done.who}".strip())


def _notes(tour: Tour) -> Iterator[Row]:
    for done in _of(tour, ActionKind.NOTE):
        yield Row(f"{_when(done.t_ns)} {done.who}".strip(), done.words)


def _of(tour: Tour, kind: str) -> list[Done]:
    return [done for done in tour.done if done.kind == kind]


def _when(t_ns: int) -> str:
    return clock(t_ns)[:5]
