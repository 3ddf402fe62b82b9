"""How unevenly the dots of a row stand, from how its two halves swing against each other as the platter turns.

Dots that do not stand evenly look like a swing at whole multiples of the turn. All parts of a row see one speed but
different dots: at order k a ring that errs by E_k shows ``E_k exp(2 pi i k p / N)`` in a part p dots along the row.
Added up that is less and less of E_k in the whole row, as k grows; the difference of two halves shows it and no speed.

The joint of a strip is a step instead, ``2 g / N`` of the speed at every multiple. Where a row has too few parts to
tell it for sure, the course of the dots still bounds it: they would jump there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.joint import FEW_PARTS
from strobe.pattern import RowSeries
from strobe.phase import align_blocks

__all__ = ["RowParts", "UnevenDots", "uneven_dots"]

USUAL_SHARE = 0.003
"""Standard deviation of a dot's place, in gaps, that is taken where the clip does not tell."""

_ORDERS = np.arange(2.0, 9.0)
"""Multiples of the turn at which the ring is looked at; the first is a ring off centre, told elsewhere."""
_LEAST_TURNS = 2.5
"""Turns from which orders and the half orders between them are told apart: 1.25 cycles in the clip, then."""
_LEAST_LEVER = 0.3
"""Of the 2 that the halves' difference shows at best; what shows less is mostly noise made large (by trial)."""
_MOST_SHARE = 0.05
"""Most that is told of any order, in gaps; more is something else (by trial)."""
_CLEAR_POWER = 3.0
"""Power over that of the noise from which an order is told: noise alone gives as much once in twenty, ``exp(-3)``."""
_MIDDLE, _LOW_MIDDLE = 0.6931, 0.40
"""Middle of seven squares of two equal quadratures, over their mean: the usual one, ln 2, and what one such middle in
six is less than (closed form: the fourth of seven, one standard deviation down)."""
_SMOOTH_POWERS, _SMOOTH_ORDERS = 3, 3
"""Powers of time, and multiples of the turn, that the platter's own course may have; of a joint's saw what lies above
is left, a quarter of its square, and in the dots little of any wobble (by trial)."""
_IN_A_DOT, _ACROSS = 1.0, 12
"""Dots from one place where a joint may stand to the next; and places across the row that its mean is taken of."""
_TINY = 1e-12
"""Keeps divisions finite where nothing is lit."""
_MOST_SQUARE = 1.6
"""95 % bound over the mean of the sum of some ten squares (chi square of 18 degrees)."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RowParts:
    """The parts that a row is read in.

    Attributes
    ----------
    dots : int
        Dots of the whole ring.
    places_dots, strength : array of float64 (parts,)
        Dots from one end of the row to the middle of each, and how much each counts when they are added up.
    width_dots : float
        Dots in each.
    """

    dots: int
    places_dots: Array
    strength: Array
    width_dots: float

    def seen(self, order: Array, parts: slice = slice(None)) -> NDArray[np.complex128]:
        """What parts show together of the ring's errors (orders,)."""
        turn = np.exp(2j * np.pi * np.outer(order, self.places_dots[parts]) / self.dots)
        together = turn @ self.strength[parts] / max(float(self.strength[parts].sum()), _TINY)
        return np.asarray(np.sinc(order * self.width_dots / self.dots) * together)


@dataclass(frozen=True, eq=False)
class UnevenDots:
    """How far a ring errs, and what its row shows of that.

    Attributes
    ----------
    parts : RowParts
        Of the row.
    told : array of float64 (orders,)
        How far the ring errs at twice, three times ... a turn, in gaps, as the 1-sigma of one quadrature; empty where
        the clip does not tell.
    others : float
        The same of any order beyond these.
    joint_dots : float
        Step of a strip's joint, in gaps, that may be in the row unseen, as a 95 % half-width.
    """

    parts: RowParts
    told: Array
    others: float
    joint_dots: float = 0.0

    def swing_percent(self, per_revolution: float, *, within: float = 0.05) -> float:
        """What it may add to or take from a component, as a 95 % half-width; 0 where no whole multiple is so near."""
        order = round(per_revolution)
        if order < 1 or abs(per_revolution - order) > within:
            return 0.0
        by_chance = 1.96 * self._quadrature_percent(order)[-1] if order > 1 else 0.0
        return float(np.hypot(by_chance, self._joint_percent(np.array([float(order)]))[0]))

    def mean_square(self, peaks_percent: Array, gains: Array) -> float:
        """By how much a mean square of the speed, in percent squared, may be wrong, as a 95 % half-width.

        Parameters
        ----------
        peaks_percent, gains : array of float64 (orders,)
            Peak of what was read at twice, three times ... a turn, in or against which the false swing stands by
            chance; and the weighting there.
        """
        quadrature = self._quadrature_percent(1 + peaks_percent.size)
        joint = self._joint_percent(np.arange(2.0, 2 + peaks_percent.size))
        across = float(np.linalg.norm(gains**2 * peaks_percent * np.hypot(1.96 * quadrature, joint)))
        own = _MOST_SQUARE * np.sum((gains * quadrature) ** 2) + np.sum((gains * joint) ** 2) / 2
        return float(own + across)

    def _joint_percent(self, order: Array) -> Array:
        """False speed (orders,) of the step that may be in the row."""
        return np.asarray(200 * self.joint_dots / self.parts.dots * np.abs(self.parts.seen(order)))

    def _quadrature_percent(self, highest: int) -> Array:
        """False speed at twice a turn up to a highest order, 1-sigma of one quadrature."""
        order = np.arange(2.0, highest + 1)
        errs = np.full(order.size, self.others)
        errs[: self.told.size] = self.told[: order.size]
        return np.asarray(100 * 2 * np.pi * order * errs * np.abs(self.parts.seen(order)) / self.parts.dots)


