"""How unevenly the dots of a row stand, from how its two halves swing against each other as the platter turns.

Dots that do not stand evenly look like a swing at whole multiples of the turn. Both halves of a row see one speed but
different dots: at order k a ring that errs by E_k shows a difference ``2 sin(pi k d / N) E_k`` between two halves that
are d dots apart, and no speed at all.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.pattern import RowSeries

__all__ = ["false_mean_square", "false_swing_percent", "uneven_dots"]

USUAL_SHARE = 0.003
"""Standard deviation of a dot's place, in gaps, that is taken where the clip does not tell."""

_ORDERS = np.arange(2, 9)
"""Multiples of the turn at which the ring is looked at; the first is a ring off centre, told elsewhere."""
_LEAST_TURNS = 2.5
"""Turns from which orders and the half orders between them are told apart: 1.25 cycles in the clip, then."""
_LEAST_LEVER = 0.3
"""Of the 2 that the halves' difference shows at best; what shows less is mostly noise made large (by trial)."""
_MOST_SHARE = 0.05
"""Most that is told of any order, in gaps; more is something else (by trial)."""
_SEEN_AS_ONE = 0.6
"""Of the dots in view, how many count in the mean: the ends are seen from aside (rendered clips: 0.5 to 0.7)."""
_MOST_SQUARE = 1.6
"""95 % bound over the mean of the sum of some ten squares (chi square of 18 degrees)."""


def uneven_dots(row: RowSeries, dots_passed: NDArray[np.float64], *, dots: int) -> float:
    """How far the ring errs at any one whole multiple of the turn, in gaps, as the 1-sigma of one quadrature.

    Parameters
    ----------
    row : RowSeries
        The row that was read.
    dots_passed : array of float64 (frames,)
        Dots that have passed.
    dots : int
        Dots of the whole ring.
    """
    usual = USUAL_SHARE * float(np.sqrt(2 / dots))
    turn = (dots_passed - dots_passed[0]) / dots
    half = row.blocks.shape[1] // 2
    if row.ring is not None or half < 1 or turn[-1] < _LEAST_TURNS:
        return usual
    blocks = row.blocks.astype(np.complex128)
    left, right = blocks[:, :half].sum(axis=1), blocks[:, -half:].sum(axis=1)
    apart = np.unwrap(np.angle(left * np.conj(right))) / (2 * np.pi)
    lever = 2 * np.abs(np.sin(np.pi * _ORDERS * row.dots_in_view / 2 / dots))
    # Half orders between them show the noise.
    size = _amplitude(apart, turn, np.concatenate([[1.0], _ORDERS, _ORDERS + 0.5]))[1:]
    at, beside = size[: _ORDERS.size] ** 2, size[_ORDERS.size :] ** 2
    clear = lever > _LEAST_LEVER
    if not np.any(clear):
        return usual
    # The middle of squares of two equal quadratures is ln 2 of their mean.
    square = float(np.median(np.maximum(at - np.median(beside), 0.0)[clear] / lever[clear] ** 2) / np.log(2))
    return float(np.clip(np.sqrt(square / 2), 0.0, _MOST_SHARE))


def false_swing_percent(uneven: float, *, per_revolution: float, dots: int) -> float:
    """What such a ring may add to or take from a component, as a 95 % half-width; 0 where it is no whole multiple."""
    order = round(per_revolution)
    if order < 2 or abs(per_revolution - order) > 0.05:
        return 0.0
    return float(1.96 * 100 * 2 * np.pi * order * uneven / dots)


def false_mean_square(
    uneven: float, peaks_percent: NDArray[np.float64], gains: NDArray[np.float64], *, dots: int, dots_in_view: float
) -> float:
    """By how much a mean square of the speed, in percent squared, may be wrong for such a ring, as a 95 % half-width.

    Parameters
    ----------
    uneven : float
        As of `uneven_dots`, in gaps.
    peaks_percent, gains : array of float64 (orders,)
        Peak of what was read at twice, three times ... a turn, in or against which the false swing stands by chance;
        and the weighting there.
    dots : int
        Of the whole ring.
    dots_in_view : float
        A row shows the mean over these, order k less by ``sinc(k d / N)``: of half a platter little is left.
    """
    order = np.arange(2, 2 + peaks_percent.size)
    seen = np.abs(np.sinc(order * _SEEN_AS_ONE * dots_in_view / dots))
    quadrature = 100 * 2 * np.pi * order * uneven * seen / dots
    across = float(np.linalg.norm(gains**2 * peaks_percent * quadrature))
    return float(_MOST_SQUARE * np.sum((gains * quadrature) ** 2) + 1.96 * across)


def _amplitude(
    value: NDArray[np.float64], turn: NDArray[np.float64], orders: NDArray[np.float64]
) -> NDArray[np.float64]:
    u = np.linspace(-1, 1, value.size)
    wave = 2 * np.pi * np.outer(turn, orders)
    design = np.column_stack([np.ones_like(u), u, u**2, np.cos(wave), np.sin(wave)])
    found = np.linalg.lstsq(design, value, rcond=1e-10)[0][3:].reshape(2, orders.size)
    return np.asarray(np.hypot(found[0], found[1]))
