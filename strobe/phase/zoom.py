"""Sums over waves of many frequencies close together, for frames that lie on a cadence or near it.

A sum over all frames for each of the frequencies would take as many waves as there are frames times frequencies, which
grows with the square of the clip's length. Frequencies that are evenly spaced are had from three transforms (the chirp
method of Bluestein, 1970; from memory). What a frame is off the cadence enters by the first terms of its power series.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["zoomed"]

_EXACT = 1e-10
"""Size of a term of the power series, by the first, below which it is left out: far below any noise."""


def zoomed(
    series: NDArray[np.float64] | NDArray[np.complex128],
    time_s: NDArray[np.float64],
    frequency_hz: NDArray[np.float64],
    *,
    interval_s: float,
) -> NDArray[np.complex128]:
    """``sum(series * exp(-2 pi i f t))`` over the frames: (frequencies, columns).

    Parameters
    ----------
    series : array (frames, columns)
    time_s : array (frames,)
        Ascending.
    frequency_hz : array (frequencies,)
        Evenly spaced, two at least; they may lie far above the frame rate.
    interval_s : float
        Spacing of the cadence.
    """
    since = time_s - time_s[0]
    place = np.rint(since / interval_s).astype(int)
    beside = since - place * interval_s
    step_hz = (frequency_hz[-1] - frequency_hz[0]) / (frequency_hz.size - 1)
    order = np.arange(frequency_hz.size) - frequency_hz.size // 2
    middle_hz = frequency_hz[frequency_hz.size // 2]

    def chirp(numbers: NDArray[np.int_]) -> NDArray[np.complex128]:
        return np.exp(-1j * np.pi * step_hz * interval_s * numbers.astype(float) ** 2)

    # With 2 j n = j^2 + n^2 - (j - n)^2 the sum over n is a convolution.
    apart = np.arange(order[0] - place[-1], order[-1] + 1)
    size = 1 << int(np.ceil(np.log2(apart.size)))
    around = np.zeros(size, complex)
    around[apart % size] = np.conj(chirp(apart))
    around = np.fft.fft(around)
    turned = np.exp(-2j * np.pi * middle_hz * since) * chirp(place)
    factor = -2j * np.pi * step_hz * order
    begin = chirp(order) * np.exp(-2j * np.pi * frequency_hz * time_s[0])
    sums = np.empty((frequency_hz.size, series.shape[1]), complex)
    for column, one in enumerate(series.T):
        total, terms, k = np.zeros(frequency_hz.size, complex), one * turned, 0
        scale, left = np.ones(frequency_hz.size, complex), 1.0
        while left > _EXACT:
            placed = np.zeros(size, complex)
            np.add.at(placed, place, terms)
            total += scale * np.fft.ifft(np.fft.fft(placed) * around)[order]
            k += 1
            terms, scale = terms * beside, scale * factor / k
            left = float(np.abs(scale).max() * np.abs(beside).max() ** k)
        sums[:, column] = begin * total
    return sums
