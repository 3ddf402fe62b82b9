"""The turn map, and how much of the fluctuation keeps its place on the platter from turn to turn.

Only creep over many turns tells what is tied to the platter from what nearly is: a motor of 24 poles on 60 Hz makes
9.0 in a turn, an idler of 40 mm on a 280 mm rim 7.0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.drive.features import COVERAGE, Feature, Reading
from strobe.figures.results import Component, SpeedSeries

__all__ = [
    "FEWEST_TURNS",
    "LockedShare",
    "TurnMap",
    "creep_words",
    "locked_amplitudes",
    "locked_noise",
    "locked_share",
    "locked_share_of",
    "turn_map",
]

FEWEST_TURNS = 3
"""Turns that a locked share takes: each is left out in its turn, and two must be left."""
SECTORS = 60
"""Parts of a turn, 6 degrees each; 30 pictures a second see 54 a turn at 33 1/3 rpm."""
_TRENDS = 3
"""Columns of a fit that stand for level, slope and bend."""
_ORDERS_BY_SAMPLES = 0.45
"""Times a turn that are fitted at the most, by the samples in a turn: half of them is the theoretical most, less a
tenth where samples are missing."""
_MOST_CREEPING = 4
_STRONG = 0.2
"""Lines that creep are fitted as long as they hold so much of what is left: the bias that a line leaves is its power
over the number of turns. Our own choice."""
_NOTHING = 1e-5
"""Power, by the whole, below which a line is let be: it would move the share by less than that."""
_CLEAR = 18.0
"""By how many times a line's power must be above the median of the spectrum: 12.5 times its mean, which chance reaches
once in 1000 clips of 300 bins (exponential, closed form)."""
_FINER = 8
"""Times finer than its bins that the spectrum is looked at, so that a line is found within a sixteenth of a bin."""
_REFINEMENTS = 6
"""Steps by which an order is refined; by trial: after four it changes by less than 1e-6."""
LEAST_UNCERTAINTY = 0.01
"""Half-width of a locked share that is never gone below: it is told in whole percent, and no amplitude is measured to
better than about 1 %. Our own choice."""
_TINY = 1e-12
_BESIDE = np.array([-4.0, -3.0, -2.0, 2.0, 3.0, 4.0])
"""Bins beside a whole order where noise is seen: off the order's own two, near enough for a floor that slopes."""
_TIED_CYCLES = 0.15
"""Share of a cycle that a line may have crept over the clip and still count as tied to the platter; our own choice."""

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TurnMap:
    """Deviation from the mean speed by turn (rows) and platter angle (columns), read-only.

    `deviation_percent` has the shape (turns, sectors); the first column begins where the clip's first sample stood.
    """

    deviation_percent: Array

    @property
    def turns(self) -> int:
        """Whole turns in the map."""
        return int(self.deviation_percent.shape[0])

    @property
    def sectors(self) -> int:
        """Parts that a turn is divided into."""
        return int(self.deviation_percent.shape[1])


@dataclass(frozen=True)
class LockedShare:
    """Share of the speed's mean square fluctuation that is the same in every turn; a 95 % half-width."""

    share: float
    uncertainty: float
    turns: int


def turn_map(series: SpeedSeries, *, sectors: int = SECTORS) -> TurnMap:
    """The speed of every whole turn over the platter's angle, less its mean and slope over the clip.

    Raises
    ------
    ValueError
        If the series holds no whole turn.
    """
    turns = math.floor(float(series.angle_rev[-1] - series.angle_rev[0]) + 1e-9)
    if turns < 1:
        raise ValueError(f"the series holds {series.angle_rev[-1] - series.angle_rev[0]:.2f} turns; one is the least")
    slope, level = np.polyfit(series.time_s - series.time_s[0], series.deviation_percent, 1)
    flat = series.deviation_percent - level - slope * (series.time_s - series.time_s[0])
    place = series.angle_rev[0] + (np.arange(turns * sectors) + 0.5) / sectors
    made = np.interp(place, series.angle_rev, flat).reshape(turns, sectors)
    made.flags.writeable = False
    return TurnMap(made)


