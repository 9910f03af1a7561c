"""Where the block is, how fast it moves, and how sure that is, from whatever position sensors the rig has.

Theory of operation. One filter (`kinematic_filter`) runs in metres of block height as the unloaded line would give it: turns
of the drum through the layer curve, or a ready-made block position with its stretch taken out. Load stretch is put on at the
output, so that a pick-up of the string is not mistaken for motion of the drum.

Every good reading of every sensor comes through `ingest`; a table says what takes it. Positions are taken in at their own
time, in order of arrival (`source_clock`). The filter's time is the newest reading's time, never later; `estimate` predicts
from there, and changes nothing.

The leading source feeds the filter (`position_filter`). A second source is compared with it all the time (`second_source`),
and takes the lead where the leader falls silent, sticks or is refused: it goes on from the height they last agreed on. Height
marks, second sources and the crew state heights from outside (`height_references`): what they differ by corrects the drum's
curve (`datum`) where that can explain it, and is a doubt on the height where not. A ready-made position can show by itself that
it means a height again (`regain`).

What is then said of height and speed, with bounds and validity, is `prediction`.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.config.sensor import Sensor
from monitor.core.estimator.estimate import Estimate, Fusion
from monitor.core.estimator.height_frame import HeightFrame
from monitor.core.estimator.height_references import HeightReferences
from monitor.core.estimator.hook_load import HookLoad
from monitor.core.estimator.place_filter import MOST_M
from monitor.core.estimator.plausibility import CLUTCH_IN, FreeMotionDetector, PlausibilityMonitor
from monitor.core.estimator.position_filter import LOST_HEIGHT_DOUBT_M, PositionFilter
from monitor.core.estimator.prediction import predict, unknown_estimate
from monitor.core.estimator.regain import HeightRegain
from monitor.core.estimator.second_source import SecondSource
from monitor.core.estimator.sources import (
    DELAY_KNOWN_READINGS,
    FROZEN,
    REFUSING,
    TRACKING,
    HeightMark,
    PositionSource,
    clock_of,
)
from monitor.core.saved_state import number, numbers, part, whole, words
from monitor.model.reading import RejectReason, Sample

__all__ = ["Estimate", "Estimator", "Fusion"]

Handler = Callable[[Sample], RejectReason | None]
BRAKE_ON: Final = 0.05
"""Travel of the brake lever from which on the friction brake is on."""
CLOSED: Final = 0.2
"""Share of full pressure with which a brake surely is on."""


class Estimator:
    """Height, speed and acceleration of the block from a rig's position sensors and marks. See the top of this file."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._frame = frame = HeightFrame(rig)
        self._plausibility = PlausibilityMonitor(rig)
        self._hook_load = HookLoad(rig)
        self._free_motion = FreeMotionDetector(rig)
        self.direction = 0
        """Last direction of motion, as the hoist's tracker has it: the friction in the tackle goes with it."""
        reference = rig.reference
        self._sources: dict[int, PositionSource] = {}
        self._marks: dict[int, HeightMark] = {}
        working = frame.layers.locate(rig.mast.crown_m)[0] - frame.layers.locate(rig.mast.floor_m)[0]
        self._working_turns = 1.2 * working
        """Turns of the drum between floor and crown, with a fifth to spare."""
        for index, sensor in enumerate(rig.sensors):
            if sensor.role == "position":
                source = self._sources[index] = PositionSource(sensor)
                counts = reference.counts.get(sensor.id)
                if source.drum and counts is not None and not source.wraps_within(self._working_turns):
                    source.offset = reference.turns - counts * source.per_count
                    source.referenced = True
            elif sensor.role == "mark" and sensor.height_m is not None:
                self._marks[index] = HeightMark(sensor, sensor.height_m, clock_of(sensor))
        self._order = tuple(self._sources.values())
        lead = next((source for source in self._order if source.referenced), self._order[0])
        self._track = track = PositionFilter(rig, frame, lead)
        self._closed_pa = CLOSED * rig.brake.full_pressure_pa if rig.has("brake") else math.inf
        self._references = HeightReferences(rig, track, self._order)
        self._second = SecondSource(track, self._references)
        self._regain = HeightRegain(rig, track)
        self._handlers = [self._handler_for(sensor) for sensor in rig.sensors]
        wanted = self._free_motion.quantities
        self._free_motion_inputs = [sensor.quantity if sensor.quantity in wanted else "" for sensor in rig.sensors]
        self.uses = [
            handler is not None or quantity != ""
            for handler, quantity in zip(self._handlers, self._free_motion_inputs, strict=True)
        ]
        """Of each sensor of the rig, whether `ingest` has any use for its readings."""

    # --- inputs ------------------------------------------------------------------------------------------------------

    def ingest(self, sample: Sample) -> RejectReason | None:
        """Take in a good reading of any sensor; the reason where the filter refuses it. What it has no use for, it ignores."""
        sensor = sample.sensor
        handler = self._handlers[sensor]
        reason = None if handler is None else handler(sample)
        quantity = self._free_motion_inputs[sensor]
        if quantity:
            self._free_motion.add_reading(sample.t_ns, quantity, sample.value)
        return reason

    def _handler_for(self, sensor: Sensor) -> Handler | None:
        """What takes the readings of a sensor: by its role, else by its quantity."""
        by_role: dict[str, Handler] = {
            "position": self._take_position,
            "mark": self._take_mark,
            "load": self._take_load,
        }
        by_quantity: dict[str, Handler] = {
            "brake_lever": self._take_lever,
            "clutch_engaged": self._take_clutch,
            "service_pressure_1": self._take_pressure,
            "service_pressure_2": self._take_pressure,
        }
        return by_role.get(sensor.role) or by_quantity.get(sensor.quantity)

    def _take_position(self, sample: Sample) -> RejectReason | None:
        """When it was taken, what height it means, and what the filter makes of it."""
        source = self._sources[sample.sensor]
        track, value = self._track, sample.value
        taken = self._taken_ns(source, sample)
        since = (taken - source.taken_ns) * 1e-9
        if source.drum:
            # How long nothing came: a clock that was set does not lengthen it, nor does a burst of stored readings.
            gap = min(since, (sample.t_ns - source.arrival_ns) * 1e-9)
            z = self._frame.layers.height(source.offset + track.count(source, value, gap) * source.per_count)
        else:
            z = value + source.offset + self._frame.stretch_m(value)
        source.arrival_ns = sample.t_ns
        source.record(value, taken, z, since, track.braking)
        if track.started:
            if source is not track.lead:
                reason = self._second.compare(source, taken, z)
                source.watch_scatter(z, since, reason is None)
                return reason
            reason = track.update(source, taken, z)
            source.watch_scatter(z, since, reason is None)
            self._check_lead(source, taken, z)
            if not source.drum:
                self._regain.look(source, taken, z, reason is None)
            return reason
        if source.referenced and not track.lead.referenced:
            track.lead = source
        if source is track.lead:
            track.start(source, taken, z)
        source.watch_scatter(z, since, True)
        return None

    def _taken_ns(self, source: PositionSource, sample: Sample) -> int:
        """When a reading was taken."""
        clock, track = source.clock, self._track
        if clock is None or sample.source_t_ns is None:
            taken = sample.t_ns
        else:
            taken = clock.taken_ns(sample.t_ns, sample.source_t_ns)
        leads = source is track.lead and track.started
        if clock is not None and clock.offset_drop_ns and source.fused < DELAY_KNOWN_READINGS and leads:
            # A shorter delay than any before: the readings so far were taken so much sooner, and what lies between them and
            # this one is as much longer. Left as it is, the first speed of a block in motion may be twice the true one.
            track.t_ns -= clock.offset_drop_ns
            track.fused_ns -= clock.offset_drop_ns
            source.taken_ns -= clock.offset_drop_ns
        return taken

    def _check_lead(self, source: PositionSource, taken: int, z: float) -> None:
        """What brakes, clutch and load say against the sensor that leads."""
        track = self._track
        same_s = source.repeat_count * source.interval_s
        if source.drum and source.repeat_count == 0:
            self._free_motion.count_changed()
        elif source.drum and source.state is TRACKING and self._free_motion.moves(taken, same_s):
            # It has said the same all the time since no brake holds the block any more: it is stuck.
            track.mark_frozen(source, taken, z)
        if self._plausibility.undriven and self._plausibility.rise(taken, track.kin.v):
            track.unexplained_m = max(track.unexplained_m, LOST_HEIGHT_DOUBT_M)
            what = "encoder" if source.drum else "position sensor"
            source.diagnosis = f"block rises faster and faster with the clutch out: look at {what} and clutch signal"

    def _take_mark(self, sample: Sample) -> RejectReason | None:
        mark = self._marks.get(sample.sensor)
        return None if mark is None else self._references.pass_mark(mark, sample)

    def _take_load(self, sample: Sample) -> None:
        """The hook load stretches the line, and shows whether anything hangs on it."""
        load = self._hook_load.add_reading(sample, self.direction)
        if load is None:
            return
        t_ns, track = sample.t_ns, self._track
        self._frame.load(t_ns, load)
        if self._plausibility.slack_changes(t_ns, load) and track.started:
            x, v, _ = track.predicted_at(t_ns)
            self._plausibility.load(t_ns, x, v)

    def _take_lever(self, sample: Sample) -> None:
        """A block cannot stop hard with its friction brake off."""
        self._track.braking = sample.value >= BRAKE_ON
        self._track.braking_ns = sample.t_ns

    def _take_pressure(self, sample: Sample) -> None:
        """Nor does one with its brake on turn back where it comes to rest."""
        if sample.value >= self._closed_pa:
            self._track.pressed_ns = sample.t_ns

    def _take_clutch(self, sample: Sample) -> None:
        """With the clutch out nothing speeds the block up on its way up."""
        self._plausibility.set_clutch(sample.value >= CLUTCH_IN, self._track.kin.v)

    def trust_load(self, t_ns: int, known: bool, stepped: bool) -> None:
        """Whether the hook load's readings are known to be what hangs there now, and whether they stepped for no cause that is
        known."""
        track, before_n = self._track, self._frame.load_n
        self._frame.trust_load(t_ns, known, stepped)
        if before_n != self._frame.load_n and track.started and not track.lead.drum:
            # A ready-made position stays what it was: of the line it means, another part is stretch now.
            track.kin.x += (self._frame.load_n - before_n) * self._frame.flex * (self._frame.tail_m - track.kin.x)

    def add_known_acceleration(self, acceleration_m_s2: float) -> None:
        """Acceleration that the known braking makes now, m/s2, upwards positive (NaN: not known)."""
        self._track.apply_known_acceleration(acceleration_m_s2)

    def reference(self, t_ns: int, height_m: float) -> None:
        """The crew says that the block is at `height_m` now: the datum moves here."""
        self._references.crew_height(t_ns, height_m)

    def doubt_height(self, by_m: float) -> None:
        """The position that leads goes on from elsewhere, `by_m` away, where no block can have come: who looks ahead sees it.

        The filter starts again with the next reading. The height is not known until the position jumps back, shows by itself
        that it means one (`regain`), or is told from outside.
        """
        self._track.go_on_elsewhere(by_m)

    def bound_height(self, by_m: float) -> None:
        """The ready-made position that leads may be off by `by_m` from now on: who looks ahead sees it. With 0 it means what it
        meant before, and what was in doubt of it is settled."""
        track = self._track
        if track.lead.drum:
            return
        track.may_be_off_m = by_m
        if by_m == 0.0:
            track.unexplained_m = 0.0

    def slip_and_cut(self, t_ns: int, turns_at_reference: float) -> None:
        """Line was cut: with the block at the reference height there are now `turns_at_reference` wraps on the drum.

        The drum turned while the block hung off, so the counts no longer mean a height: it is INVALID until the next
        `reference` or height mark (or comes from a ready-made position, where the rig has one).
        """
        self._references.line_cut(turns_at_reference)

    def set_down(self, t_ns: int) -> None:
        """The string was set in slips just now, which happens at much the same height each time: drift shows there."""
        self._references.set_down(t_ns)

    def connection(self, t_ns: int) -> None:
        """The string was set in slips or taken from them just now, at one of few heights: counts are confirmed there."""
        self._references.connection(t_ns)
        self._regain.connection(t_ns)

    # --- output ------------------------------------------------------------------------------------------------------

    def estimate(self, t_ns: int) -> Estimate:
        """The motion at `t_ns`, predicted from the last reading; the filter stays as it is."""
        if not self._track.started:
            return unknown_estimate(t_ns, self._frame, self._rig.limits.upper_m, self._track.lead.slow)
        return predict(t_ns, self._track, self._plausibility)

    # --- across a restart --------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """What a restart must not lose, as plain JSON values: the datum, and what each source's readings mean."""
        return {
            "drum": self._fingerprint(),
            "frame": self._frame.state(),
            "doubt_m": self._track.unexplained_m,
            "may_be_off_m": self._track.may_be_off_m,
            "unconfirmed_m": self._track.way.unconfirmed_m,
            "missed": [self._track.way.missed_m, self._track.way.missed_sigma_m],
            "known_ns": self._track.way.known_ns,
            "known_way_m": self._track.way.known_way_m,
            "connections": self._references.connections.state(self._track.way.total_m),
            "regain": self._regain.state(),
            "lead": self._track.lead.sensor.id if self._track.lead.referenced else "",
            "sources": {source.sensor.id: source.saved_state() for source in self._order},
        }

    def restore(self, saved: Mapping[str, Any], gap_s: float) -> None:
        """Take up what `state` gave `gap_s` seconds ago, before the first reading.

        A counter that the block could have run over unseen in that time no longer means a height.

        Raises:
            ValueError: it is not such a state, or the rig's drum, line, sensors or reference have changed since. The
                estimator must then be replaced by a new one.
        """
        if saved.get("drum") != self._fingerprint():
            raise ValueError("the rig file's drum, line, position sensors or reference changed")
        doubt = number(saved, "doubt_m", 0.0, 1e4)
        may_be_off = number(saved, "may_be_off_m", 0.0, 1e4) if "may_be_off_m" in saved else 0.0
        unconfirmed = number(saved, "unconfirmed_m", 0.0, 1e9) if "unconfirmed_m" in saved else 0.0
        missed, sigma = numbers(saved, "missed", 2) if "missed" in saved else (0.0, 0.0)
        if not (-MOST_M < missed < MOST_M and 0.0 <= sigma < MOST_M):
            raise ValueError("missed: no height and its doubt")
        known_ns = None if saved.get("known_ns") is None else whole(saved, "known_ns")
        known_way = number(saved, "known_way_m", 0.0, 1e9) if "known_way_m" in saved else 0.0
        if isinstance(connections := saved.get("connections"), Mapping):
            self._references.connections.restore(connections)
        if isinstance(regain := saved.get("regain"), Mapping):
            self._regain.restore(regain)
        lead, sources = words(saved, "lead"), part(saved, "sources")
        self._frame.restore(part(saved, "frame"))
        for source in self._order:
            span = source.modulus * abs(source.per_count) * self._frame.layers.rise_at(self._rig.mast.floor_m)
            runs_over = source.drum and source.wraps_within(self._working_turns)
            known = not runs_over or self._track.max_speed_m_s * gap_s < 0.5 * span
            source.restore(part(sources, source.sensor.id), known)
            if source.drum and not known:
                source.diagnosis = "the counter may have run over while nobody watched: reference needed"
            if source.referenced and (source.sensor.id == lead or not self._track.lead.referenced):
                self._track.lead = source
        self._track.unexplained_m, self._track.may_be_off_m = doubt, may_be_off
        self._track.way.confirmed(missed, sigma)
        self._track.way.unconfirmed_m = unconfirmed
        self._track.way.known_ns, self._track.way.known_way_m = known_ns, known_way

    def _fingerprint(self) -> list[float]:
        """All that the meaning of counts and of the datum rests on in the rig's file."""
        rig, drum, reference = self._rig, self._rig.drum, self._rig.reference
        found = [drum.core_diameter_m, float(drum.wraps_per_layer), drum.nesting, float(drum.max_layers)]
        found += [rig.line.rope_diameter_m, float(rig.line.lines), reference.height_m, reference.turns]
        for source in self._order:
            found += [source.per_count, source.modulus, float(reference.counts.get(source.sensor.id, -1.0))]
        return found

    def fusion(self, sensor: int) -> Fusion:
        """Health record of the sensor with that index in the rig's tuple; an empty one if it is neither kind."""
        source = self._sources.get(sensor)
        if source is not None:
            clock = source.clock
            refusing, words = self.diagnosis(sensor)
            return Fusion(
                source.innovation,
                source.test_ratio,
                source.fused,
                source.rejected,
                refusing,
                None if clock is None else clock.latency_s,
                None if source is self._track.lead else source.offset_to_lead_m,
                words,
            )
        mark = self._marks.get(sensor)
        if mark is None:
            return Fusion()
        return Fusion(
            mark.innovation,
            mark.test_ratio,
            mark.fused,
            mark.rejected,
            mark.refused_m is not None,
            None if mark.clock is None else mark.clock.latency_s,
            mark.innovation,
            mark.diagnosis,
        )

    def diagnosis(self, sensor: int) -> tuple[bool, str]:
        """(whether its readings are being refused, what there is to say of it) of a sensor, as in `fusion`."""
        source = self._sources.get(sensor)
        if source is None:
            mark = self._marks.get(sensor)
            return (False, "") if mark is None else (mark.refused_m is not None, mark.diagnosis)
        words = source.diagnosis or ("" if source.clock is None else source.clock.diagnosis)
        if not words and source is self._track.lead:
            words = self._plausibility.words or self._frame.watch.diagnosis.text or self._references.set_down_words
        return source.state is REFUSING or source.state is FROZEN, words
