"""At what rate every part of a drive would show: order, frequency and period at a speed, and how well that is known.

The order is the rate as a multiple of the platter's turn. Turning parts keep their order; what swings keeps its rate
in Hz. Rates above half the frame rate fold back into a clip, see `folded_hz`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from strobe.drive.belts import swing_hz
from strobe.drive.machine import Machine, speed_name

__all__ = [
    "BELT_MOTOR_ORDERS",
    "BELT_ORDERS",
    "HUNTING_HZ",
    "HUNTING_SPREAD",
    "IDLER_ORDERS",
    "SWING_HZ",
    "Expected",
    "expected_parts",
    "folded_hz",
    "range_words",
]

# How well a described rate holds, as standard deviations of its logarithm.
BELT_TOLERANCE = 0.015
"""A belt stretches by some percent (common practice)."""
IDLER_TOLERANCE = 0.01
"""An idler sold as 40 mm may be 39.7 mm (common practice)."""
CALLIPER_MM = 0.1
"""By so much callipers err on a small pulley (common practice)."""
CREEP_TOLERANCE = 0.005
"""Creep of a belt or idler takes some tenths of a percent (common practice)."""
MAINS_TOLERANCE = 0.001
"""Large grids keep within 0.04 to 0.12 % of nominal (standard deviation; values from memory)."""
SLIP_TOLERANCE = 0.015
"""An induction motor slips by some percent more than its plate says (common practice)."""
SWING_TOLERANCE = 0.3
"""The stiffness of rubber and the share of the mass at the rim leave it open by about a third, see `swing_hz`."""
BOUNCE_TOLERANCE = 0.12
"""Bounces counted by eye in a few seconds; our own choice."""

# Ranges of parts that are not described; common practice. The check table (`strobe.drive.parts`) names the same.
BELT_ORDERS = (0.70, 0.985)
IDLER_ORDERS = (4.0, 8.5)
BELT_MOTOR_ORDERS = (6.5, 30.0)
POLE_ORDERS = (2.0, 40.0)
"""Times in a turn of the platter."""
IDLER_MOTOR_HZ = (22.0, 30.0)
"""Turns a second: a motor of four poles makes 25 on 50 Hz and 30 on 60 Hz, less its slip."""
EDGE_SPREADS = {"idler": 0.2, "pulley": 0.2}
"""How a part grows less usual beyond its range, as a standard deviation of the order's logarithm: at 1.2 times the end
two thirds, at 1.6 times a sixteenth. A machine may be built otherwise, so no range ends like a wall; our own
choice. A belt's range does: half and two thirds of a turn, just below it, are what multiples of the platter would be
taken for."""
SWING_HZ, SWING_SPREAD = 2.0, 0.45
HUNTING_HZ, HUNTING_SPREAD = 1.0, 0.8
BOUNCE_HZ, BOUNCE_SPREAD = 3.5, 0.35
"""Usual rates of what swings, and the standard deviations of their logarithms; what the check table calls usual (1 to
4, 0.3 to 3 and 2 to 6 Hz) is about one and a half of them to either side."""


@dataclass(frozen=True)
class Expected:
    """One rate at which a part would show.

    Attributes
    ----------
    part : str
        Key of the part in `strobe.drive.parts`.
    turns : bool
        True for what turns (narrow, with whole multiples), False for what swings (broad).
    order, frequency_hz : float or None
        The rate; None where the description does not tell it.
    tolerance : float
        Standard deviation of the rate's logarithm; 0 for what turns with the platter.
    basis : str
        What the rate was worked out from, or what would have to be known.
    order_range : pair of float or None
        What is usual for the order of such a part; None where it is a matter of the motor or of poles.
    size_mm : float or None
        The part's own size, where its rate was worked out from it: diameter, or length of a belt.
    belt_mm : float
        What the belt adds to that diameter.
    """

    part: str
    turns: bool
    order: float | None
    frequency_hz: float | None
    tolerance: float
    basis: str
    order_range: tuple[float, float] | None = None
    size_mm: float | None = None
    belt_mm: float = 0.0

    def size_at(self, order: float) -> float:
        """The size in mm that the part would have if this were its order: either is the other's inverse."""
        assert self.order is not None
        assert self.size_mm is not None
        return (self.size_mm + self.belt_mm) * self.order / order - self.belt_mm

    def usual(self, order: float) -> float:
        """How usual an order is for a part not described, by that of the inside of its range: 1 there, less beyond."""
        assert self.order_range is not None
        low, high = self.order_range
        if low <= order <= high:
            return 1.0
        spread = EDGE_SPREADS.get(self.part, 0.0)
        beyond = math.log(low / order if order < low else order / high)
        return math.exp(-0.5 * (beyond / spread) ** 2) if spread else 0.0

    def within(self, order: float) -> bool:
        """Whether an order lies inside what is usual for the part."""
        low, high = self.order_range or (0.0, math.inf)
        return low <= order <= high

    @property
    def usual_width(self) -> float:
        """Width of that range in the order's logarithm, what lies beyond its ends by its own weight."""
        assert self.order_range is not None
        low, high = self.order_range
        return math.log(high / low) + EDGE_SPREADS.get(self.part, 0.0) * math.sqrt(2 * math.pi)

    @property
    def period_s(self) -> float | None:
        """Seconds between two of its passes."""
        return None if self.frequency_hz is None else 1 / self.frequency_hz


