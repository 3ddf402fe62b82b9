"""Whether two groups of readings differ: intervals that hold with few readings, and Holm's rule over many questions.

A reading is the machine's figure plus how the machine happened to repeat itself (differs from reading to reading) plus
the error of reading (stated with each as a 95 % half-width; taken as the same for all readings of a group, so that more
readings do not lessen it, and as independent between the groups).

The half-width of a difference at level a is that of Banerjee: ``U(a)^2 = z(a)^2 u^2 + sum t_nu(a)^2 s^2 / n``, each
part with the Student factor of its own degrees of freedom. It covers at least ``1 - a`` whatever the true variances.

References
----------
S. K. Banerjee, "On confidence interval for two-means problem based on separate estimates of variances and tabulated
values of t-table", Sankhya A 23 (1961) 359-378 (from memory). S. Holm, "A simple sequentially rejective multiple test
procedure", Scandinavian Journal of Statistics 6 (1979) 65-70 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.figures.results import COVERAGE

__all__ = [
    "LEVEL",
    "Difference",
    "Group",
    "Repeatability",
    "Spread",
    "group_of",
    "holm",
    "mean_half_width",
    "pooled",
    "weigh",
]

LEVEL = 0.05
"""Probability of calling any change real wrongly, over all questions of one comparison."""

LEAST_LENT_FREEDOM = 2
"""A spread that stands for a state which does not show its own must rest on three readings of one state, or more."""

_LEAST_P = 1e-15
"""Least probability that is looked for and told; a smaller one changes no answer."""

Array = NDArray[np.float64]
Spread = Literal["own", "borrowed", "unknown"]
"""What tells how the machine repeats itself: a state's own readings, those of other states, or nothing."""


@dataclass(frozen=True)
class Repeatability:
    """Standard deviation between readings of one state, the degrees of freedom that it rests on, and the mean there."""

    sigma: float
    freedom: int
    level: float = 0.0


@dataclass(frozen=True)
class Group:
    """Readings of one figure in one state: how many, their mean, the standard uncertainty of reading, the spread."""

    count: int
    mean: float
    reading_sigma: float
    repeatability: Repeatability | None


@dataclass(frozen=True)
class Difference:
    """One figure before and after.

    Attributes
    ----------
    change : float
        After less before.
    uncertainty : float
        Its 95 % half-width, from reading and, unless `spread` is unknown, repeatability.
    p_value : float
        Probability of so large a change, or a larger one, where there is none.
    spread : str
        `Spread`. Only with that of both groups' own readings can a change be called real: one that is borrowed for a
        group which is two to four times as restless finds a change where there is none in 5 to 27 % of comparisons
        (docs/accuracy.md).
    showable : float or None
        The least change that would be called real with `more` further readings of the state after, if the machine goes
        on repeating itself as it did; ``None`` where no reading of the state after can make it real.
    """

    change: float
    uncertainty: float
    p_value: float
    spread: Spread
    showable: float | None


def group_of(values: ArrayLike, half_widths: ArrayLike) -> Group:
    """The group of readings with these values and 95 % half-widths of reading.

    Raises
    ------
    ValueError
        If there are none, they are not finite, or the lengths differ.
    """
    value, width = np.asarray(values, dtype=np.float64), np.asarray(half_widths, dtype=np.float64)
    if value.ndim != 1 or value.size == 0 or value.shape != width.shape:
        raise ValueError(f"values and half-widths must be of one length above 0, not {value.shape} and {width.shape}")
    if not (np.all(np.isfinite(value)) and np.all(np.isfinite(width))):
        raise ValueError("values and half-widths must be finite")
    mean = float(value.mean())
    spread = Repeatability(float(value.std(ddof=1)), value.size - 1, mean) if value.size > 1 else None
    return Group(value.size, mean, float(np.sqrt(np.mean(width**2))) / COVERAGE, spread)


def pooled(spreads: Sequence[Repeatability | None], *, level: float | None = None) -> Repeatability | None:
    """The repeatability that several states have in common; ``None`` where none is known.

    Parameters
    ----------
    spreads : sequence of Repeatability or None
    level : float, optional
        Mean of the figure that it is to stand for: a spread from a state with a smaller mean is taken to grow with it.
    """
    known = [spread for spread in spreads if spread is not None]
    freedom = sum(spread.freedom for spread in known)
    if freedom == 0:
        return None
    square = sum(s.freedom * (s.sigma * _growth(s, level)) ** 2 for s in known) / freedom
    mean = sum(s.freedom * s.level for s in known) / freedom if level is None else level
    return Repeatability(math.sqrt(square), freedom, mean)


