"""Representative snapshots for the screen's tests, built by hand: no core, no clock, the same at every run."""

import math
from dataclasses import replace
from functools import cache
from types import MappingProxyType

from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig
from monitor.model.alarm import AlarmState, AlarmView, Severity
from monitor.model.check import CheckReading, CheckResult, CheckStepView, CheckVerdict, CheckView
from monitor.model.reading import NOT_FITTED, UNKNOWN, Validity, Value
from monitor.model.snapshot import HoistState, Limits, SensorView, Snapshot, StopMarks
from monitor.model.stream import Health
from monitor.ui.history import History

T0_NS = 1_780_000_000_000_000_000
"""2026-05-28 20:26:40 UTC."""
SECOND = 1_000_000_000

NUMBERS = {
    "height": 18.42, "speed": 0.0, "acceleration": 0.0, "height_bound": 0.06, "speed_bound": 0.01, "turns": 92.4,
    "layer": 2.0, "room_up": 19.08, "room_down": 16.92, "reach_expected": 0.0, "reach_assured": 0.0, "margin_up": 19.08,
    "margin_down": 16.92, "brake_time_up": 999.0, "brake_time_down": 999.0, "late_margin_up": 19.08,
    "late_margin_down": 16.92, "fully_margin_up": 19.08, "fully_margin_down": 16.92, "cross_margin_up": 19.08,
    "cross_margin_down": 16.92, "overrun_least": 0.0, "overrun_most": 0.0, "crossing_speed_least": 0.0,
    "crossing_speed_most": 0.0, "allowed_speed": 1.6, "speed_excess": -1.6, "overtravel_room": 20.08,
    "height_unknown": 0.0, "slow_data": 0.0, "hook_load": 986_000.0, "string_load": 770_000.0, "line_work": 9.1e9,
    "line_work_since_cut": 4.3e9, "line_to_cut": 5.6,
    "fast_line_tension": 105_000.0, "design_factor": 8.1, "slack": 0.0, "load_over_rating": 0.30,
    "service_pressure_1": 8.6e6, "service_pressure_2": 8.5e6, "pressure_shortfall": 0.0, "circuit_ratio": 0.99,
    "emergency_release_pressure": 12.1e6, "accumulator_pressure": 14.1e6, "applications_left": 15.0,
    "holding_ratio": 5.84, "emergency_ratio": 3.10, "emergency_reach": 2.35,
    "brake_lever": 0.6, "clutch_engaged": 0.0, "aux_current": 0.0,
    "aux_torque": 0.0, "aux_share": 0.86, "disc_temperature_left": 64.0, "disc_temperature_right": 66.0,
    "disc_difference": 2.0, "disc_imbalance": 1.0, "coolant_temperature": 41.0,
    "effectiveness": 0.97, "effectiveness_bound": 0.16,
    "response_time": 0.24, "creep": 0.0,
    "leak_rate": 200.0, "fade": 0.0, "overtravel_electric": 0.0, "overtravel_air": 0.0, "overtravel_disagree": 0.0,
    "overtravel_untested": 0.0, "loop_lag": 0.002, "dropped": 0.0, "recorder_failed": 0.0, "disconnected": 0.0,
}  # fmt: skip

LIMITS = Limits(floor_m=0.0, lower_m=1.5, upper_m=37.5, crown_m=42.0)
_STOPPED = StopMarks(expected_m=18.42, assured_up_m=18.42, assured_down_m=18.42, stops=True)


@cache
def rig(name: str = "land") -> Rig:
    """A shipped rig."""
    return find_rig(name)