def range_words(orders: tuple[float, float]) -> str:
    """A range of orders as the screen and the check table write it, for example ``6.5 to 30``."""
    return f"{orders[0]:.3g} to {orders[1]:.3g}"


def folded_hz(frequency_hz: float, frame_rate_hz: float) -> float:
    """Where a rate appears in a clip of that many pictures a second."""
    return abs(frequency_hz - frame_rate_hz * round(frequency_hz / frame_rate_hz))


def expected_parts(machine: Machine, rpm: float, *, turn_rate_hz: float | None = None) -> tuple[Expected, ...]:
    """Every part of the drive at one speed, from slow to fast as a person would list them.

    Parameters
    ----------
    machine : Machine
    rpm : float
        Nominal speed; chooses the pulley's step.
    turn_rate_hz : float, optional
        Turns a second as measured; nominal if not given.
    """
    turn = rpm / 60 if turn_rate_hz is None else turn_rate_hz
    found = [Expected("platter", True, 1.0, turn, 0.0, "turns with the platter")]
    if machine.drive == "belt":
        found.append(_belt(machine, rpm, turn))
    if machine.drive == "idler":
        found.append(_idler(machine, turn))
    if machine.drive != "direct":
        found.append(_pulley(machine, rpm, turn))
    else:
        found += _poles(machine, turn)
    mains_driven = machine.motor in ("synchronous", "induction")
    if mains_driven and machine.mains_hz is not None:
        hum = 2 * machine.mains_hz
        found.append(Expected("hum", True, hum / turn, hum, MAINS_TOLERANCE, "twice the mains"))
    if machine.drive == "belt":
        found.append(_swing(machine, turn))
    if not mains_driven and machine.drive != "idler":
        found.append(_swinging("hunting", HUNTING_HZ, HUNTING_SPREAD, turn, "usual for servo loops"))
    if machine.sprung is not False and machine.drive != "idler":
        if machine.bounce_hz is not None:
            found.append(_swinging("chassis", machine.bounce_hz, BOUNCE_TOLERANCE, turn, "bounce as counted"))
        else:
            found.append(_swinging("chassis", BOUNCE_HZ, BOUNCE_SPREAD, turn, "usual for platters on springs"))
    return tuple(found)


def _belt(machine: Machine, rpm: float, turn: float) -> Expected:
    path, driven = machine.belt_path_mm(rpm), machine.driven_effective_mm
    if path is None or driven is None:
        return Expected("belt", True, None, None, 0.0, f"needs {_belt_lacks(machine, rpm)}", BELT_ORDERS)
    order = math.pi * driven / path
    basis = "belt length against the driven diameter"
    return Expected("belt", True, order, order * turn, BELT_TOLERANCE, basis, BELT_ORDERS, machine.belt_length_mm)


def _idler(machine: Machine, turn: float) -> Expected:
    if machine.idler_mm is None or machine.driven_mm is None:
        lacks = " and ".join(name for name in ("idler_mm", "driven_mm") if getattr(machine, name) is None)
        return Expected("idler", True, None, None, 0.0, f"needs {lacks}", IDLER_ORDERS)
    order = machine.driven_mm / machine.idler_mm
    basis = "driven diameter over idler diameter"
    return Expected("idler", True, order, order * turn, IDLER_TOLERANCE, basis, IDLER_ORDERS, machine.idler_mm)


