"""Heat: a brake turns height and speed into temperature, and temperature takes the brake away.

Every stop puts the kinetic energy of block *and drum* into the discs, plus the height the block still falls while it stops; the
tackle's friction takes a small share off. One hard stop of a loaded land rig warms 1600 kg of discs by two degrees: nothing. One
stand lowered on the friction brake alone warms them by fifty: the danger is not the stop but the descent, repeated every few
minutes, faster than the discs cool. The bulk cools as exp(-t/tau) with tau of about an hour, so a heat step repeated every t1
climbs towards dT / (1 - exp(-t1/tau)), which for two and a half minutes is over twenty steps high. With the friction brake doing
everything that is red heat; with an auxiliary brake taking 90 % it is a hundred degrees. So the number to watch is *who absorbs
the energy*, and temperature confirms it.

What is computed here is the bulk of the disc. Its face is hotter during and right after a stop (rims of drilling bands have been
modelled at 300 to 800 degC, in a university study of 2003), and evens out in a minute or so. Fade follows the face, so a bulk
estimate is a floor, and fade limits are set with that in mind.

Symbols: t time, tau time constant of cooling. Temperatures in degC, energies in J.
"""

import math

from monitor.physics.given import above_zero


def auxiliary_share(auxiliary_j: float, friction_j: float) -> float:
    """Share of a descent's braking energy that the auxiliary brake took, 0 to 1; NaN when nothing was braked."""
    total = auxiliary_j + friction_j
    return auxiliary_j / total if total > 0 else math.nan


def cooled_c(temperature_c: float, ambient_c: float, time_s: float, tau_s: float) -> float:
    """Temperature after cooling for a time, degC: Newton's law, exp(-t/tau) towards ambient.

    Raises:
        ValueError: time constant not above zero.
    """
    above_zero(tau_s=tau_s)
    return ambient_c + (temperature_c - ambient_c) * math.exp(-time_s / tau_s)