def uneven_dots(row: RowSeries, dots_passed: Array, *, dots: int) -> UnevenDots:
    """How unevenly the dots of a row stand, as a bound: what was seen, and its own scatter.

    Where noise hides more than is usual, or the clip is too short to tell, it is the usual. A joint is looked for in
    the parts of a row before this. In few parts it may escape or be read less well, and then what is left of it is as
    large as the course has room for.

    Parameters
    ----------
    row : RowSeries
        The row that was read; of a ring seen from above nothing is told, and all of the usual is taken to show.
    dots_passed : array of float64 (frames,)
        Dots that have passed.
    dots : int
        Dots of the whole ring.
    """
    usual = USUAL_SHARE * float(np.sqrt(2 / dots))
    if row.ring is not None:
        return UnevenDots(RowParts(dots, np.zeros(1), np.ones(1), 0.0), np.empty(0), usual)
    blocks = align_blocks(row.blocks)
    parts = _parts_of(row, blocks, dots)
    joint = _largest_step(row, dots_passed, dots) if blocks.shape[1] < FEW_PARTS else 0.0
    half = blocks.shape[1] // 2
    left, right = slice(0, half), slice(blocks.shape[1] - half, None)
    lever = np.abs(parts.seen(_ORDERS, left) - parts.seen(_ORDERS, right))
    clear = lever > _LEAST_LEVER
    turn = (dots_passed - dots_passed[0]) / dots
    if turn[-1] < _LEAST_TURNS or not np.any(clear):
        return UnevenDots(parts, np.empty(0), usual, joint)
    apart = np.unwrap(np.angle(blocks[:, left].sum(axis=1) * np.conj(blocks[:, right].sum(axis=1)))) / (2 * np.pi)
    # Half orders between them show the noise.
    power = _power(apart, turn, np.concatenate([[1.0], _ORDERS, _ORDERS + 0.5]))[1:]
    noise = float(np.median(power[_ORDERS.size :])) / _MIDDLE
    at = power[: _ORDERS.size][clear]
    hidden = np.minimum(0.5 * noise / lever[clear] ** 2, usual**2)
    square = 0.5 * np.maximum(at - noise, 0.0) / lever[clear] ** 2
    others = float(np.sqrt(np.median(square) / _LOW_MIDDLE + np.median(hidden)))
    told = np.full(_ORDERS.size, others)
    told[clear] = np.sqrt(np.where(at > _CLEAR_POWER * noise, square, 0.0) + hidden)
    return UnevenDots(parts, np.minimum(told, _MOST_SHARE), min(others, _MOST_SHARE), joint)


def _parts_of(row: RowSeries, blocks: NDArray[np.complex128], dots: int) -> RowParts:
    count = blocks.shape[1]
    places = (np.arange(count) + 0.5) * row.dots_in_view / count if row.places_dots is None else row.places_dots
    whole = blocks.sum(axis=1)
    strength = np.abs((np.conj(whole) / np.maximum(np.abs(whole), _TINY)) @ blocks)
    return RowParts(dots, places, strength, row.dots_in_view / count)


def _largest_step(row: RowSeries, dots_passed: Array, dots: int) -> float:
    """The largest step once a turn that the dots' course shows at any place of the ring, in dots.

    Each is fitted beside a smooth course and the slowest multiples of the turn, which a platter has of its own. Frames
    are counted by the dots that pass in them: some may be missing.
    """
    passing = np.diff(dots_passed)
    frame = np.concatenate([[0.0], np.cumsum(np.rint(passing / np.median(passing)))])
    u = 2 * frame / frame[-1] - 1
    wave = 2 * np.pi * np.outer(dots_passed / dots, np.arange(1, _SMOOTH_ORDERS + 1))
    smooth = np.column_stack([u[:, None] ** np.arange(_SMOOTH_POWERS + 1), np.cos(wave), np.sin(wave)])
    basis = np.linalg.qr(smooth)[0]
    place = np.arange(0.0, dots, _IN_A_DOT)
    saw = np.zeros((u.size, place.size))
    for across in (np.arange(_ACROSS) + 0.5) / _ACROSS * row.dots_in_view:
        saw += ((dots_passed[:, None] + across - place) / dots) % 1.0 / _ACROSS
    saw -= basis @ (basis.T @ saw)
    course = dots_passed - basis @ (basis.T @ dots_passed)
    return float(np.max(np.abs(saw.T @ course) / np.maximum(np.sum(saw**2, axis=0), _TINY)))


def _power(value: Array, turn: Array, orders: Array) -> Array:
    """Square of the amplitude of each order (orders,), all fitted together beside slow change."""
    u = np.linspace(-1, 1, value.size)
    wave = 2 * np.pi * np.outer(turn, orders)
    design = np.column_stack([np.ones_like(u), u, u**2, np.cos(wave), np.sin(wave)])
    found = np.linalg.lstsq(design, value, rcond=1e-10)[0][3:].reshape(2, orders.size)
    return np.asarray(found[0] ** 2 + found[1] ** 2)
