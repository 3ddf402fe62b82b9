"""The turn map, and how much of the fluctuation keeps its place on the platter from turn to turn.

Only creep over many turns tells what is tied to the platter from what nearly is: a motor of 24 poles on 60 Hz makes
9.0 in a turn, an idler of 40 mm on a 280 mm rim 7.0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.drive.features import COVERAGE, Feature
from strobe.figures.results import SpeedSeries

__all__ = [
    "FEWEST_TURNS",
    "LockedShare",
    "TurnMap",
    "creep_words",
    "locked_amplitudes",
    "locked_noise",
    "locked_share",
    "turn_map",
]

FEWEST_TURNS = 3
"""Turns that a locked share takes: each is left out in its turn, and two must be left."""
SECTORS = 60
"""Parts of a turn, 6 degrees each; 30 pictures a second see 54 a turn at 33 1/3 rpm."""
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


def locked_share(series: SpeedSeries) -> LockedShare | None:
    """Share of the fluctuation tied to the platter, by averaging over its turns; None below three turns.

    Notes
    -----
    With the variance b of the mean turn and the mean variance w of the turns about it, over K turns, the locked part
    is ``b - w / (K - 1)`` and the whole ``b + w``. The half-width comes from leaving out each turn in its turn. What
    goes round the platter in a few turns makes the first negative; by as much it may hide, and that is unsure too.
    """
    turns = turn_map(series).deviation_percent
    if turns.shape[0] < FEWEST_TURNS:
        return None
    count = turns.shape[0]
    value = _share(turns)
    left_out = np.array([_share(np.delete(turns, k, axis=0)) for k in range(count)])
    sigma = math.sqrt((count - 1) / count * float(np.sum((left_out - left_out.mean()) ** 2)))
    wide = COVERAGE + 2.37 / (count - 1)
    return LockedShare(min(1.0, max(0.0, value)), min(1.0, math.hypot(wide * sigma, min(0.0, value))), count)


def _share(turns: Array) -> float:
    count = turns.shape[0]
    mean = turns.mean(axis=0)
    between = float(np.var(mean))
    within = float(np.mean((turns - mean) ** 2))
    whole = float(np.var(turns))
    if whole <= 0.0:
        return 0.0
    return (between - within / (count - 1)) / whole


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
    turns = math.floor(float(series.angle_rev[-1] - series.angle_rev[0]) + 1e-9)
    inside = series.angle_rev - series.angle_rev[0] <= turns
    angle, value = series.angle_rev[inside], series.deviation_percent[inside]
    turn = 2 * np.pi * angle
    along = np.linspace(-1.0, 1.0, angle.size)
    columns = [np.ones_like(angle), along, along**2]
    for order in range(1, highest + 1):
        columns += [np.cos(order * turn), np.sin(order * turn)]
    design = np.stack(columns, axis=1)
    fitted = np.linalg.lstsq(design, value, rcond=None)[0]
    return angle, value - design @ fitted, fitted[3:]


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
