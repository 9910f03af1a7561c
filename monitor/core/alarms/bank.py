"""The life of every alarm, after ANSI/ISA-18.2: from a condition that became true to somebody having dealt with it.

Theory of operation
-------------------
Each rule has one `Condition` (is it wrong now?) and one alarm state (what do people know and want of it?). `LIFE` in
`monitor.core.alarms.lifecycle` is the whole life as a table: for every state and event, the state that follows. Events come
from three sides:

* the condition: TRIP, CLEAR, and CLEAR_LATCHED (the same, for a latched rule);
* the crew: ACKNOWLEDGE, RESET, SHELVE, UNSHELVE, REMOVE (out of service), RESTORE (back in service);
* design: SUPPRESS and RELEASE, when a rule does not count in the present hoist state, a worse rule hides it, or a guided
  check brings it about just now and says so (`expected`).

Shelved, suppressed and out of service can be entered from any state. What they return to is for the condition to say
(`BY_CONDITION`): unacknowledged again if it is true, so that nothing wrong comes back silently; latched if it had
latched before; normal otherwise; suppressed if the design's reason still holds. A latch is lost by a reset only, and
until then design does not suppress that alarm: it is latched because what has happened must be seen, also when the
block has come to rest.

At a grid point the order is: conditions, shelves that have run out, design, then the conditions' events. So an alarm
that is hidden by a worse one of the same moment never shows up first. Two safety valves: an unknown hoist state leaves
suppression as it was (losing the data must not hide an alarm), and a suppressed rule's condition is evaluated all the
same, but without its off delay: what is right again by the time it would be reported is not reported.

Findings tell the story of an alarm: `before` of each is `after` of the one before. A normal alarm that is suppressed
and becomes normal again, as dozens do with every movement of the block, makes none. One that comes true while a guided
check expects it does make one, with the words "expected while testing": a test leaves its trace in the record.

Most rules are quiet at most grid points. They are kept in plain lists (`_rebuild_index`) where one comparison decides each;
only the others (true, pending, clearing, or an input that turned known or unknown) are stepped.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from monitor.config.rule import SENSOR_SIGNALS, RuleSet
from monitor.core.alarms.alarm import Alarm
from monitor.core.alarms.condition import DELAYED, ConditionState
from monitor.core.alarms.crew_actions import ASIDE, ASIDE_NOW, decide, end_of_shelving_ns
from monitor.core.alarms.lifecycle import BY_CONDITION, LATCHED, LIFE, SET_ASIDE, Event
from monitor.model.alarm import EXPECTED_WORDS, AlarmState, AlarmView, Finding
from monitor.model.reading import Flag, Validity
from monitor.model.snapshot import HoistState
from monitor.model.stream import Action, ActionKind

SensorFlags = Sequence[tuple[Flag, ...]]
"""Per sensor of the rig, one (number, validity) for each of SENSOR_SIGNALS. A tuple that is given again is not read again."""

NONE_EXPECTED: Final[frozenset[str]] = frozenset()
_EXPECTED_GUIDANCE: Final = f"{EXPECTED_WORDS.capitalize()}."
_NEVER_LATCH: Final = frozenset({AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})

_Changes = dict[int, AlarmState]
"""Places of the alarms that an event reached, each with its state before the first of them."""


def _next_expiry(alarms: Iterable[Alarm]) -> int | None:
    return min((alarm.shelved_until_ns for alarm in alarms if alarm.shelved_until_ns is not None), default=None)


class AlarmBank:
    """All alarms of one rig. Pure: its output depends on the calls made to it and on nothing else.

    Args:
        rules: the rig's rules.
        signal_names: the signals in the order in which `evaluate` gets their numbers.
        aside: version of what the crew may set aside (`crew_actions.ASIDE`).

    Raises:
        ValueError: a rule looks at a signal that is not among `signal_names`.
    """

    def __init__(self, rules: RuleSet, signal_names: Sequence[str], aside: int = ASIDE_NOW) -> None:
        places = {name: place for place, name in enumerate(signal_names)}
        flags = {name: place for place, name in enumerate(SENSOR_SIGNALS)}
        missing = sorted({rule.signal for rule in rules.rules if rule.sensor is None} - places.keys())
        if missing:
            raise ValueError(f"rules look at signals that do not exist: {', '.join(missing)}")
        self._rules = rules
        self._aside = ASIDE[aside]
        self._hoist = HoistState.UNKNOWN
        """The last known state; UNKNOWN before the first."""
        self._silenced = False
        self._expected = NONE_EXPECTED
        """Ids of the rules that a guided check brought about at the last grid point."""
        self._numbers: list[float] = [math.nan] * len(signal_names)
        self._validities: list[int] = [int(Validity.INVALID)] * len(signal_names)
        self._sensors: SensorFlags = ()
        self._unchanged_flags: SensorFlags | None = None
        """The flags last looked at, if nothing was due in them."""
        self._start(
            [
                Alarm(place, rule, places[rule.signal] if rule.sensor is None else flags[rule.signal])
                for place, rule in enumerate(rules.rules)
            ]
        )

    def _start(self, alarms: list[Alarm]) -> None:
        self._alarms = alarms
        for alarm in alarms:
            alarm.hidden_by = tuple(other for other in alarms if alarm.rule.key in other.rule.hides)
        self._expect(NONE_EXPECTED)
        self._last_hoist: HoistState | None = None
        """The hoist state that the last grid point came with."""
        self._suppression_dirty = True
        self._next_expiry_ns = _next_expiry(alarms)
        self._rebuild_index()

    def _expect(self, expected: frozenset[str]) -> None:
        """From now on a guided check brings about these rules, and no others."""
        self._expected = expected
        for alarm in self._alarms:
            alarm.expected = alarm.rule.id in expected
        self._suppressible = [
            alarm for alarm in self._alarms if alarm.rule.when or alarm.hidden_by or alarm.expected or alarm.suppressed
        ]

    # ---- evaluation -------------------------------------------------------------------------------------------------

    def evaluate(
        self,
        t_ns: int,
        numbers: Sequence[float],
        validities: Sequence[int],
        hoist: HoistState,
        sensors: SensorFlags,
        expected: frozenset[str] = NONE_EXPECTED,
    ) -> list[Finding]:
        """Take every signal at grid point `t_ns`, and say what changed, in the catalogue's order.

        Args:
            t_ns: the grid point, ns of stream time; never less than at the call before.
            numbers: the signals' numbers, SI, in the order of `signal_names`.
            validities: their validities, in the same order.
            hoist: what the hoist is doing. UNKNOWN leaves suppression as it was.
            sensors: the flags of each sensor of the rig.
            expected: ids of the rules that a guided check brings about just now: suppressed by design.
        """
        # Copies, so that nobody's later change of the lists shows in a view.
        numbers = self._numbers = list(numbers)
        validities = self._validities = list(validities)
        self._sensors = sensors
        # One comparison decides that a quiet rule stays quiet; `not <=` also catches NaN.
        due = [p for p, s, trip in self._above if validities[s] > 1 or not numbers[s] <= trip]
        due += [p for p, s, trip in self._below if validities[s] > 1 or not numbers[s] >= trip]
        due += [p for p, s, validity in self._unknown if validities[s] != validity]
        if sensors is not self._unchanged_flags:
            raised = [p for p, s, f, trip in self._flags if sensors[s][f][1] > 1 or not sensors[s][f][0] <= trip]
            due += raised
            # The very same flags, which nobody can change, need not be looked at again.
            self._unchanged_flags = sensors if not raised and type(sensors) is tuple else None
        due += self._stepped
        if expected is not self._expected:
            self._expect(expected)
            self._suppression_dirty = True
        expiry = self._next_expiry_ns
        if not due and hoist is self._last_hoist and not self._suppression_dirty and (expiry is None or t_ns < expiry):
            return []
        return self._evaluate_due(t_ns, sorted(due), hoist)

    def _evaluate_due(self, t_ns: int, due: list[int], hoist: HoistState) -> list[Finding]:
        changed: list[Alarm] = []
        index_dirty = False
        for place in due:
            alarm = self._alarms[place]
            condition = alarm.condition
            before, blind = condition.state, condition.blind
            number, validity = self._read(alarm)
            if condition.step_raw(t_ns, number, validity, alarm.suppressed):
                changed.append(alarm)
            if condition.state is not before or condition.blind is not blind or validity != alarm.validity:
                alarm.validity = validity
                index_dirty = True
        changes: _Changes = {}
        if self._next_expiry_ns is not None and t_ns >= self._next_expiry_ns:
            self._expire(t_ns, changes)
        if changed or self._suppression_dirty or hoist is not self._last_hoist:
            if hoist is not HoistState.UNKNOWN:
                self._hoist = hoist
            self._last_hoist = hoist
            self._apply_suppression(changes)
        for alarm in changed:
            clear = Event.CLEAR_LATCHED if alarm.rule.latched else Event.CLEAR
            self._apply(alarm, Event.TRIP if alarm.condition.true else clear, changes)
        if index_dirty:
            self._rebuild_index()
        return self._report_changes(t_ns, changes)

    def _read(self, alarm: Alarm) -> tuple[float, int]:
        sensor = alarm.rule.sensor
        if sensor is None:
            return self._numbers[alarm.source], self._validities[alarm.source]
        if not self._sensors:
            return math.nan, int(Validity.INVALID)
        return self._sensors[sensor][alarm.source]

    def _apply_suppression(self, changes: _Changes) -> None:
        """Suppress what does not count now, is expected or is hidden by something worse, and release what was so."""
        hoist = self._hoist
        for alarm in self._suppressible:
            suppressed = not alarm.latch and (
                alarm.expected
                or alarm.not_counted_in(hoist)
                or any(other.hides_now(hoist) for other in alarm.hidden_by)
            )
            if suppressed is not alarm.suppressed:
                alarm.suppressed = suppressed
                self._apply(alarm, Event.SUPPRESS if suppressed else Event.RELEASE, changes)
        self._suppression_dirty = False

    def _expire(self, t_ns: int, changes: _Changes) -> None:
        for alarm in self._alarms:
            if alarm.shelved_until_ns is not None and t_ns >= alarm.shelved_until_ns:
                self._apply(alarm, Event.UNSHELVE, changes)
        self._suppression_dirty = True

    def _apply(self, alarm: Alarm, event: Event, changes: _Changes) -> None:
        before = alarm.state
        after = LIFE[before, event]
        if event is Event.TRIP and alarm.rule.latched and before not in _NEVER_LATCH:
            alarm.latch = True
        if event is Event.RESET and before in LATCHED:
            alarm.latch = False
        if after is BY_CONDITION:
            after = alarm.state_by_condition()
            alarm.latch = alarm.latch or (alarm.rule.latched and after is AlarmState.UNACKNOWLEDGED)
        if alarm.rule.prompt and after is AlarmState.UNACKNOWLEDGED:
            after = AlarmState.ACKNOWLEDGED
        alarm.state = after
        if after is not AlarmState.SHELVED:
            alarm.shelved_until_ns = None
        changes.setdefault(alarm.place, before)

    def _report_changes(self, t_ns: int, changes: _Changes) -> list[Finding]:
        """Findings of the alarms whose state is now another than before `changes`, in the catalogue's order."""
        findings = []
        for place in sorted(changes):
            alarm = self._alarms[place]
            before, after = alarm.reported_state, alarm.state
            tested = alarm.expected and alarm.condition.true and after is AlarmState.SUPPRESSED
            if after is changes[place] and not (tested and before is AlarmState.NORMAL):
                continue
            alarm.since_ns = t_ns
            if after is AlarmState.UNACKNOWLEDGED:
                self._silenced = False
            if after is before or (after is AlarmState.SUPPRESSED and before is AlarmState.NORMAL and not tested):
                continue
            alarm.reported_state = after
            rule = alarm.rule
            findings.append(
                Finding(
                    t_ns,
                    "prompt" if rule.prompt else "alarm",
                    rule.key,
                    rule.severity,
                    before.value,
                    after.value,
                    rule.message,
                    _EXPECTED_GUIDANCE if tested else rule.guidance,
                    self._number(alarm),
                    rule.trip,
                )
            )
        if changes:
            self._next_expiry_ns = _next_expiry(self._alarms)
        return findings

    def _number(self, alarm: Alarm) -> float | None:
        number, validity = self._read(alarm)
        return number if validity <= Validity.DEGRADED and math.isfinite(number) else None

    def _rebuild_index(self) -> None:
        """Put each rule where `evaluate` looks for it."""
        self._above: list[tuple[int, int, float]] = []
        self._below: list[tuple[int, int, float]] = []
        self._flags: list[tuple[int, int, int, float]] = []
        self._unknown: list[tuple[int, int, int]] = []
        self._stepped: list[int] = []
        self._unchanged_flags = None
        for alarm in self._alarms:
            rule = alarm.rule
            place, source, known = alarm.place, alarm.source, alarm.validity <= Validity.DEGRADED
            if alarm.condition.state is not ConditionState.FALSE or (known and alarm.condition.blind):
                self._stepped.append(place)
            elif rule.sensor is not None:
                if known and rule.compare == "above":
                    self._flags.append((place, rule.sensor, source, rule.trip))
                else:
                    self._stepped.append(place)
            elif not known:
                self._unknown.append((place, source, alarm.validity))
            elif rule.compare == "above":
                self._above.append((place, source, rule.trip))
            else:
                self._below.append((place, source, rule.trip))

    # ---- the crew ---------------------------------------------------------------------------------------------------

    def act(self, action: Action) -> list[Finding]:
        """Do what the crew asks, at `action.t_ns`: one finding of kind "action", then those of the alarms it changed.

        What cannot be done is a finding too, with ``after="refused"`` and the reason in its message; nothing is raised.
        The action's `text`, if any, is the finding's guidance.
        """
        if action.kind is ActionKind.SILENCE:
            self._silenced = True
        finding, event, alarms = decide(action, self._alarms, self._rules.index, self._aside)
        if event is None:
            return [finding]
        changes: _Changes = {}
        for alarm in alarms:
            self._apply(alarm, event, changes)
            if event is Event.SHELVE:
                alarm.shelved_until_ns = end_of_shelving_ns(action)
        self._suppression_dirty = True
        return [finding, *self._report_changes(action.t_ns, changes)]

    @property
    def waiting(self) -> bool:
        """Whether a condition comes true, or ends, if it only lasts."""
        alarms = self._alarms
        for place in self._stepped:
            condition = alarms[place].condition
            if condition.state in DELAYED and not condition.blind:
                return True
        return False

    # ---- what a screen and a restart need ---------------------------------------------------------------------------

    @property
    def blind_rules(self) -> int:
        """How many rules cannot be evaluated because their input is invalid."""
        return sum(alarm.condition.blind for alarm in self._alarms)

    @property
    def silenced(self) -> bool:
        """Whether the sound is off; every newly unacknowledged alarm turns it on again."""
        return self._silenced

    def views(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not normal: worst first, unacknowledged before acknowledged, then by the precedence of its rule
        while it is true, newest first.

        Alarms that are shelved, suppressed or out of service come after all others, whatever their severity: they are
        not what the crew should look at now. Suppressed ones are listed only while their condition is true.
        """
        shown = [
            alarm
            for alarm in self._alarms
            if alarm.state is not AlarmState.NORMAL
            and (alarm.state is not AlarmState.SUPPRESSED or alarm.condition.true)
        ]
        shown.sort(
            key=lambda alarm: (
                alarm.state in SET_ASIDE,
                -alarm.rule.severity,
                not alarm.state.waiting,
                -alarm.rule.precedence if alarm.condition.true else 1,
                -alarm.since_ns,
                alarm.place,
            )
        )
        return tuple(
            AlarmView(
                key=alarm.rule.key,
                severity=alarm.rule.severity,
                state=alarm.state,
                message=alarm.rule.message,
                guidance=alarm.rule.guidance,
                signal=alarm.rule.signal,
                since_ns=alarm.since_ns,
                number=self._number(alarm),
                threshold=alarm.rule.trip,
                active=alarm.condition.true,
                blind=alarm.condition.blind,
                shelved_until_ns=alarm.shelved_until_ns,
                prompt=alarm.rule.prompt,
                expected=alarm.expected and alarm.state is AlarmState.SUPPRESSED,
            )
            for alarm in shown
        )

    def state(self) -> dict[str, Any]:
        """All that a restart must not lose, as plain JSON values."""
        return {
            "silenced": self._silenced,
            "hoist": self._hoist.value,
            "alarms": {alarm.rule.key: alarm.saved_state() for alarm in self._alarms if alarm.worth_saving},
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from what `state` gave, before the first grid point. Alarms of rules that no longer exist are dropped.

        Raises:
            ValueError: it is not what `state` gives; the bank is then as before.
        """
        try:
            hoist = HoistState(state["hoist"])
            silenced = bool(state["silenced"])
            fresh = [Alarm(alarm.place, alarm.rule, alarm.source) for alarm in self._alarms]
            for key, saved in state["alarms"].items():
                place = self._rules.index.get(key)
                if place is not None:
                    fresh[place].restore(saved)
                    self._end_unlawful_shelf(fresh[place])
        except (KeyError, TypeError, AttributeError, ValueError, OverflowError) as error:
            raise ValueError(f"saved alarms cannot be read: {error!r}") from None
        self._hoist, self._silenced = hoist, silenced
        self._start(fresh)

    def _end_unlawful_shelf(self, alarm: Alarm) -> None:
        """What an earlier version let the crew shelve, and this one does not, comes back at the first grid point."""
        if alarm.shelved_until_ns is not None and not self._aside[alarm.rule.severity].longest_s:
            alarm.shelved_until_ns = 0
