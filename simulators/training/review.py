"""What came of a situation: where the block stopped, when each word came, and what braking fully would have done then.

The truth answers, not the monitor: copies of the plant are driven on with the brake pulled (see `simulators.trial.danger`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.model.alarm import Severity
from monitor.model.stream import SECOND_NS
from simulators.training.lesson import Heard, Lesson
from simulators.trial.danger import Trace, last_safe_moment, spare_room_m

CHAIN: Final = ("ease", "brake-now", "brake-fully", "will-cross")
"""The words on the way to a limit, in their order."""
_FULL: Final = 0.95
_PULLED: Final = 0.5


@dataclass(frozen=True, slots=True)
class WordReview:
    """A word, and what the truth would have made of it."""

    name: str
    severity: Severity
    after_s: float
    """Since the trainee had the levers."""
    height_m: float
    speed_m_s: float
    spare_m: float | None
    """Room to the limit that a full brake would have left, pulled after the hand's reaction; below zero by how far the block
    would have overrun it. None for a word that is not about the way to it."""


@dataclass(frozen=True, slots=True)
class Review:
    """All of it. Lengths are room to the limit, m: below zero the limit was passed."""

    kept: bool
    """Whether the block stayed inside the limit."""
    least_m: float
    """Least room to the limit."""
    struck: bool
    """Whether floor or crown was struck."""
    stopped_m: float
    """Height at the end."""
    fastest_m_s: float
    words: tuple[WordReview, ...]
    pulled_s: float | None
    """When the brake was first half pulled or more while the block moved, since the trainee had the levers; None: never."""
    full_s: float | None
    """When it was pulled fully."""
    last_s: float | None
    """The last moment at which pulling fully still kept the limit; None where there never was one, or where it would have kept it
    up to the end."""


def review(lesson: Lesson) -> Review:
    """Look back at a lesson that is over."""
    limits, down, course = lesson.rig.limits, lesson.situation.down, lesson.course
    rooms = [height - limits.lower_m if down else limits.upper_m - height for height in course.height_m]
    least = min(rooms, default=math.inf)
    names = {event.name for event in lesson.source.events if event.t_ns >= lesson.yours_ns}
    return Review(
        kept=least > 0.0,
        least_m=least,
        struck=bool(names & {"floor", "crown"}),
        stopped_m=course.height_m[-1] if course.height_m else lesson.plant.height_m,
        fastest_m_s=max(map(abs, course.speed_m_s), default=0.0),
        words=tuple(_word(lesson, heard) for heard in first_of_each(lesson.heard)),
        pulled_s=_first_pull(lesson, _PULLED),
        full_s=_first_pull(lesson, _FULL),
        last_s=_last_moment(lesson),
    )


def first_of_each(heard: Sequence[Heard]) -> list[Heard]:
    """Each word, the first time that it came."""
    seen: dict[str, Heard] = {}
    for one in heard:
        seen.setdefault(one.key, one)
    return list(seen.values())


def _word(lesson: Lesson, heard: Heard) -> WordReview:
    side = "down" if lesson.situation.down else "up"
    spare = None
    if heard.key in [f"{word}-{side}" for word in CHAIN]:
        spare = spare_room_m(heard.plant.clone(), lesson.situation.down, lesson.rig.limits.reaction_s, beyond=True)
    name = heard.key.partition(":")[0].removesuffix(f"-{side}").replace("-", " ")
    return WordReview(name, heard.severity, _since(lesson, heard.t_ns), heard.height_m, heard.speed_m_s, spare)


def _first_pull(lesson: Lesson, share: float) -> float | None:
    course = lesson.course
    rows = zip(course.t_ns, course.brake, course.speed_m_s, strict=True)
    return next((_since(lesson, t_ns) for t_ns, brake, speed in rows if brake >= share and abs(speed) > 0.05), None)


def _last_moment(lesson: Lesson) -> float | None:
    copies = lesson.course.copies
    safe_ns = last_safe_moment(Trace(lesson.situation.down, lesson.yours_ns, copies=copies))
    if safe_ns is None or safe_ns == copies[-1][0]:
        return None
    return _since(lesson, safe_ns)


def _since(lesson: Lesson, t_ns: int) -> float:
    return (t_ns - lesson.yours_ns) / SECOND_NS