def weigh(
    before: Group,
    after: Group,
    *,
    change: float | None = None,
    elsewhere: Sequence[Repeatability] = (),
    grows: bool = False,
    questions: int = 1,
    more: int = 2,
) -> Difference:
    """What two groups tell of the change between them.

    Parameters
    ----------
    before, after : Group
    change : float, optional
        The change to judge, where it is not the difference of the means.
    elsewhere : sequence of Repeatability
        How the machine repeated itself in other states, for where one of the groups does not show it.
    grows : bool
        Whether the repeatability is taken to grow with the figure where it is borrowed for a group whose mean is larger
        than where it comes from. A figure that was no larger than twice its error of reading lends none then.
    questions : int
        How many figures the comparison looks at, for `Difference.showable`.
    more : int
        Further readings of the state after, for the same.
    """
    change = after.mean - before.mean if change is None else change
    reading = before.reading_sigma**2 + after.reading_sigma**2
    lent = [*(spread for group in (before, after) if (spread := _lends(group, grows))), *elsewhere]
    parts = _parts(before, after, lent, grows)
    later = None
    if parts and before.repeatability is not None:
        # What the state after would show of itself, with more readings.
        own = after.repeatability or pooled(lent, level=after.mean if grows else None)
        assert own is not None, "parts come from a spread"
        count = after.count + more
        grown = Group(count, after.mean, 0.0, Repeatability(own.sigma, count - 1, after.mean))
        later = _half_width(LEVEL / questions, reading, _parts(before, grown, (), grows))
    return Difference(
        change=change,
        uncertainty=_half_width(LEVEL, reading, parts),
        p_value=_p_value(abs(change), reading, parts),
        spread="unknown" if not parts else "borrowed" if None in (before.repeatability, after.repeatability) else "own",
        showable=later,
    )


def mean_half_width(
    group: Group, *, elsewhere: Sequence[Repeatability] = (), grows: bool = False
) -> tuple[float, Spread]:
    """95 % half-width of one group's mean, and whose repeatability it holds.

    Parameters
    ----------
    group, elsewhere, grows
        As in `weigh`.
    """
    found = group.repeatability or _lendable(elsewhere, group, grows)
    parts = [] if found is None else [(found.sigma**2 / group.count, found.freedom)]
    spread: Spread = "unknown" if found is None else "borrowed" if group.repeatability is None else "own"
    return _half_width(LEVEL, group.reading_sigma**2, parts), spread


def holm(p_values: Sequence[float]) -> list[float]:
    """The p-values after Holm's step-down rule: one not above `LEVEL` is real at that level for them all together."""
    order = np.argsort(p_values)
    adjusted = [0.0] * len(p_values)
    highest = 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[place]))
        adjusted[place] = highest
    return adjusted


def _lends(group: Group, grows: bool) -> Repeatability | None:
    if group.repeatability is None or (grows and group.mean <= 2 * group.reading_sigma):
        return None
    return group.repeatability


def _growth(spread: Repeatability, level: float | None) -> float:
    return max(1.0, level / spread.level) if level is not None and spread.level > 0 else 1.0


def _lendable(lent: Sequence[Repeatability | None], group: Group, grows: bool) -> Repeatability | None:
    """The spread that others lend to a group; ``None`` where it would rest on too few readings."""
    found = pooled(lent, level=group.mean if grows else None)
    return found if found is not None and found.freedom >= LEAST_LENT_FREEDOM else None


def _parts(before: Group, after: Group, lent: Sequence[Repeatability | None], grows: bool) -> list[tuple[float, int]]:
    """Variances of the means and their degrees of freedom; each state by its own spread where both show it.

    Empty where one of them shows none and none is lent.
    """
    own = [
        (group.repeatability.sigma**2 / group.count, group.repeatability.freedom)
        for group in (before, after)
        if group.repeatability is not None
    ]
    if len(own) == 2:
        return own
    lendable = [(group, _lendable(lent, group, grows)) for group in (before, after)]
    shared = [(spread.sigma**2 / group.count, spread.freedom) for group, spread in lendable if spread is not None]
    # One and the same spread, so that its parts for the two states err together.
    return [(sum(variance for variance, _ in shared), shared[0][1])] if shared else []


def _half_width(level: float, reading: float, parts: Sequence[tuple[float, int]]) -> float:
    from scipy.special import ndtri, stdtrit

    square = float(ndtri(level / 2)) ** 2 * reading
    square += sum(float(stdtrit(freedom, level / 2)) ** 2 * variance for variance, freedom in parts)
    return math.sqrt(square)


def _p_value(size: float, reading: float, parts: Sequence[tuple[float, int]]) -> float:
    """The level at which the half-width is just `size`."""
    from scipy.optimize import brentq

    def beyond(log_level: float) -> float:
        return _half_width(math.exp(log_level), reading, parts) - size

    if beyond(math.log(_LEAST_P)) <= 0:
        return _LEAST_P if size > 0 else 1.0
    if beyond(0.0) >= 0:
        return 1.0
    return math.exp(brentq(beyond, math.log(_LEAST_P), 0.0, xtol=1e-9))
