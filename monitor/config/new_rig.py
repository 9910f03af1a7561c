"""A rig's file made of a dozen answers: TOML with a comment behind every number that says where it comes from.

What nobody answered is left out of the file and stands at its end as a form to fill in: nothing is made up.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.config.toml_file import parse_toml, validate


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer, SI or in its sensor's own unit, and where it is from."""

    value: Any
    source: str


Answers = Mapping[str, Answer]
"""By the names in `FIELDS`, `_SENSORS` and `DRUM`."""

FIELDS: Final = (
    ("", "name", "name"), ("", "title", "title"), ("", "units", "units"),
    ("block", "mass_kg", "block"), ("block", "rated_load_kg", "rated"),
    ("mast", "crown_m", "crown"), ("mast", "floor_m", "floor"),
    ("limits", "upper_m", "upper"), ("limits", "lower_m", "lower"), ("limits", "overtravel_m", "overtravel"),
    ("limits", "max_speed_m_s", "max_speed"),
    ("line", "lines", "lines"), ("line", "rope_diameter_m", "rope"), ("line", "breaking_strength_n", "strength"),
    ("line", "fast_line_m", "fast_line"), ("line", "dead_line_m", "dead_line"),
    ("drum", "core_diameter_m", "core"), ("drum", "wraps_per_layer", "wraps"), ("drum", "inertia_kg_m2", "inertia"),
    ("reference", "height_m", "reference"), ("reference", "turns", "turns"), ("reference", "hook_load_n", "reference_load"),
)  # fmt: skip
"""Table, field, and the answer that goes there."""
_SENSOR: Final = (
    ("unit", "unit"), ("counts_per_turn", "counts_per_turn"), ("rate_hz", "rate"), ("stale_after_s", "stale"),
    ("range", "range"), ("sigma", "sigma"),
)  # fmt: skip
_COMMENT: Final = 44
"""Column at which the comments stand."""

FORM: Final[Mapping[str, str]] = {
    "line": """\
# [line]                        # reeving and rope: tension, design factor, wear, stop mark
# lines =                       # lines strung to the block
# rope_diameter_m =
# breaking_strength_n =         # the rope's certificate
# fast_line_m =                 # crown to drum
# dead_line_m =                 # crown to anchor
""",
    "drum": """\
# [drum]                        # layers, stop mark
# core_diameter_m =
# wraps_per_layer =
# inertia_kg_m2 =               # at the drum's shaft: drum, discs, rope, what is geared to them
""",
    "reference": """\
# [reference]                   # one height at which the wraps on the drum are known
# height_m =
# turns =                       # wraps on the drum at that height, dead wraps included
# hook_load_n =
""",
    "brake": """\
# [brake]                       # holding ratio, effectiveness, stop mark: by the maker's manual
# kind = "caliper"              # or "band": rim_radius_m, wrap_deg, bands, friction, full_pull_n, full_pressure_pa
# calipers =
# clamp_force_n =               # each, at full pressure
# full_pressure_pa =
# friction =
# effective_radius_m =
# emergency_calipers =          # 0 where there are none
# emergency_clamp_force_n =
# lift_pressure_pa =
# release_pressure_pa =
""",
    "braking": """\
# [braking]                     # timing and heat; ratios by the site's procedure
# lag_s =
# ramp_s =
# heat_capacity_j_k =
# cooling_tau_s =
# min_holding_ratio =
# ratio_origin = ""             # where the required ratio comes from
""",
    "aux": """\
# [aux]                         # auxiliary brake: "eddy", or "regen" with max_torque_n_m and max_power_w
# kind = "eddy"
# peak_torque_n_m =
# critical_speed_rad_s =
# rated_current_a =
""",
    "overtravel": """\
# overtravel_m =                # under [limits]: height at which the rig's own overtravel device is set
""",
    "hydraulics": """\
# [hydraulics]                  # accumulator: applications left, leaks
# accumulator_volume_m3 =
# precharge_pa =
# min_pressure_pa =
# max_pressure_pa =
# stroke_volume_m3 =            # per full application
""",
}
"""What a table asks for that nobody answered."""


def rig_text(answers: Answers, more: Sequence[Sensor] = ()) -> str:
    """The file's text; `more` are sensors beside those of position and load.

    Raises:
        ConfigError: the answers do not go together; every problem at once.
    """
    lines = [
        "# Written by `stopmark rig new`. Behind every number stands where it comes from: look at each of them, and put the",
        "# rig's own in place of what is not. SI units, except inside a sensor's table.",
        "format = 1",
    ]
    table = ""
    for place, field, name in FIELDS:
        if name not in answers:
            continue
        if place != table:
            lines += ["", f"[{place}]"]
            table = place
        lines.append(_line(field, answers[name]))
    lines += _sensor("position", answers) + _sensor("load", answers)
    for sensor in more:
        lines += _other_sensor(sensor)
    text = "\n".join(lines) + "\n"
    rig = validate(Rig, parse_toml(text, "the new rig's file"), "the new rig's file")
    missing = [form for name, form in FORM.items() if name in rig.missing]
    if missing:
        text += "\n# Not fitted, as nobody said it. Where it is known fill it in and take the # away; what needs it is absent.\n"
        text += "\n" + "\n".join(missing)
    return text


def _sensor(role: str, answers: Answers) -> list[str]:
    """A sensor's table."""
    quantity = answers[role]
    lines = ["", "[[sensors]]", f'id = "{role}"', _line("quantity", quantity)]
    topic = answers.get(f"{role}_topic")
    if topic is not None:
        lines.append(_line("topic", topic))
    lines += [_line(field, answer) for field, name in _SENSOR if (answer := answers.get(f"{role}_{name}")) is not None]
    return lines


def _other_sensor(sensor: Sensor) -> list[str]:
    """A sensor's table, as the log's map has it."""
    fields: list[tuple[str, Any]] = [
        ("id", sensor.id), ("quantity", sensor.quantity), ("unit", sensor.unit), ("rate_hz", sensor.rate_hz),
        ("stale_after_s", sensor.stale_after_s), ("range", sensor.range), ("sigma", sensor.sigma),
    ]  # fmt: skip
    return ["", "[[sensors]]", *(_line(name, Answer(value, "as the log has it")) for name, value in fields)]


def _line(field: str, answer: Answer) -> str:
    value = answer.value
    if isinstance(value, str):
        shown = f'"{value}"'
    elif isinstance(value, tuple):
        shown = f"[{', '.join(str(n) if isinstance(n, int) else f'{n:.6g}' for n in value)}]"
    elif isinstance(value, int):
        shown = str(value)
    else:
        shown = f"{value:.6g}"
    text = f"{field} = {shown}"
    return f"{text.ljust(_COMMENT - 1)} # {' '.join(answer.source.split())}" if answer.source else text
