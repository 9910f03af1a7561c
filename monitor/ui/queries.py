"""What screens ask of a snapshot: which alarms stand, which way the block goes, which sensors are silent."""

from monitor.language import msgid, tr, tr_n
from monitor.model.alarm import EXPECTED_WORDS, AlarmState, AlarmView, Severity
from monitor.model.reading import Validity, Value
from monitor.model.snapshot import HoistState, Snapshot
from monitor.model.stream import SECOND_NS
from monitor.presentation.format import UNKNOWN_WORD, span
from monitor.ui.acts import urgency

OUT_OF_SIGHT = frozenset({AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
"""States that are listed but never take the banner."""


def standing(snap: Snapshot) -> list[AlarmView]:
    """Alarms that may take the banner: what asks for an act first, then as the core ordered them, worst first."""
    return sorted((alarm for alarm in snap.alarms if alarm.state not in OUT_OF_SIGHT), key=urgency)


def set_aside_alarms(snap: Snapshot) -> list[AlarmView]:
    """Alarms that the crew took from the banner."""
    return [alarm for alarm in snap.alarms if alarm.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)]


def aside_words(snap: Snapshot) -> tuple[str, ...]:
    """How many alarms are shelved, out of service and suppressed by design, and when the next comes back from the shelf; the
    fullest wording first. Empty where there are none."""
    states = [alarm.state for alarm in snap.alarms]
    shelved, out = states.count(AlarmState.SHELVED), states.count(AlarmState.OUT_OF_SERVICE)
    suppressed = states.count(AlarmState.SUPPRESSED)
    if not (shelved or out or suppressed):
        return ()
    ends = [alarm.shelved_until_ns for alarm in snap.alarms if alarm.shelved_until_ns is not None]
    back = span(max(0.0, (min(ends) - snap.t_ns) / SECOND_NS)) if ends else tr(UNKNOWN_WORD)
    wordings = []
    for between, on_shelf, off, by_design in (
        (
            " · ",
            tr("shelved {shelved}, next back in {back}", shelved=shelved, back=back),
            tr("out of service {out}", out=out),
            tr("suppressed {suppressed}", suppressed=suppressed),
        ),
        (
            " · ",
            tr("shelved {shelved}, next in {back}", shelved=shelved, back=back),
            tr("out of service {out}", out=out),
            tr("suppressed {suppressed}", suppressed=suppressed),
        ),
        (
            "; ",
            tr("shelved {shelved}, {back}", shelved=shelved, back=back),
            tr("out {out}", out=out),
            tr("suppr. {suppressed}", suppressed=suppressed),
        ),
    ):
        parts = ((shelved, on_shelf), (out, off), (suppressed, by_design))
        wordings.append(between.join(words for count, words in parts if count))
    return (*wordings, tr("{count} set aside", count=shelved + out + suppressed))


def expected_alarms(snap: Snapshot) -> list[AlarmView]:
    """Alarms that a running guided check brings about, and that ask nothing of anybody therefore."""
    return [alarm for alarm in snap.alarms if alarm.expected]


def as_tested(snap: Snapshot, way: int) -> bool:
    """Whether a guided check brings the block to the limit that lies in direction `way`: then nothing of it has a colour."""
    side = "up" if way > 0 else "down"
    return any(alarm.signal.endswith(f"margin_{side}") for alarm in expected_alarms(snap))


def severity_ahead(snap: Snapshot, way: int) -> Severity | None:
    """How bad it is toward the limit that lies in direction `way`: DANGER where nothing but a full brake stops short, or the
    limit is passed; WARNING where the margin is used up; None where neither is so, or where a guided check means it to be."""

    def used_up(name: str, least: float = 0.0) -> bool:
        value = snap.value(name)
        return value.known and value.number < least

    side = "up" if way > 0 else "down"
    if as_tested(snap, way):
        return None
    if used_up(f"room_{side}"):
        return Severity.DANGER
    if heading(snap) != way:
        return None
    if used_up(f"fully_margin_{side}") or used_up(f"cross_margin_{side}") or no_service_brake(snap):
        return Severity.DANGER
    return Severity.WARNING if used_up(f"margin_{side}") else None


def no_service_brake(snap: Snapshot) -> bool:
    """Whether all of the service brake is lost: then the whole screen says it. As its alarm does, not as the signal: the oil
    needs its time after every quick pull of the lever."""
    return any(alarm.active and alarm.signal == "service_brake_lost" for alarm in snap.alarms)


def returned(alarm: AlarmView) -> bool:
    """Whether its cause is over and it only waits to be acknowledged: nothing to act on, so it never looks like one that
    stands."""
    return alarm.state is AlarmState.RETURNED and not alarm.active


def heading(snap: Snapshot) -> int:
    """+1 going up, -1 going down, 0 still or not known."""
    if snap.hoist is HoistState.HOISTING:
        return 1
    if snap.hoist is HoistState.LOWERING:
        return -1
    return 0


def height(snap: Snapshot) -> Value:
    """The block's height."""
    return snap.value("height")


def stale_sensors(snap: Snapshot) -> list[str]:
    """Sensors without a fresh, accepted reading."""
    return [sensor.id for sensor in snap.sensors if sensor.stale]


def bad_sensors(snap: Snapshot) -> list[str]:
    """Sensors that speak, but are refused or out of range."""
    return [sensor.id for sensor in snap.sensors if not sensor.stale and (sensor.rejecting or sensor.out_of_range)]


def data_severity(snap: Snapshot) -> Severity | None:
    """How bad the state of the data is; None when nothing is wrong with it."""
    if snap.health.connected is False or height(snap).validity >= Validity.INVALID:
        return Severity.DANGER
    if stale_sensors(snap):
        return Severity.WARNING
    if bad_sensors(snap) or height(snap).validity is Validity.DEGRADED:
        return Severity.CAUTION
    return None


DIRECTION = {
    # Of the block: where the string is meanwhile, or whether there is one, its load does not tell.
    HoistState.HOISTING: msgid("↑ HOISTING"),
    HoistState.LOWERING: msgid("↓ LOWERING"),
    HoistState.STILL: msgid("■ STILL"),
    HoistState.IN_SLIPS: msgid("■ STILL, EMPTY"),
    HoistState.UNKNOWN: msgid("? MOTION UNKNOWN"),
}


LOAD_LOST = msgid("◆ LOAD LOST")
LINE_SLACK = msgid("? LINE SLACK")


def motion_words(snap: Snapshot) -> str:
    """What the block does, in words. With nothing on the line it is not what the drum does, and is not called so."""
    lost, slack = snap.value("load_lost"), snap.value("slack")
    if lost.known and lost.number >= 0.5:
        return LOAD_LOST
    if snap.hoist is HoistState.UNKNOWN and slack.known and slack.number >= 0.5:
        return LINE_SLACK
    return DIRECTION[snap.hoist]


def rules_in_words(count: int) -> str:
    return tr_n("{n} rule", "{n} rules", count)


def data_troubles(snap: Snapshot) -> list[str]:
    """What is wrong with the data, worst first; after a colon which sensors."""
    total = len(snap.sensors)
    troubles: list[str] = []
    if snap.health.connected is False:
        troubles.append(tr("BROKER NOT CONNECTED"))
    if height(snap).validity >= Validity.INVALID:
        troubles.append(tr("HEIGHT UNKNOWN"))
    elif height(snap).validity is Validity.DEGRADED:
        troubles.append(tr("height degraded"))
    for sensors, word in ((stale_sensors(snap), tr("SILENT")), (bad_sensors(snap), tr("REFUSED"))):
        if sensors:
            troubles.append(
                tr(
                    "{sensors} of {total} {word}: {names}",
                    sensors=len(sensors),
                    total=total,
                    word=word,
                    names=", ".join(sensors),
                )
            )
    if snap.blind_rules:
        troubles.append(tr("{rules} blind", rules=rules_in_words(snap.blind_rules)))
    return troubles


def no_alarm(snap: Snapshot) -> tuple[tuple[str, ...], Severity | None]:
    """What may be said where no alarm stands, the fullest wording first, and how grave that is: never more than is known."""
    rules = rules_in_words(snap.blind_rules)
    blind = tr("; {rules} cannot be judged", rules=rules) if snap.blind_rules else ""
    if expected_alarms(snap):
        known = tr(EXPECTED_WORDS)
        full = tr("No alarm but those {words}{blind}.", words=known, blind=blind)
        return (full, tr("No alarm but those {words}{blind}.", words=known, blind="")), Severity.NOTICE
    if any(alarm.active for alarm in set_aside_alarms(snap)):
        full = tr("No other alarm than those put aside{blind}.", blind=blind)
        return (full, tr("No other alarm than those put aside{blind}.", blind="")), Severity.CAUTION
    if snap.blind_rules and data_severity(snap) is not None:
        return (tr("△ No alarm from what can be seen; {rules} cannot be judged.", rules=rules),), Severity.CAUTION
    if snap.blind_rules:
        return (tr("No alarm; {rules} not judged yet: no evidence so far.", rules=rules),), None
    return (tr("No alarm"),), None
