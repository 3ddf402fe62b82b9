"""How fast marks go along a row, dots a second: dust and misprinted dots pass one part of it after the other.

A line of the phase is known up to whole frame rates, and up to the lamp. The time that an irregular dot takes from one
part of a row to the next is not, so it tells aliases, and lamp-timed from camera-timed lines, apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.phase.blocks import combine_blocks, departures

__all__ = ["MarkTravel", "find_travel"]

_RATES_HZ = np.geomspace(35.0, 450.0, 100)
"""Dots a second that are tried, far round the 100 and 120 of usual rings, by 2.6 % each, well below `_UNSURE`."""
_FASTEST_HZ = 20.0
"""Marks are some dots wide, and pass in some hundredths of a second."""
_LONGEST_FRAMES = 1024
"""Frames that are enough; they bound the work (by choice)."""
_OUTLYING = 4.0
"""Medians beyond which a departure is cut off, so that a few do not make all the likeness (by trial)."""
_LEAST_BLOCKS, _LEAST_FRAMES = 4, 96
"""Parts of the row and frames from which marks are followed (by trial)."""
_CLEAR, _LEAST_LIKENESS = 3.0, 0.4
"""By how much the likeness beats that of the other way round, where nothing travels; and its least (by trial)."""
_UNSURE = 0.07
"""How well the rate is told, relative: marks reach over some dots, and so do the parts of a row (within 0.04 on most
rendered clips, within 0.11 on all)."""


@dataclass(frozen=True, eq=False)
class MarkTravel:
    """Likeness of the parts of a row, each seen as much later as marks take to it, by their rate.

    Attributes
    ----------
    rates_hz, likeness : array of float64 (rates,)
        Dots a second, and power of the sum of all parts over the sum of their powers, less one.
    """

    rates_hz: NDArray[np.float64]
    likeness: NDArray[np.float64]

    @property
    def rate_hz(self) -> float:
        """The likeliest rate, dots a second."""
        return float(self.rates_hz[int(np.argmax(self.likeness))])

    def scaled(self, factor: float) -> MarkTravel:
        """The same marks on a row with so many times the dots."""
        return MarkTravel(factor * self.rates_hz, self.likeness)

    def share(self, dot_rate_hz: float) -> float:
        """How well a dot rate goes with it: 1 for the likeliest, 0 for one that no mark travels at."""
        peaks = (
            np.flatnonzero((self.likeness[1:-1] > self.likeness[:-2]) & (self.likeness[1:-1] > self.likeness[2:])) + 1
        )
        if not peaks.size:
            return 0.0
        height = np.clip(self.likeness[peaks] / self.likeness.max(), 0.0, 1.0)
        off = (self.rates_hz[peaks] / dot_rate_hz - 1) / _UNSURE
        return float(np.max(height * np.exp(-0.5 * off**2)))


def find_travel(
    blocks: NDArray[np.complex64],
    places_dots: NDArray[np.floating[Any]],
    time_s: NDArray[np.float64],
    interval_s: float,
    lamp_cycles: NDArray[np.float64] | None,
) -> MarkTravel | None:
    """Look for marks that travel along a row; None where none are seen clearly.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of a row.
    places_dots : array of float64 (blocks,)
        Where they lie along the row.
    time_s, interval_s
        Frame times and the spacing of the cadence that they lie on.
    lamp_cycles : array of float64 (frames,) or None
        Phase of the lamp, which lights the parts in different frames.

    Notes
    -----
    Marks travel with the platter; what travels as well the other way is noise. Rates from 35 to 450 dots a second are
    tried, and where the likeliest is the first or the last of them, the marks' own lies beyond.
    """
    if blocks.shape[1] < _LEAST_BLOCKS or time_s.size < _LEAST_FRAMES:
        return None
    blocks, time_s = blocks[:_LONGEST_FRAMES], time_s[:_LONGEST_FRAMES]
    cycles = None if lamp_cycles is None else lamp_cycles[:_LONGEST_FRAMES]
    departure, keep = departures(blocks, combine_blocks(blocks)[0], cycles)
    marks: NDArray[np.float64] = np.concatenate([departure.imag, departure.real], axis=1)
    usual = np.median(np.abs(marks[keep]), axis=0)
    marks = np.clip(marks, -_OUTLYING * usual, _OUTLYING * usual)

    index = np.rint((time_s - time_s[0]) / interval_s).astype(int)
    placed: NDArray[np.float64] = np.zeros((1 << int(np.ceil(np.log2(2 * index[-1] + 2))), marks.shape[1]))
    placed[index] = marks / (np.std(marks, axis=0) + 1e-12)
    spectrum = np.fft.rfft(placed, axis=0)
    frequency = np.fft.rfftfreq(len(placed), interval_s)
    spectrum, frequency = spectrum[frequency < _FASTEST_HZ], frequency[frequency < _FASTEST_HZ]
    place = places_dots - float(np.mean(places_dots))
    ahead, back = (_likeness(spectrum, frequency, way * place) for way in (-1, 1))
    at_edge = int(np.argmax(ahead)) in (0, _RATES_HZ.size - 1)
    if at_edge or ahead.max() < max(_LEAST_LIKENESS, _CLEAR * back.max()):
        return None
    return MarkTravel(_RATES_HZ, ahead)


def _likeness(
    spectrum: NDArray[np.complex128], frequency: NDArray[np.floating[Any]], place: NDArray[np.floating[Any]]
) -> NDArray[np.float64]:
    kinds = spectrum.reshape(len(frequency), -1, place.size)
    alone = float(np.sum(np.abs(spectrum) ** 2))
    found = []
    for rate in _RATES_HZ:
        later = np.exp(2j * np.pi / rate * np.outer(frequency, place))
        found.append(float(np.sum(np.abs(np.einsum("fkb,fb->fk", kinds, later)) ** 2)) / alone - 1)
    return np.array(found)