def locked_share(
    series: SpeedSeries, *, components: Sequence[Component] = (), noise_percent: float = 0.0
) -> LockedShare | None:
    """Share of the fluctuation tied to the platter, by what repeats over its turns; None below three turns.

    Parameters
    ----------
    series : SpeedSeries
    components : sequence of Component
        Of the same reading: by their half-widths the share may be off too.
    noise_percent : float
        The reading's own noise (RMS), which is no fluctuation of the platter.

    Notes
    -----
    What repeats and the strong lines that creep are fitted together: of a line at half a cycle a turn nothing is left
    in the mean of two turns, so that the mean turn alone would be too small or too large by the number of turns. The
    locked part is the mean square of what repeats, the whole that of all. The bias by chance, and the half-width, come
    from leaving out each turn in its turn. Chance can make the locked part negative; by as much it may hide, and that
    is unsure too.
    """
    turns, angle, value = _whole_turns(series)
    if turns < FEWEST_TURNS:
        return None
    highest = max(1, min(SECTORS // 2, math.floor(_ORDERS_BY_SAMPLES * angle.size / turns)))
    repeating = _repeating(angle, highest)
    creeping = _creeping_orders(angle, value, repeating, turns)
    waves = _waves(angle, creeping)
    design = np.hstack([repeating, waves, _sways(angle, creeping, _fitted(np.hstack([repeating, waves]), value))])
    turn = np.minimum(np.floor(angle), turns - 1).astype(int)
    rows = [turn == one for one in range(turns)]
    products = np.stack([design[one].T @ design[one] for one in rows])
    sides = np.stack([design[one].T @ value[one] for one in rows])
    squares = np.array([value[one] @ value[one] for one in rows])
    sizes = np.bincount(turn, minlength=turns)

    def powers(products: Array, side: Array, square: float, size: float) -> Array:
        """Mean squares of what repeats and of all."""
        made = np.linalg.lstsq(products, side, rcond=None)[0]
        left = max(0.0, square - float(made @ side)) / max(1.0, size - made.size)
        first = repeating.shape[1]
        locked = 0.5 * float(np.sum(made[_TRENDS:first] ** 2))
        crept = 0.5 * float(np.sum(made[first : first + waves.shape[1]] ** 2))
        return np.array([locked, locked + crept + max(0.0, left - noise_percent**2)])

    total = powers(products.sum(axis=0), sides.sum(axis=0), squares.sum(), sizes.sum())
    left_out = np.array(
        [
            powers(products.sum(axis=0) - products[k], sides.sum(axis=0) - sides[k], squares.sum() - squares[k], size)
            for k, size in enumerate(sizes.sum() - sizes)
        ]
    )
    locked, whole = turns * total - (turns - 1) * left_out.mean(axis=0)
    if whole <= 0.0:
        return LockedShare(0.0, 1.0, turns)
    value_left = left_out[:, 0] / np.maximum(left_out[:, 1], _TINY)
    sigma = math.sqrt((turns - 1) / turns * float(np.sum((value_left - value_left.mean()) ** 2)))
    share = float(min(1.0, max(0.0, locked / whole)))
    unsure = math.hypot((COVERAGE + 2.37 / (turns - 1)) * sigma, min(0.0, float(locked / whole)), LEAST_UNCERTAINTY)
    for one in components:
        if one.needed_s is not None:
            # Its width is that of one of two lines; their power together is known better.
            continue
        tied = abs(one.per_revolution - round(one.per_revolution)) < 0.5 / turns
        rest = 1 - share if tied else share
        unsure = math.hypot(unsure, rest * one.peak_percent * one.uncertainty_percent / whole)
    return LockedShare(share, min(1.0, unsure), turns)


def locked_share_of(reading: Reading) -> LockedShare | None:
    """The locked share of a reading by its own components and noise; None too where its series was not kept."""
    if reading.series is None:
        return None
    noise_percent = reading.fluctuation.unweighted_floor_percent
    return locked_share(reading.series, components=reading.components, noise_percent=noise_percent)


def _creeping_orders(angle: Array, value: Array, repeating: Array, turns: int) -> list[float]:
    """Orders of the strong lines in what does not repeat, each fitted together with the others and what repeats."""
    orders: list[float] = []
    even = (np.arange(angle.size) + 0.5) * turns / angle.size
    place = np.arange(_FINER * angle.size // 2 + 1) / (_FINER * turns)
    seen = (place > 0.5 / turns) & (place < 0.5 * repeating.shape[1])
    while len(orders) < _MOST_CREEPING:
        design = np.hstack([repeating, _waves(angle, orders)])
        rest = value - design @ _fitted(design, value)
        spectrum = np.fft.rfft(np.interp(even, angle, rest), _FINER * angle.size)
        power = np.where(seen, 2 * np.abs(spectrum) ** 2 / angle.size**2, 0.0)
        highest = float(power.max())
        if highest < _NOTHING * float(np.var(value)):
            break
        if highest < _STRONG * float(np.mean(rest**2)) or highest < _CLEAR * float(np.median(power[seen])):
            break
        orders.append(float(place[np.argmax(power)]))
        for _ in range(_REFINEMENTS):
            design = np.hstack([repeating, _waves(angle, orders)])
            sways = _sways(angle, orders, _fitted(design, value))
            steps = _fitted(np.hstack([design, sways]), value)[design.shape[1] :]
            # A step of a fifth of a bin at the most, where the slope still tells the way.
            steps = np.clip(steps, -0.2 / turns, 0.2 / turns)
            orders = [order + float(step) for order, step in zip(orders, steps, strict=True)]
    return orders


def _waves(angle: Array, orders: Sequence[float]) -> Array:
    """Cosine and sine of each order in turn."""
    columns = [wave(2 * np.pi * order * angle) for order in orders for wave in (np.cos, np.sin)]
    return np.stack(columns, axis=1) if columns else np.empty((angle.size, 0))


def _sways(angle: Array, orders: Sequence[float], fitted: Array) -> Array:
    """How each wave, the last ones that were fitted, changes with its order."""
    about = 2 * np.pi * (angle - angle.mean())[:, np.newaxis]
    made = fitted[fitted.size - 2 * len(orders) :]
    waves = _waves(angle, orders)
    return np.asarray(about * (made[1::2] * waves[:, 0::2] - made[0::2] * waves[:, 1::2]))


def _fitted(design: Array, value: Array) -> Array:
    return np.asarray(np.linalg.lstsq(design, value, rcond=None)[0])


def locked_amplitudes(series: SpeedSeries, *, highest: int) -> Array:
    """Amplitudes in percent at once, twice, ... `highest` times a turn, fitted together over whole turns."""
    fitted = _locked(series, highest)[2]
    return np.hypot(fitted[0::2], fitted[1::2])


def locked_noise(series: SpeedSeries, *, highest: int) -> Array:
    """What the same fit gives where nothing is tied to the platter: the median amplitude in the bins beside each."""
    angle, rest, _ = _locked(series, highest)
    turns = round(float(angle[-1] - angle[0]))
    beside = np.arange(1, highest + 1)[:, np.newaxis] + _BESIDE / max(turns, 1)
    seen = np.exp(-2j * np.pi * beside[..., np.newaxis] * angle) @ rest
    return np.asarray(np.median(2 * np.abs(seen) / angle.size, axis=1))


def _locked(series: SpeedSeries, highest: int) -> tuple[Array, Array, Array]:
    """Angles in whole turns, what the fit leaves there, and its cosines and sines in turn."""
    _, angle, value = _whole_turns(series)
    design = _repeating(angle, highest)
    fitted = _fitted(design, value)
    return angle, value - design @ fitted, fitted[_TRENDS:]


def _whole_turns(series: SpeedSeries) -> tuple[int, Array, Array]:
    """Number of whole turns, and angle from the first sample on and speed within them."""
    angle = series.angle_rev - series.angle_rev[0]
    turns = math.floor(float(angle[-1]) + 1e-9)
    inside = angle <= turns
    return turns, angle[inside], series.deviation_percent[inside]


def _repeating(angle: Array, highest: int) -> Array:
    """Level, slope and bend over the clip, and cosine and sine of once, twice, ... `highest` times a turn."""
    along = np.linspace(-1.0, 1.0, angle.size)
    return np.column_stack([np.ones_like(angle), along, along**2, _waves(angle, range(1, highest + 1))])


def creep_words(line: Feature, *, turns: float) -> str:
    """Whether a line keeps its place on the platter over the clip, in words."""
    whole = round(line.order)
    if whole < 1:
        return "creeps along the platter's angle"
    crept = (line.order - whole) * turns
    unsure = COVERAGE * line.order_sigma * turns
    if abs(crept) > max(unsure, _TIED_CYCLES):
        return f"creeps along the platter's angle, {abs(crept) / turns:.2g} of a cycle a turn"
    if abs(crept) + unsure < _TIED_CYCLES:
        return f"keeps its place on the platter over {turns:.0f} turns (within {abs(crept) + unsure:.2g} of a cycle)"
    return f"{turns:.0f} turns do not tell whether it keeps its place on the platter"
