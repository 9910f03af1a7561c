"""The picture of the chain of words in the README: at which room each word comes, over the speed.

``python -m tests.benchmarks.word_curves`` writes it again. It is drawn from the monitor's own calculators on the land rig of
config/rigs; a test holds the file against them.
"""

import math
import sys
from pathlib import Path

from monitor.config.rig_file import find_rig
from monitor.core.brakes.health import BrakeHealth
from monitor.core.brakes.model import BrakeModel
from monitor.core.estimator.estimate import Estimate
from monitor.core.hoist.crossing import LastMoments
from monitor.core.hoist.stopping import Brakes, Load, StopCalculator
from monitor.model.acting import ActingBrakes
from monitor.model.reading import Validity

FILE = Path(__file__).parent / "pictures" / "words.svg"
_HOOK_N = 1.2e6
_WORDS = (
    ("ease", "#5d6b78", "7 4"),
    ("brake now", "#c9660a", ""),
    ("brake fully now", "#b3201a", ""),
    ("will cross", "#7a0f0b", "2 3"),
)
_LEFT, _TOP, _WIDE, _TALL = 60, 46, 620, 300
_MOST_ROOM_M, _MOST_SPEED_M_S = 12.0, 1.8


def rooms(speed_m_s: float) -> tuple[float, ...]:
    """Room to the lower limit, m, at which each word comes, of a block lowered steadily at that speed with the brake off."""
    rig = find_rig("land")
    brake = BrakeModel(rig)
    health = BrakeHealth(rig, brake)
    full = brake.full_pressure_pa
    scale, low = health.friction_scales(-1)
    expected, assured = brake.full_torque_n_m(full, scale), brake.full_torque_n_m(full, low)
    strongest = brake.full_torque_n_m(full, health.strongest_scale())
    doubt = rig.uncertainty.load
    load = Load(_HOOK_N, _HOOK_N * (1 - doubt), _HOOK_N * (1 + doubt))
    height_m = rig.limits.lower_m + 20.0
    motion = Estimate(0, height_m, -speed_m_s, 0.0, 0.01, 0.01, 0.03, 0.03, 0.03, Validity.VALID, 60.0, 2, 0.42, False)
    stop = StopCalculator(rig).solve(motion, load, Brakes(expected, assured))
    last = LastMoments(rig).solve(motion, load, expected, strongest, ActingBrakes(0.0, 0.0, 0.0, driven=False))
    brake_now = stop.room_down_m - stop.margin_down_m
    return (
        brake_now + rig.limits.ease_s * speed_m_s,
        brake_now,
        stop.room_down_m - last.fully_margin_down_m,
        stop.room_down_m - last.cross_margin_down_m,
    )


def picture() -> str:
    """The picture as SVG."""
    speeds = [0.1 + 0.05 * i for i in range(34)]
    found = [rooms(speed) for speed in speeds]

    def x(room_m: float) -> float:
        return _LEFT + _WIDE * (1.0 - room_m / _MOST_ROOM_M)

    def y(speed: float) -> float:
        return _TOP + _TALL * (1.0 - speed / _MOST_SPEED_M_S)

    bottom = _TOP + _TALL
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_LEFT + _WIDE + 40} {bottom + 54}" width="720" role="img"'
        ' font-family="sans-serif" font-size="13">',
        "<title>Room to the limit at which each word comes, over the speed of the block</title>",
        '<rect width="100%" height="100%" fill="#fff"/>',
    ]
    for room in range(0, int(_MOST_ROOM_M) + 1, 2):
        parts.append(f'<path d="M{x(room):.1f} {_TOP}V{bottom}" stroke="#e3e3e3"/>')
        parts.append(f'<text x="{x(room):.1f}" y="{bottom + 18}" text-anchor="middle">{room} m</text>')
    for tenths in range(0, 18, 5):
        parts.append(f'<path d="M{_LEFT} {y(tenths / 10):.1f}h{_WIDE}" stroke="#e3e3e3"/>')
        parts.append(f'<text x="{_LEFT - 8}" y="{y(tenths / 10) + 4:.1f}" text-anchor="end">{tenths / 10}</text>')
    parts.append(f'<path d="M{x(0):.1f} {_TOP}V{bottom}" stroke="#000" stroke-width="3"/>')
    parts.append(f'<text x="{x(0):.1f}" y="{_TOP - 8}" text-anchor="end">the limit</text>')
    parts.append(f'<text x="{_LEFT}" y="{_TOP - 26}">speed of lowering, m/s</text>')
    parts.append(f'<text x="{_LEFT + _WIDE / 2}" y="{bottom + 40}" text-anchor="middle">room to the lower limit</text>')
    for i, (word, colour, dashes) in enumerate(_WORDS):
        points = [(x(r[i]), y(v)) for v, r in zip(speeds, found, strict=True) if r[i] <= _MOST_ROOM_M]
        line = " ".join(f"{px:.1f},{py:.1f}" for px, py in points)
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        parts.append(f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2.5"{dash}/>')
        parts.append(f'<path d="M{_LEFT + 14} {bottom - 86 + 20 * i}h34" stroke="{colour}" stroke-width="2.5"{dash}/>')
        parts.append(f'<text x="{_LEFT + 56}" y="{bottom - 82 + 20 * i}">{word}</text>')
    return "".join(parts) + "</svg>\n"


def main() -> int:
    """Write the picture."""
    FILE.parent.mkdir(exist_ok=True)
    FILE.write_text(picture(), encoding="utf-8")
    speed = 1.0
    told = ", ".join(f"{word[0]} {room:.2f} m" for word, room in zip(_WORDS, rooms(speed), strict=True))
    print(f"{FILE}: at {speed:.1f} m/s {told}" if all(map(math.isfinite, rooms(speed))) else f"{FILE} is written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
