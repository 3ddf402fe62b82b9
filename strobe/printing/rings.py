"""Which rings of bars a pattern gets, where they lie, and the speeds at which they stand still.

Bars and gaps are equally wide, and a bar is centred on the index mark in every ring.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.errors import UsageError
from strobe.figures.rings import nearest_nominal_rpm, parse_rpm, still_deviation_percent, still_rpm
from strobe.typed import number

__all__ = [
    "LABEL_MM",
    "LEAST_BAR_MM",
    "LEAST_RING_MM",
    "SAGITTA_MM",
    "STANDARD_MAINS_HZ",
    "Ring",
    "Stand",
    "bar_polygons",
    "check_bars",
    "lay_rings",
    "parse_ring",
    "rpm_name",
    "speeds_of",
    "wanted_bars",
]

STANDARD_MAINS_HZ: tuple[float, ...] = (50.0, 60.0)
LEAST_BAR_MM = 0.25
"""A bar of three dots of a 300 dpi printer; finer ones run together."""
LEAST_RING_MM = 3.0
"""Height of a ring below which it is hardly seen as a row; our own choice."""
MOST_RING_MM = 10.0
"""Height of a ring above which it gains nothing; our own choice."""
# Kept free on the inner side of each ring for what is printed there.
LABEL_MM = 3.6
LEAST_BARS, MOST_BARS = 8, 2000
"""Fewer bars are no row any more; 2000 of the finest, with their gaps, are 1 m long, about the longest rim; our own
choice."""

_SAME_SPEED_RATIO = 0.01
"""Share by which a speed at which bars stand still may miss one that is meant: the usual rings miss theirs by less than
half a percent."""
SAGITTA_MM = 0.002
"""How far chords may run from their arcs: far less than a dot of a 300 dpi printer, 0.085 mm."""
_FULL_TURN_DEG = 360.0


@dataclass(frozen=True)
class Stand:
    """A speed at which the bars stand still.

    Attributes
    ----------
    rpm : float
        ``60 F / N``.
    flash_rate_hz : float
        Flashes of the lamp a second, F.
    mains_hz : float or None
        The mains where the lamp hangs on it and flashes twice a cycle.
    nominal_rpm : float or None
        The wished or standard speed that is meant, None where there is none near.
    off_percent : float or None
        How far the platter is off that speed while the bars stand, positive = fast.
    """

    rpm: float
    flash_rate_hz: float
    mains_hz: float | None
    nominal_rpm: float | None
    off_percent: float | None


@dataclass(frozen=True)
class Ring:
    """One ring of a disc: its bars, its radii as printed, and the speeds at which it stands still."""

    bars: int
    inner_mm: float
    outer_mm: float
    stands: tuple[Stand, ...]

    @property
    def middle_mm(self) -> float:
        """Radius half way across the ring."""
        return (self.inner_mm + self.outer_mm) / 2


def rpm_name(rpm: float, *, plain: bool = False) -> str:
    """A speed as the trade writes it, 33⅓, or 33 1/3 where `plain`; two decimals at most otherwise."""
    for whole, third, sign in ((16, 2, "⅔"), (33, 1, "⅓")):
        if math.isclose(rpm, whole + third / 3, rel_tol=1e-9):
            return f"{whole} {third}/3" if plain else f"{whole}{sign}"
    return f"{rpm:.2f}".rstrip("0").rstrip(".")


def parse_ring(text: str) -> tuple[int, tuple[float, float] | None]:
    """Read ``180`` or ``180:80-92``: bars, and inner and outer radius in millimetres where they are given.

    Raises
    ------
    UsageError
    """
    count, _, place = text.partition(":")
    try:
        bars = int(count)
        radii = tuple(number(part) for part in place.split("-")) if place else None
    except ValueError:
        bars, radii = 0, ()
    if radii is not None and (len(radii) != 2 or not all(map(math.isfinite, radii))):
        raise UsageError(
            f"--ring: {text!r} is not a ring; give its bars, as in --ring 180, or with inner and outer radius in "
            "millimetres, as in --ring 180:80-92"
        )
    check_bars(bars)
    return bars, None if radii is None else (radii[0], radii[1])


def speeds_of(
    bars: int, *, mains_hz: Sequence[float], flash_rate_hz: float | None, rpms: Sequence[float] | None = None
) -> tuple[Stand, ...]:
    """Speeds at which `bars` bars stand still, one for each lamp, the speeds off `rpms` or off the standard ones."""
    if flash_rate_hz is not None:
        lamps: list[tuple[float, float | None]] = [(flash_rate_hz, None)]
    else:
        lamps = [(2.0 * mains, mains) for mains in mains_hz]
    stands = []
    for flashes, mains in lamps:
        rpm = still_rpm(flashes, bars)
        meant = [*(rpms or ()), nearest_nominal_rpm(rpm)]
        nominal = min(meant, key=lambda speed: abs(math.log(rpm / speed)))
        near = abs(rpm / nominal - 1.0) <= _SAME_SPEED_RATIO
        off = still_deviation_percent(flashes, bars, nominal) if near else None
        stands.append(Stand(rpm, flashes, mains, nominal if near else None, off))
    return tuple(stands)


def wanted_bars(
    *, rpms: Sequence[str | float], mains_hz: Sequence[float], flash_rate_hz: float | None
) -> dict[int, tuple[Stand, ...]]:
    """Bars of a ring for each speed and lamp; a count that serves twice appears once with both its speeds.

    One that serves two wishes under one lamp stands still at one speed: it is told against the wish that is nearer.
    It is the count whose bars stand still nearest to the speed itself: 80 rpm is not taken for a fast 78, as a reading
    may take it (`strobe.figures.rings.bars_for`).

    Raises
    ------
    UsageError
        If a speed or a lamp makes no sense.
    """
    wanted: dict[int, list[Stand]] = {}
    speeds = [parse_rpm(rpm) for rpm in rpms]
    for rpm in speeds:
        for mains in mains_hz if flash_rate_hz is None else (flash_rate_hz / 2.0,):
            bars = round(still_rpm(2.0 * mains, 1) / rpm)
            check_bars(bars)
            stands = speeds_of(bars, mains_hz=(mains,), flash_rate_hz=flash_rate_hz, rpms=speeds)
            known = wanted.setdefault(bars, [])
            known.extend(stand for stand in stands if stand not in known)
    return {bars: tuple(stands) for bars, stands in wanted.items()}


def lay_rings(
    wanted: dict[int, tuple[Stand, ...]],
    placed: dict[int, tuple[float, float]],
    *,
    inner_mm: float,
    outer_mm: float,
) -> tuple[Ring, ...]:
    """Give the rings their radii, the one with the most bars outermost, or take the radii that are `placed`.

    Parameters
    ----------
    wanted : dict
        Speeds for each count of bars.
    placed : dict
        Inner and outer radius for each count of bars, for all rings or for none.
    inner_mm, outer_mm : float
        The radii between which there is room.

    Returns
    -------
    tuple of Ring
        From the outermost inwards.

    Raises
    ------
    UsageError
        If they do not fit, overlap, or would have bars too fine to print.
    """
    if placed and set(placed) != set(wanted):
        raise UsageError("--ring: some rings have radii and some have none; give radii to all rings or to none")
    if placed:
        rings = [Ring(bars, *placed[bars], stands) for bars, stands in wanted.items()]
        rings.sort(key=lambda ring: -ring.outer_mm)
        _check_places(rings, inner_mm=inner_mm, outer_mm=outer_mm)
    else:
        share = (outer_mm - inner_mm) / len(wanted)
        height = min(MOST_RING_MM, share - LABEL_MM)
        if height < LEAST_RING_MM:
            room = int((outer_mm - inner_mm) // (LEAST_RING_MM + LABEL_MM))
            raise UsageError(
                f"{len(wanted)} rings do not fit between the radii {inner_mm:.1f} and {outer_mm:.1f} mm; there is "
                f"room for {max(room, 0)}: choose fewer speeds or one mains, or a larger --diameter"
            )
        rings = []
        for place, bars in enumerate(sorted(wanted, reverse=True)):
            outer = outer_mm - place * (height + LABEL_MM)
            rings.append(Ring(bars, outer - height, outer, wanted[bars]))
    for ring in rings:
        width = math.pi * ring.inner_mm / ring.bars
        if width < LEAST_BAR_MM:
            raise UsageError(
                f"the ring of {ring.bars} bars would have bars {width:.2f} mm wide at the radius "
                f"{ring.inner_mm:.1f} mm; printers hold {LEAST_BAR_MM:g} mm: fewer bars, or a larger --diameter"
            )
    return tuple(rings)


def bar_polygons(
    bars: int, inner_mm: float, outer_mm: float, *, first_deg: float, start_deg: float, sweep_deg: float
) -> list[NDArray[np.float64]]:
    """Outlines about the origin of those bars, or parts of bars, that lie in a sector.

    Parameters
    ----------
    bars : int
    inner_mm, outer_mm : float
    first_deg : float
        Direction of the middle of the first bar.
    start_deg, sweep_deg : float
        The sector's first edge and its angle; 360 for all bars.

    Returns
    -------
    list of arrays of shape (corners, 2)
        Arcs are drawn as chords that stay within 0.002 mm of them.
    """
    pitch = _FULL_TURN_DEG / bars
    if sweep_deg >= _FULL_TURN_DEG:
        begin = first_deg - pitch / 4 + pitch * np.arange(bars)
        end = begin + pitch / 2
    else:
        place = (first_deg - start_deg) / pitch
        count = np.arange(math.floor(-place - 0.5), math.ceil(sweep_deg / pitch - place + 0.5))
        begin = first_deg + pitch * (count - 0.25)
        end = np.minimum(begin + pitch / 2, start_deg + sweep_deg)
        begin = np.maximum(begin, start_deg)
        begin, end = begin[end > begin], end[end > begin]
    step = 2.0 * math.acos(1.0 - SAGITTA_MM / outer_mm)
    points = max(2, math.ceil(math.radians(pitch / 2) / step) + 1)
    angle = np.radians(begin[:, None] + (end - begin)[:, None] * np.linspace(0.0, 1.0, points))
    rim = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return list(np.concatenate([outer_mm * rim, inner_mm * rim[:, ::-1]], axis=1))


def check_bars(bars: int) -> None:
    """UsageError for a count that is no pattern."""
    if not LEAST_BARS <= bars <= MOST_BARS:
        raise UsageError(f"{bars} bars is not between {LEAST_BARS} and {MOST_BARS}; check the count, speed and lamp")


def _check_places(rings: Sequence[Ring], *, inner_mm: float, outer_mm: float) -> None:
    for ring in rings:
        if not ring.outer_mm - ring.inner_mm >= LEAST_RING_MM:
            raise UsageError(
                f"--ring: the ring of {ring.bars} bars from {ring.inner_mm:g} to {ring.outer_mm:g} mm is lower than "
                f"{LEAST_RING_MM:g} mm; give the inner radius first, then the outer one"
            )
        if ring.inner_mm < inner_mm or ring.outer_mm > outer_mm:
            raise UsageError(
                f"--ring: the ring of {ring.bars} bars from {ring.inner_mm:g} to {ring.outer_mm:g} mm leaves the room "
                f"between the radii {inner_mm:.1f} and {outer_mm:.1f} mm; change it, or the --diameter or --inside"
            )
    for outside, inside in itertools.pairwise(rings):
        if inside.outer_mm > outside.inner_mm:
            raise UsageError(
                f"--ring: the rings of {outside.bars} bars ({outside.inner_mm:g} to {outside.outer_mm:g} mm) and "
                f"{inside.bars} bars ({inside.inner_mm:g} to {inside.outer_mm:g} mm) overlap; move one of them"
            )
        if inside.outer_mm > outside.inner_mm - LABEL_MM:
            raise UsageError(
                f"--ring: {outside.inner_mm - inside.outer_mm:.1f} mm between the rings of {outside.bars} and "
                f"{inside.bars} bars; leave {LABEL_MM:g} mm, the speed is printed there"
            )
