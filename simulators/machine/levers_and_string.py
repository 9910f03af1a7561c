"""Inputs and accounts of a plant: levers, the string on the elevator, the energy account."""

from dataclasses import dataclass


@dataclass(slots=True)
class Levers:
    """All that an operator can touch."""

    brake: float = 1.0
    """Service brake, 0 to 1."""
    speed_m_s: float = 0.0
    """Drive command as block speed; 0 asks for no torque."""
    clutch: bool = False
    aux: float = 0.0
    """Auxiliary brake, 0 to 1."""
    slips: bool = False
    """Slips in the bowl: the string can rise through them but not fall."""
    emergency: bool = False
    """Emergency stop: spring calipers set, service brake full, drive off."""


@dataclass(slots=True)
class EnergyAccount:
    """Energy that went where since the start, J."""

    drive: float = 0.0
    brake: float = 0.0
    aux: float = 0.0
    bearing: float = 0.0
    tackle: float = 0.0
    rope: float = 0.0
    """Damping in the rope, and tension wound onto the drum."""
    gravity: float = 0.0
    """Work done against gravity (negative while lowering)."""
    drag: float = 0.0
    contact: float = 0.0
    """Bumps against floor or crown, and the jerk of taking up or setting down a string."""
    handling: float = 0.0
    """Tension that came or went with pipe being added or removed by hand."""
    turnover: float = 0.0
    """Sum of the sizes of the exchanges with gravity, drive and brakes: what a residual is compared with."""


@dataclass(slots=True)
class StringLoad:
    """The pipe in the hole, and how the elevator holds it."""

    mass_kg: float = 0.0
    weight_n: float = 0.0
    """Buoyed."""
    drag_share: float = 0.02
    """Friction of the hole as a share of the weight, against any motion."""
    latched: bool = False
    hanging: bool = False
    """Off the slips, moving with the block."""
    top_m: float = 0.0
    """Height of the block at which the elevator begins to take weight (string in slips)."""
    pick_up_m: float = 0.3
    """Travel over which the full weight comes onto the elevator: the string stretches."""
    force_n: float = 0.0
    """Pull of the string on the block."""

    def elastic_j(self, force_n: float | None = None) -> float:
        """Energy in the string stretched by a pull (None: the present one), J."""
        pull_n = self.force_n if force_n is None else force_n
        return pull_n**2 * self.pick_up_m / (2 * self.weight_n) if self.weight_n > 0 else 0.0
