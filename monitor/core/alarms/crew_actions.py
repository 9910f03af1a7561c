"""What the crew can do to alarms, why it may not be done, and the words in which the answer is given.

How far an alarm may be set aside depends on its severity (`ASIDE`). ANSI/ISA-18.2 asks that shelving be the operator's,
limited in time and shown, and leaves times and severities to the site's alarm philosophy: the numbers here are common
practice, no source. A record is replayed by the table that it was made with.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, NamedTuple

from monitor.core.alarms.alarm import Alarm
from monitor.core.alarms.lifecycle import LIFE, Event
from monitor.model.alarm import AlarmState, Finding, Severity
from monitor.model.stream import SECOND_NS, Action, ActionKind
from monitor.text import printable

SHELVE_DEFAULT_S: Final = 1800.0


@dataclass(frozen=True, slots=True)
class Aside:
    """How far the crew may set an alarm of one severity aside."""

    longest_s: float
    """No shelf is for longer, s; 0: it is never shelved."""
    why: bool = False
    """Whether shelving it or taking it out of service asks for a name and a reason."""
    kept_while_true: bool = False
    """Whether it stays in service while its condition is true."""


_SHIFT_S: Final = 8 * 3600.0
_BEFORE: Final = Aside(12 * 3600.0)
ASIDE: Final[Mapping[int, Mapping[Severity, Aside]]] = MappingProxyType(
    {
        1: MappingProxyType(dict.fromkeys(Severity, _BEFORE)),
        2: MappingProxyType(
            {
                Severity.NOTICE: Aside(_SHIFT_S),
                Severity.CAUTION: Aside(_SHIFT_S),
                Severity.WARNING: Aside(1800.0, why=True),
                Severity.DANGER: Aside(0.0, why=True, kept_while_true=True),
            }
        ),
    }
)
"""By version, which a session's header names; records that name none were made by the first."""
ASIDE_NOW: Final = max(ASIDE)

WORDS: Final = MappingProxyType(
    {
        ActionKind.ACKNOWLEDGE: ("Acknowledged", Event.ACKNOWLEDGE),
        ActionKind.SHELVE: ("Shelved", Event.SHELVE),
        ActionKind.UNSHELVE: ("Unshelved", Event.UNSHELVE),
        ActionKind.RESET: ("Reset", Event.RESET),
        ActionKind.OUT_OF_SERVICE: ("Taken out of service", Event.REMOVE),
        ActionKind.IN_SERVICE: ("Put back in service", Event.RESTORE),
    }
)
"""How the answer begins, and the event, for each action on an alarm."""
_OBJECTIONS: Final = MappingProxyType(
    {
        Event.ACKNOWLEDGE: "there is nothing to acknowledge",
        Event.SHELVE: "it is out of service",
        Event.UNSHELVE: "it is not shelved",
        Event.RESET: "only an alarm that has latched and is no longer true can be reset",
        Event.REMOVE: "it is out of service already",
        Event.RESTORE: "it is not out of service",
    }
)


class Decision(NamedTuple):
    """What one action of the crew comes to."""

    finding: Finding
    """Records that it is done, or refused and why."""
    event: Event | None = None
    """What happens to each of `alarms`; None where nothing does."""
    alarms: Sequence[Alarm] = ()


def decide(
    action: Action, alarms: Sequence[Alarm], index: Mapping[str, int], aside: Mapping[Severity, Aside]
) -> Decision:
    """What `action` comes to for `alarms`, whose places by key `index` gives. Changes nothing."""
    if action.kind is ActionKind.SILENCE:
        return Decision(_done(action, "silence", "Silenced", ""))
    if action.kind is ActionKind.FALSE_ALARM:
        return Decision(_called_false(action, alarms, index))
    if action.kind not in WORDS:
        reason = f"{action.kind.value!r} is nothing that the alarms can do"
        return Decision(_refused(action, action.target, "Done", reason))
    word, event = WORDS[action.kind]
    if action.kind is ActionKind.ACKNOWLEDGE and not action.target:
        waiting = [alarm for alarm in alarms if alarm.state.waiting]
        if not waiting:
            return Decision(_refused(action, "all", word, "no alarm is waiting for it"))
        what = f"all {len(waiting)}" if len(waiting) > 1 else waiting[0].rule.message
        return Decision(_done(action, "all", word, what), event, waiting)
    place = index.get(action.target)
    if place is None:
        return Decision(_refused(action, action.target, word, f"there is no alarm {printable(action.target)!r}"))
    alarm = alarms[place]
    reason = _objection(action, alarm, event, aside[alarm.rule.severity])
    if reason:
        return Decision(_refused(action, action.target, word, f"{alarm.rule.message}: {reason}"))
    return Decision(_done(action, action.target, word, alarm.rule.message), event, (alarm,))


def _called_false(action: Action, alarms: Sequence[Alarm], index: Mapping[str, int]) -> Finding:
    """The crew's word that an alarm was false. It changes nothing about the alarm; the ledger keeps it."""
    place, kind = index.get(action.target), str(action.kind)
    if place is None:
        return _refused(action, kind, "Called false", f"there is no alarm {printable(action.target)!r}")
    return _done(action, kind, "Called false", alarms[place].rule.message)


def end_of_shelving_ns(action: Action) -> int:
    """When an alarm that `action` shelves comes back by itself, ns of stream time."""
    seconds = SHELVE_DEFAULT_S if action.number is None else action.number
    return action.t_ns + round(seconds * SECOND_NS)


def _objection(action: Action, alarm: Alarm, event: Event, aside: Aside) -> str:
    """Why `event` cannot be done to `alarm`, in words; empty when it can."""
    name = alarm.rule.severity.name
    if event is Event.SHELVE:
        if not aside.longest_s:
            return f"a {name} is never shelved"
        if alarm.state is AlarmState.OUT_OF_SERVICE:
            return _OBJECTIONS[event]
        if action.number is not None and not 0 < action.number <= aside.longest_s:
            return f"a {name} is shelved for more than 0 and at most {longest_words(aside)}"
    elif LIFE[alarm.state, event] is alarm.state:
        return _OBJECTIONS[event]
    elif event is not Event.REMOVE:
        return ""
    elif aside.kept_while_true and alarm.condition.true:
        return f"a {name} stays in service while it stands"
    if aside.why and not (action.who.strip() and action.text.strip()):
        return f"a {name} is set aside with a name and a reason only"
    return ""


def longest_words(aside: Aside) -> str:
    """The longest shelf in words: ``8 hours``."""
    hours, minutes = divmod(round(aside.longest_s / 60), 60)
    return f"{minutes} minutes" if not hours else f"{hours} hours"


def _done(action: Action, key: str, word: str, what: str) -> Finding:
    message = f"{word}{_signed(action)}" + (f": {what}" if what else "")
    return _answer(action, key, Severity.NOTICE, "done", message)


def _refused(action: Action, key: str, word: str, why: str) -> Finding:
    return _answer(action, key, Severity.CAUTION, "refused", f"Not {word[0].lower()}{word[1:]}{_signed(action)}: {why}")


def _signed(action: Action) -> str:
    return f" by {printable(action.who, 20)}" if action.who else ""


def _answer(action: Action, key: str, severity: Severity, after: str, message: str) -> Finding:
    return Finding(
        t_ns=action.t_ns,
        kind="action",
        key=printable(key) or action.kind.value,
        severity=severity,
        before="",
        after=after,
        message=message,
        guidance=printable(action.text, 400),
        number=action.number if action.number is None or math.isfinite(action.number) else None,
    )