def sensors(the_rig: Rig, silent: tuple[str, ...] = (), refused: tuple[str, ...] = ()) -> tuple[SensorView, ...]:
    """Health records: everything fresh but what is named."""
    views = []
    for index, sensor in enumerate(the_rig.sensors):
        gone, bad = sensor.id in silent, sensor.id in refused
        number = NUMBERS.get(sensor.quantity, 1_045_312.0)
        fused = sensor.role == "position"
        views.append(
            SensorView(
                id=sensor.id,
                quantity=sensor.quantity,
                unit=sensor.unit,
                value=UNKNOWN if gone else Value(number, Validity.VALID),
                age_s=42.0 if gone else 0.02 + 0.01 * (index % 4),
                rate_hz=0.0 if gone else sensor.rate_hz,
                latency_s=0.031 if sensor.time is not None else None,
                innovation=0.004 if fused and not gone else None,
                test_ratio=(7.5 if bad else 0.12) if fused and not gone else None,
                fused=18_204 if fused else 0,
                rejected=37 if bad else 0,
                last_reason="disagrees with the estimate" if bad else "",
                stale=gone,
                rejecting=bad,
                out_of_range=False,
                diagnosis="reads 0.31 m low since 20:14, most likely slip on its drive" if bad else "",
            )
        )
    return tuple(views)


def values(**changes: float | Value) -> MappingProxyType[str, Value]:
    """All signals at rest at mid-height, VALID, with changes."""
    table = {name: Value(number, Validity.VALID) for name, number in NUMBERS.items()}
    for name, change in changes.items():
        table[name] = change if isinstance(change, Value) else Value(change, Validity.VALID)
    return MappingProxyType(table)


def alarm(key: str, severity: Severity, message: str, guidance: str = "", **changes: object) -> AlarmView:
    """An active, unacknowledged alarm."""
    view = AlarmView(
        key=key,
        severity=severity,
        state=AlarmState.UNACKNOWLEDGED,
        message=message,
        guidance=guidance,
        signal="margin_down",
        since_ns=T0_NS - 2 * SECOND,
        number=-0.4,
        threshold=0.0,
        active=True,
    )
    return replace(view, **changes)  # type: ignore[arg-type]


def checks() -> tuple[CheckView, ...]:
    """One check that runs, one passed, one failed and due, one that this rig cannot run."""
    running = CheckView(
        id="brake-holding",
        title="Brake holding test",
        about="The service brake alone holds a known load without creeping.",
        unfit="",
        due=False,
        due_ns=None,
        due_words="never passed in this record",
        running=True,
        steps=(
            CheckStepView(
                "Load of the site's procedure on the hook, service brake set, drive off. Confirm.", "done", True
            ),
            CheckStepView("Nothing is touched while the time runs.", "now", False),
        ),
        since_ns=T0_NS - 42 * SECOND,
        who="KR",
        hint="the block is not yet at rest",
        progress=0.4,
        readings=(
            CheckReading("creep so far", Value(0.004, Validity.VALID), "length", "at most", 0.01),
            CheckReading("service pressure, lower", Value(8.5e6, Validity.VALID), "pressure", "at least", 5.6e6),
            CheckReading("hook load", Value(986_000.0, Validity.VALID), "force"),
        ),
    )
    passed = replace(
        running,
        id="overtravel-function",
        title="Overtravel function test",
        about="The device acts at its set height, and the hoist then stops.",
        running=False,
        due_words="within 12 h",
        hint="",
        progress=0.0,
        readings=(),
        steps=tuple(replace(step, state="open") for step in running.steps),
        result=CheckResult(
            T0_NS - 7200 * SECOND, "AB", CheckVerdict.PASS, "It acted 0.08 m below its set height; stopped in 0.6 m.",
            (CheckReading("acted at", Value(38.42, Validity.VALID), "length", "near", 38.5),),
        ),
        passed_ns=T0_NS - 7200 * SECOND,
    )  # fmt: skip
    failed = replace(
        passed,
        id="pressure-leak-down",
        title="Pressure leak-down",
        about="With the pump off and the brake left alone, the accumulator keeps its pressure.",
        due=True,
        due_words="the last one failed",
        result=CheckResult(T0_NS - 900 * SECOND, "KR", CheckVerdict.FAIL, "The pressure falls faster than allowed.",
                           (CheckReading("slope", Value(21e3, Validity.VALID), "pressure", "at most", 15e3),)),
        passed_ns=None,
    )  # fmt: skip
    unfit = replace(passed, id="auxiliary-brake", title="Auxiliary brake test", unfit="no auxiliary brake", result=None)
    return running, passed, failed, replace(unfit, passed_ns=None)


