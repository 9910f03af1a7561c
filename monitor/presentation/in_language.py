"""A snapshot with its words in the language in force: what core and adapters say in English, for screens only."""

from dataclasses import replace

from monitor.language import tr_record
from monitor.language.words import ENGLISH, in_force
from monitor.model.alarm import AlarmView
from monitor.model.check import CheckView
from monitor.model.snapshot import SensorView, Snapshot


def in_language(snap: Snapshot) -> Snapshot:
    """`snap` as the crew reads it. Never to be recorded, nor sent on. Labels of a check's readings stay: they name signals."""
    if in_force() == ENGLISH:
        return snap
    return replace(
        snap,
        alarms=tuple(alarm_in_language(alarm) for alarm in snap.alarms),
        sensors=tuple(_sensor(sensor) for sensor in snap.sensors),
        checks=tuple(_check(check) for check in snap.checks),
        health=replace(snap.health, note=tr_record(snap.health.note)),
    )


def alarm_in_language(alarm: AlarmView) -> AlarmView:
    """One alarm, such as a history keeps it."""
    return replace(alarm, message=tr_record(alarm.message), guidance=tr_record(alarm.guidance))


def _sensor(sensor: SensorView) -> SensorView:
    if not (sensor.diagnosis or sensor.last_reason):
        return sensor
    return replace(sensor, diagnosis=tr_record(sensor.diagnosis), last_reason=tr_record(sensor.last_reason))


def _check(check: CheckView) -> CheckView:
    result = check.result
    return replace(
        check,
        title=tr_record(check.title),
        about=tr_record(check.about),
        unfit=tr_record(check.unfit),
        due_words=tr_record(check.due_words),
        hint=tr_record(check.hint),
        steps=tuple(replace(step, words=tr_record(step.words)) for step in check.steps),
        result=None if result is None else replace(result, reason=tr_record(result.reason)),
    )
