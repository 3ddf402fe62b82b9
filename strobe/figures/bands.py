"""The figures of the fluctuation, band by band: weighted, unweighted, and wow and flutter by either split.

What the samples have averaged away of fast motion is put back here, half way between the least and the most that it may
be: of each line at its own frequency; of what no line explains, and stands clear of the noise, as if it were even over
the band. How far that may be off is told beside the figures, and is in no half-width.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from strobe.figures.fluctuation import (
    BAND_LOW_HZ,
    SPLIT_EDGE,
    SpeedGrid,
    band_gain,
    extended_bins,
    part_gain,
    spread,
)
from strobe.figures.jointfit import LineFit
from strobe.figures.results import BandFigures, BandPart, Component, Fluctuation
from strobe.figures.weighting import weighting_gain

__all__ = ["SPLITS_HZ", "Averaging", "bands_of", "fluctuation_of", "nothing_averaged"]

SPLITS_HZ = {"standard": 10.0, "practice": 6.0}
"""Where wow ends and flutter begins: IEC 60386 (as JIS C 5569 cl. 2.1 and 2.2), and common practice from memory."""

_NEAR_FLOOR = 0.5
"""Floor over figure from where all that no line explains may be noise (0.3 to 0.6 where it was, on rendered clips)."""
_TINY = float(np.finfo(np.float64).tiny)
"""Keeps a division finite where nothing moves: the least that float64 holds in full precision."""

Array = NDArray[np.float64]
Gain = Callable[[Array], Array]
Averaging = Callable[[Array], tuple[Array, Array]]
"""For any frequencies, the least and the most by which a wobble there must be multiplied for what the samples have
averaged away of it."""


def nothing_averaged(frequency_hz: Array) -> tuple[Array, Array]:
    """Samples that show the very motion."""
    return np.ones_like(frequency_hz), np.ones_like(frequency_hz)


def bands_of(
    grid: SpeedGrid, fit: LineFit, *, rate_hz: float, top_hz: float, averaging: Averaging
) -> tuple[BandFigures, ...]:
    """The weighted figures, the unweighted ones, and wow and flutter by each split that lies inside the band.

    Parameters
    ----------
    grid : SpeedGrid
        The speed without trend and lines.
    fit : LineFit
        The lines and the noise.
    rate_hz : float
        Mean turns a second, which the percentages refer to.
    top_hz : float
        Where the band ends.
    averaging : callable
    """
    edges = partial(band_gain, top_hz=top_hz, end_hz=0.5 / grid.step_s)

    bins = extended_bins(grid)
    line_percent = 100 * fit.speed_amplitude_hz / rate_hz

    def figures(name: str, gain_of: Gain, band_hz: tuple[float, float], split: tuple[str, float] | None) -> BandFigures:
        def gain(frequency_hz: Array) -> Array:
            own = edges(frequency_hz, weighted=name == "weighted")
            return own if name == "weighted" else own * gain_of(frequency_hz)

        read = spread(grid, fit, rate_hz=rate_hz, gain_of=gain)
        lines = (gain(fit.frequency_hz) * line_percent) ** 2 / 2
        rest = max(read.rms_percent**2 - float(lines.sum()), 0.0)
        noise_share = min(read.floor_percent / max(_NEAR_FLOOR * read.rms_percent, _TINY), 1.0) ** 2
        even = (1 - noise_share) * rest * gain(bins) ** 2 / np.sum(gain(bins) ** 2)
        all_of_it = max(float(lines.sum()) + rest, _TINY)
        put_back = [
            float(np.sqrt(1 + ((at_lines**2 - 1) @ lines + (at_bins**2 - 1) @ even) / all_of_it))
            for at_lines, at_bins in zip(averaging(fit.frequency_hz), averaging(bins), strict=True)
        ]
        likely = 0.5 * sum(put_back)
        return BandFigures(
            name=name,
            split=split,
            band_hz=band_hz,
            gain_of=gain_of,
            spread=read.times(likely),
            averaged_share=0.5 * (put_back[1] - put_back[0]) / likely,
            noise_like_percent=likely * float(np.sqrt(rest)) * noise_share,
        )

    whole = (BAND_LOW_HZ, top_hz)
    found = [figures("weighted", weighting_gain, whole, None), figures("unweighted", np.ones_like, whole, None)]
    for split in SPLITS_HZ.items():
        split_hz = split[1]
        if split_hz * (1 + SPLIT_EDGE) < top_hz:
            below, above = (partial(_split_gain, split_hz=split_hz, above=above) for above in (False, True))
            found.append(figures("wow", below, (BAND_LOW_HZ, split_hz), split))
            found.append(figures("flutter", above, (split_hz, top_hz), split))
    return tuple(found)


def _split_gain(frequency_hz: Array, *, split_hz: float, above: bool) -> Array:
    return part_gain(frequency_hz, np.ones_like(frequency_hz), split_hz=split_hz, above=above)


def fluctuation_of(bands: tuple[BandFigures, ...], components: tuple[Component, ...]) -> Fluctuation:
    """What is said of the fluctuation, with the period of the first component."""
    weighted, unweighted = bands[0].spread, bands[1].spread
    parts = [
        BandPart(
            name=one.name,
            split_by=one.split[0],
            split_hz=one.split[1],
            band_hz=one.band_hz,
            peak_percent=one.spread.peak_percent,
            rms_percent=one.spread.rms_percent,
            peak_uncertainty_percent=one.spread.peak_uncertainty_percent,
            rms_uncertainty_percent=one.spread.rms_uncertainty_percent,
        )
        for one in bands
        if one.split is not None
    ]
    first = components[0] if components else None
    return Fluctuation(
        band_hz=bands[0].band_hz,
        weighted_peak_percent=weighted.peak_percent,
        weighted_rms_percent=weighted.rms_percent,
        unweighted_peak_percent=unweighted.peak_percent,
        unweighted_rms_percent=unweighted.rms_percent,
        weighted_peak_uncertainty_percent=weighted.peak_uncertainty_percent,
        weighted_rms_uncertainty_percent=weighted.rms_uncertainty_percent,
        unweighted_peak_uncertainty_percent=unweighted.peak_uncertainty_percent,
        unweighted_rms_uncertainty_percent=unweighted.rms_uncertainty_percent,
        weighted_floor_percent=weighted.floor_percent,
        unweighted_floor_percent=unweighted.floor_percent,
        period_s=first.period_s if first else None,
        period_uncertainty_s=first.period_uncertainty_s if first else None,
        parts=tuple(parts),
        weighted_peak_run_percent=weighted.peak_run_percent,
        weighted_rms_run_percent=weighted.rms_run_percent,
        unweighted_peak_run_percent=unweighted.peak_run_percent,
        unweighted_rms_run_percent=unweighted.rms_run_percent,
    )