def still() -> Snapshot:
    """At rest, brake on, nothing wrong."""
    the_rig = rig()
    return Snapshot(
        t_ns=T0_NS,
        rig="land",
        hoist=HoistState.STILL,
        values=values(),
        marks=_STOPPED,
        limits=LIMITS,
        alarms=(),
        blind_rules=0,
        sensors=sensors(the_rig),
        health=Health(recording="on", connected=True, lag_s=0.002),
        checks=checks(),
    )


def calm() -> Snapshot:
    """Lowering at an easy speed, plenty of room."""
    return replace(
        still(),
        hoist=HoistState.LOWERING,
        values=values(
            speed=-0.84, reach_expected=1.05, reach_assured=1.71, margin_down=15.21, brake_time_down=18.1,
            late_margin_down=16.3, speed_excess=-0.76, service_pressure_1=0.2e6, service_pressure_2=0.2e6,
            brake_lever=0.0, aux_current=41.0, aux_torque=62_000.0,
        ),
        marks=StopMarks(expected_m=17.37, assured_up_m=18.42, assured_down_m=16.71, stops=True),
    )  # fmt: skip


def hoisting() -> Snapshot:
    """Empty block going up fast, still with room."""
    return replace(
        still(),
        hoist=HoistState.HOISTING,
        values=values(
            height=29.06, speed=1.38, room_up=8.44, room_down=27.56, reach_expected=1.9, reach_assured=2.84,
            margin_up=5.6, margin_down=27.56, brake_time_up=4.0, hook_load=216_000.0, string_load=0.0,
            clutch_engaged=1.0, service_pressure_1=0.1e6, service_pressure_2=0.1e6, brake_lever=0.0,
            overtravel_room=9.44,
        ),
        marks=StopMarks(expected_m=30.96, assured_up_m=31.9, assured_down_m=29.06, stops=True),
    )  # fmt: skip


def warning() -> Snapshot:
    """Lowering toward the floor: brake now. A second, lesser alarm stands behind it."""
    return replace(
        calm(),
        values=values(
            height=4.31, speed=-1.42, room_up=33.19, room_down=2.81, reach_expected=2.1, reach_assured=2.9,
            margin_down=-0.09, brake_time_down=0.0, late_margin_down=1.2, allowed_speed=1.38, speed_excess=0.04,
            aux_share=0.41, service_pressure_1=1.1e6, service_pressure_2=1.0e6, brake_lever=0.1,
            disc_temperature_left=143.0,
        ),
        marks=StopMarks(expected_m=2.2, assured_up_m=4.31, assured_down_m=1.41, stops=True),
        alarms=(
            alarm(
                "lower-limit-brake-now",
                Severity.WARNING,
                "BRAKE NOW: the block will reach the lower limit",
                "the block and the floor; brake fully, then the auxiliary brake's current",
            ),
            alarm(
                "aux-share-low",
                Severity.CAUTION,
                "Auxiliary brake takes only 41 % of the descent",
                "auxiliary brake current and its coolant",
                state=AlarmState.ACKNOWLEDGED,
                signal="aux_share",
                number=0.41,
                threshold=0.6,
            ),
        ),
    )  # fmt: skip


