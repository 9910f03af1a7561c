"""The sections of the report that are tables of what the brakes did: stops and descents."""

import math
from collections.abc import Sequence
from statistics import median

from monitor.analysis.motion import LEAST_DESCENT_M, STOP_FROM_M_S, Stop
from monitor.config.brakes import NoAux
from monitor.config.optional_tables import STOPPING
from monitor.presentation.format import plain
from monitor.presentation.missing import words_of_missing
from monitor.report.context import NONE, ReportContext, counted, cut, mega, percent
from monitor.report.html import missing_note, paragraph, table


def stop_table(context: ReportContext) -> str:
    """Every stop by the friction brake."""
    rec, stops = context.rec, context.stops
    if not rec.rig.has(*STOPPING):
        return missing_note(
            f"Not fitted: the rig's file has {words_of_missing(rec.rig)}; no stop can be held against it."
        )
    if not any(rec.rig.sensor_of(f"service_pressure_{n}") for n in (1, 2)):
        return missing_note("This rig's brake pressure is not measured: which brake ended a motion cannot be told.")
    if not stops:
        return paragraph(
            f"No motion faster than {context.full(STOP_FROM_M_S, 'speed')} was ended by the friction brake."
        )
    parts = [_stop_summary(context, stops)]
    rows = [_stop_row(context, stop) for stop in stops]
    shown, more = cut(rows)
    heads = (
        "|brake called", "|way", context.head("speed", "speed"), context.head("load", "force"), "layer",
        context.head("pressure", "pressure"), context.head("slowing", "acceleration"), "effectiveness, %",
        context.head("reach, full brake", "length"), context.head("reach, as braked", "length"),
        context.head("reach seen", "length"), "seen / as braked",
    )  # fmt: skip
    parts.append(table(heads, shown))
    parts.append(more)
    parts.append(paragraph(
        "Reach from the lever's first movement (the first pressure where no lever is measured) to rest. Full brake: predicted "
        "for a full application with the configured lag, no reaction time. As braked: predicted for the pressure that was "
        "applied, with the effectiveness known before the stop. F marks a full application; D a brake that had been holding "
        "the load back before, M a motor still engaged: their distance says nothing about reach. "
        "± 99 % for speed and effectiveness, half a reading "
        f"for distances; load ± {percent(rec.rig.uncertainty.load)}.", "note",
    ))  # fmt: skip
    return "".join(parts)


def _stop_summary(context: ReportContext, stops: Sequence[Stop]) -> str:
    fit = [s.reach_m / s.reach_applied_m for s in stops if s.comparable]
    full = [s for s in stops if s.full and not s.dragged and math.isfinite(s.reach_full_m)]
    over = sum(s.reach_m - s.reach_bound_m > s.reach_full_m for s in full)
    words = f"{counted(len(stops), 'stop')}, {len(full)} of them with the full brake. "
    if fit:
        words += f"Reach seen over reach predicted for the pressure applied: median {plain(median(fit), 2)}. "
    if full:
        words += f"With the full brake {over} of {len(full)} went further than expected."
    else:
        words += "None shows what a full application does: the full-brake column stays a prediction."
    return paragraph(words)


def _stop_row(context: ReportContext, stop: Stop) -> tuple[str, ...]:
    """One stop as a row of the table."""
    comparable = stop.comparable
    return (
        context.when(stop.t_ns),
        ("up" if stop.direction > 0 else "down")
        + (" F" if stop.full else "")
        + (" D" if stop.dragged else "")
        + (" M" if stop.driven else ""),
        context.within(stop.speed_m_s, stop.speed_bound_m_s, "speed"),
        context.number(stop.load_n, "force"),
        NONE if math.isnan(stop.layer) else f"{stop.layer:.0f}",
        context.number(stop.pressure_pa, "pressure"),
        context.slowing(stop.deceleration_m_s2),
        context.within(stop.effectiveness, 2.576 * stop.effectiveness_sigma, "fraction"),
        context.fine(stop.reach_full_m, "length") if math.isfinite(stop.reach_full_m) else _never(stop.reach_full_m),
        context.fine(stop.reach_applied_m, "length") if comparable else _never(stop.reach_applied_m),
        context.fine(stop.reach_m, "length", stop.reach_bound_m),
        plain(stop.reach_m / stop.reach_applied_m, 2) if comparable else NONE,
    )


def _never(reach_m: float) -> str:
    return "never stops" if math.isinf(reach_m) else NONE


def descent_table(context: ReportContext) -> str:
    """Every descent: who took the energy, and how hot it made the brake."""
    rec, found = context.rec, context.descents
    if not found:
        return paragraph(f"No descent of {context.full(LEAST_DESCENT_M, 'length')} or more.")
    rows = [
        (
            context.when(d.t_ns),
            f"{d.seconds:.0f}",
            context.number(d.distance_m, "length"),
            context.number(d.top_speed_m_s, "speed"),
            context.number(d.load_n, "force"),
            mega(d.energy_j),
            mega(d.friction_j, 2),
            percent(d.aux_share),
            context.number(d.heat_from_c, "temperature"),
            context.number(d.heat_to_c, "temperature"),
        )
        for d in found
    ]
    heads = (
        "|from", "for, s", context.head("distance", "length"), context.head("top speed", "speed"), context.head("load", "force"),
        "energy, MJ", "to friction brake, MJ", "auxiliary share", context.head("heat before", "temperature"),
        context.head("heat after", "temperature"),
    )  # fmt: skip
    energy = [d.energy_j for d in found if math.isfinite(d.energy_j)]
    friction = [d.friction_j for d in found if math.isfinite(d.friction_j)]
    foot_row = ("all", "", "", "", "", mega(sum(energy)), mega(sum(friction), 2), "", "", "")
    shares = [d.aux_share for d in found if math.isfinite(d.aux_share)]
    words = (
        f"Energy is load times distance (± {percent(rec.rig.uncertainty.load)} with the load): what the brakes and the "
        "tackle's friction took. "
    )
    if isinstance(rec.rig.aux, NoAux):
        words += "This rig has no auxiliary brake. "
    elif shares:
        words += f"Auxiliary share of heavy descents: median {percent(median(shares))}, lowest {percent(min(shares))}. "
    else:
        words += "No descent was heavy, long and fast enough to tell what the auxiliary brake took. "
    if not found[0].measured:
        words += "Disc temperatures are not measured: those shown are modelled from the friction work."
    shown, more = cut(rows)
    return paragraph(words) + table(heads, shown, foot_row if not more else ()) + more