def _pulley(machine: Machine, rpm: float, turn: float) -> Expected:
    shaft = machine.mains_motor_rpm
    if shaft is not None:
        exact = machine.motor == "synchronous"
        basis = "motor's speed on the mains" if exact else "motor's speed under load"
        tolerance = MAINS_TOLERANCE if exact else SLIP_TOLERANCE
        return Expected("pulley", True, shaft / 60 / turn, shaft / 60, tolerance, basis)
    pulley, driven = machine.pulley_effective_mm(rpm), machine.driven_effective_mm
    orders = BELT_MOTOR_ORDERS
    if machine.drive == "idler":
        orders = (IDLER_MOTOR_HZ[0] / turn, IDLER_MOTOR_HZ[1] / turn)
    if pulley is None or driven is None:
        return Expected("pulley", True, None, None, 0.0, f"needs {_pulley_lacks(machine, rpm)}", orders)
    order = driven / pulley
    tolerance = math.hypot(CALLIPER_MM / pulley, CREEP_TOLERANCE)
    basis, belt = "effective diameters of platter and pulley", machine.belt_mm
    return Expected("pulley", True, order, order * turn, tolerance, basis, orders, pulley - belt, belt)


def _belt_lacks(machine: Machine, rpm: float) -> str:
    """What a belt's rate takes and is not described, by the names of the machine's file."""
    lacks = [] if machine.driven_mm is not None else ["driven_mm"]
    if machine.belt_length_mm is None and machine.spindle_distance_mm is None:
        lacks.append("belt_length_mm or spindle_distance_mm")
    elif machine.belt_length_mm is None and machine.pulley_effective_mm(rpm) is None:
        lacks.append(f"belt_length_mm or {_pulley_name(machine, rpm)}")
    return ", and ".join(lacks)


def _pulley_lacks(machine: Machine, rpm: float) -> str:
    """The same for a pulley's rate: by its diameter, or by the speed of a motor on the mains."""
    by_size = [] if machine.pulley_effective_mm(rpm) is not None else [_pulley_name(machine, rpm)]
    by_size += [] if machine.driven_mm is not None else ["driven_mm"]
    by_motor = ["motor_rpm"]
    if machine.motor == "synchronous":
        by_motor = [name for name in ("poles", "mains_hz") if getattr(machine, name) is None]
    ways = [by_size] if machine.motor == "servo" else [by_size, by_motor]
    return ", or ".join(" and ".join(lacks) for lacks in ways)


def _pulley_name(machine: Machine, rpm: float) -> str:
    return f"pulley_mm at {speed_name(rpm)}" if machine.pulley_mm else "pulley_mm"


def _poles(machine: Machine, turn: float) -> list[Expected]:
    if machine.poles is None:
        return [Expected("poles", True, None, None, 0.0, "needs poles", POLE_ORDERS)]
    pairs, poles = machine.poles / 2, float(machine.poles)
    found = [
        Expected("poles", True, pairs, pairs * turn, 0.0, "pole pairs: once for each cycle of the coils"),
        Expected("poles", True, poles, poles * turn, 0.0, "poles"),
    ]
    if machine.slots is not None:
        cogs = float(math.lcm(machine.slots, machine.poles))
        found.append(Expected("poles", True, cogs, cogs * turn, 0.0, "poles against slots"))
    return found


def _swing(machine: Machine, turn: float) -> Expected:
    distance = machine.spindle_path_mm
    known = (machine.driven_mm, distance, machine.belt_width_mm, machine.platter_mm, machine.platter_mass_kg)
    if any(value is None for value in known) or machine.driven_mm is None or distance is None:
        return _swinging("swing", SWING_HZ, SWING_SPREAD, turn, "usual for a platter on a rubber belt")
    rate = swing_hz(
        driven_mm=machine.driven_effective_mm or machine.driven_mm,
        distance_mm=distance,
        section_mm2=machine.belt_mm * (machine.belt_width_mm or 0.0),
        platter_mm=machine.platter_mm or 0.0,
        platter_mass_kg=machine.platter_mass_kg or 0.0,
    )
    return _swinging("swing", rate, SWING_TOLERANCE, turn, "stiffness of the belt and mass of the platter, roughly")


def _swinging(part: str, rate_hz: float, spread: float, turn: float, basis: str) -> Expected:
    return Expected(part, False, rate_hz / turn, rate_hz, spread, basis)