def danger() -> Snapshot:
    """It will cross, and the brake as assumed would not stop the load."""
    return replace(
        warning(),
        values=values(
            height=2.02, speed=-1.77, room_up=35.48, room_down=0.52, reach_expected=math.inf, reach_assured=math.inf,
            margin_down=Value(-math.inf, Validity.VALID), brake_time_down=0.0, late_margin_down=-2.2,
            fully_margin_down=-math.inf, cross_margin_down=-0.85, overrun_least=0.85, overrun_most=math.inf,
            crossing_speed_least=1.31, crossing_speed_most=1.9,
            allowed_speed=0.31, speed_excess=1.46, holding_ratio=0.81, service_pressure_1=5.2e6,
            service_pressure_2=1.1e6, brake_lever=1.0, circuit_ratio=0.21, effectiveness=0.44, effectiveness_bound=0.12,
        ),
        marks=StopMarks(expected_m=math.nan, assured_up_m=math.nan, assured_down_m=math.nan, stops=False),
        alarms=(
            alarm(
                "lower-limit-crossing",
                Severity.DANGER,
                "Will cross: lower limit",
                "Keep the full brake on; emergency brake per procedure; check all are clear.",
                signal="cross_margin_down",
                number=-0.85,
            ),
            alarm("circuits-unequal", Severity.WARNING, "Brake circuits unequal", "both service pressures",
            signal="circuit_ratio"), alarm("holding-low", Severity.WARNING, "Brake holds less than the load needs",
            "load", signal="holding_ratio"),
        ),
    )  # fmt: skip


def brake_lost() -> Snapshot:
    """Lowering, and both circuits show next to nothing although the lever asks for all."""
    base = calm()
    lost = values(
        speed=-1.1, height=12.4, room_up=25.1, room_down=10.9, reach_expected=math.inf, reach_assured=math.inf,
        margin_down=-math.inf, service_pressure_1=0.05e6, service_pressure_2=0.04e6, brake_lever=1.0, holding_ratio=0.0,
        service_brake_lost=1.0, allowed_speed=0.0, speed_excess=1.1, fully_margin_down=-math.inf, brake_time_down=0.0,
    )  # fmt: skip
    return replace(
        base,
        values=lost,
        marks=StopMarks(expected_m=math.nan, assured_up_m=math.nan, assured_down_m=math.nan, stops=False),
        alarms=(
            alarm("brake-fully-down", Severity.DANGER, "Brake fully now: lower limit",
                  "Full brake now, and keep it on: nothing less stops short. Look at the block.",
                  signal="fully_margin_down", number=-math.inf),
            alarm("service-brake-lost", Severity.DANGER, "No service brake left",
                  "Emergency brake, load in the slips, by procedure. Check pressures and load.",
                  signal="service_brake_lost", number=1.0, threshold=0.5),
        ),
    )  # fmt: skip


def height_unknown() -> Snapshot:
    """The drum encoder fell silent: no height, no room, no stop mark."""
    lost = (
        "height", "speed", "acceleration", "height_bound", "speed_bound", "turns", "layer", "room_up", "room_down",
        "reach_expected", "reach_assured", "margin_up", "margin_down", "brake_time_up", "brake_time_down",
        "late_margin_up", "late_margin_down", "fully_margin_up", "fully_margin_down", "cross_margin_up", "cross_margin_down",
        "overrun_least", "overrun_most", "crossing_speed_least", "crossing_speed_most", "allowed_speed",
        "speed_excess", "overtravel_room",
    )  # fmt: skip
    return replace(
        calm(),
        hoist=HoistState.UNKNOWN,
        values=values(**dict.fromkeys(lost, UNKNOWN), height_unknown=1.0),
        marks=StopMarks(math.nan, math.nan, math.nan, stops=True),
        sensors=sensors(rig(), silent=("drum",)),
        blind_rules=9,
        alarms=(
            alarm(
                "height-unknown",
                Severity.DANGER,
                "HEIGHT UNKNOWN: limits are not watched",
                "the block itself; then the drum encoder, its cable and its topic",
                signal="height_unknown",
                number=1.0,
                threshold=1.0,
            ),
            alarm(
                "sensor-stale:drum",
                Severity.WARNING,
                "drum has been silent for 42 s",
                "its cable",
                signal="sensor_stale",
            ),
        ),
    )


def degraded() -> Snapshot:
    """Readings come late: the height is predicted, and its bound has grown."""
    shaky = {
        name: Value(number, Validity.DEGRADED)
        for name, number in {"height": 18.42, "speed": -0.8, "room_down": 16.92, "room_up": 19.08, "height_bound": 0.41,
                             "reach_assured": 1.9, "margin_down": 14.6}.items()
    }  # fmt: skip
    base = calm()
    return replace(
        base,
        values=MappingProxyType({**base.values, **shaky}),
        alarms=(
            alarm("slow-data", Severity.CAUTION, "Drum readings come too slowly", "the drum encoder and the network",
                  signal="slow_data", number=1.0, threshold=1.0),
        ),
    )  # fmt: skip


def flood() -> Snapshot:
    """Many alarms at once, in every state, with texts that try to be markup or control codes."""
    base = warning()
    states = list(AlarmState)[1:]
    many = tuple(
        alarm(
            f"rule-{index}:sensor-{index}",
            Severity(3 - index // 8),
            f"[red]Alarm[/red] number {index}: pressure 12.{index} bar \x1b[31mbelow 20 bar",
            f"valve {index} and [link=x]its pipe[/link]",
            state=states[index % len(states)],
            active=index % 3 != 0,
            blind=index % 7 == 0,
            since_ns=T0_NS - index * 11 * SECOND,
            signal="accumulator_pressure",
            number=1.2e6,
            threshold=2e6,
            shelved_until_ns=T0_NS + 600 * SECOND if states[index % len(states)] is AlarmState.SHELVED else None,
        )
        for index in range(30)
    )
    return replace(base, alarms=many, blind_rules=3, sensors=sensors(rig(), ("hook-load",), ("drum",)),
                   rejects=MappingProxyType({"not a number": 12, "topic not configured": 3}))  # fmt: skip


def bare() -> Snapshot:
    """A rig with next to nothing on it: no auxiliary brake, no temperatures, not recording."""
    fitted = ("aux_current", "aux_torque", "aux_share", "disc_temperature_left", "disc_temperature_right",
    "disc_difference",
    "disc_imbalance",
              "coolant_temperature", "emergency_ratio", "emergency_release_pressure", "overtravel_air")  # fmt: skip
    return replace(calm(), values=values(**dict.fromkeys(fitted, NOT_FITTED)), health=Health(recording="failed"))


SAMPLES = {
    "still": still, "calm": calm, "hoisting": hoisting, "warning": warning, "danger": danger, "unknown": height_unknown,
    "lost": brake_lost, "degraded": degraded, "flood": flood, "bare": bare,
}  # fmt: skip


def story(seconds: int = 300) -> list[Snapshot]:
    """Snapshots twice a second that end like `warning`: a descent that speeds up, one gap without readings."""
    end = warning()
    snaps = []
    for step in range(2 * seconds):
        back_s = seconds - step / 2
        height = 4.31 + 0.11 * back_s
        speed = -1.42 + 0.9 * min(1.0, back_s / 60)
        lost = 100 < back_s < 120
        margin = height - 1.5 - 2.0 * speed * speed
        moved = {
            "height": height, "speed": speed, "margin_down": margin, "margin_up": 37.5 - height,
            "accumulator_pressure": 14.1e6 - 2e4 * (step % 60), "hook_load": 986_000.0 + 4000.0 * math.sin(step / 5),
        }  # fmt: skip
        table = {**end.values}
        for name, number in moved.items():
            table[name] = UNKNOWN if lost else Value(number, Validity.VALID)
        snaps.append(
            replace(
                end,
                t_ns=T0_NS - round(back_s * SECOND),
                values=MappingProxyType(table),
                alarms=end.alarms if back_s < 3 else end.alarms[1:] if back_s < 80 else (),
            )
        )
    return snaps


def history() -> History:
    """What the screen would remember of `story`."""
    memory = History()
    for snap in story():
        memory.feed(snap)
    return memory
