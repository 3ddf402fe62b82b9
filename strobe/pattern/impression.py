"""What a clip looks like as a whole: too dark, washed out, restless, or with the even band that smeared dots leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane, clear_of_light, decimate, thin_grid

__all__ = ["Impression", "impression"]

_WIDTH = 320
"""Pixels that the width of a picture is brought down to, or up to twice as many; by trial."""
_BLOCKS = 16
"""Parts of the width from one to the next of which a band is followed; by trial."""
_BAND_ROWS = 5
"""Rows of the small picture in a band that may be restless; by trial."""
_LEAST_RIDGE = 8.0
"""Grey levels by which an even band differs from its sides; by trial."""
_LEAST_RUN = 12
"""Blocks, of all sixteen, that an even band must run through; by trial."""
_APART = 8
"""Frames apart that are taken to share no noise, as for a look at the clip (`strobe.looking`); by trial."""
_WHITE = 228
"""Just under white where a clip keeps to the limited range of 16 to 235."""


@dataclass(frozen=True)
class Impression:
    """The look of the first frames.

    Attributes
    ----------
    mean_level, bright_share : float
        Mean brightness (0 to 255) and the share of white pixels.
    restless : float
        How much more than the rest of the picture the most restless band across it changes from frame to frame.
    even_band : bool
        Whether a narrow band, brighter or darker than its sides and even along its length, runs across the picture.
    grain_share : float
        Noise of a still pixel (1-sigma) relative to the bright parts; 0 where too few frames are seen.
    """

    mean_level: float
    bright_share: float
    restless: float
    even_band: bool
    grain_share: float


def impression(planes: Sequence[Plane], *, full_scale: float = 255.0) -> Impression:
    """Look at the luma of some frames in a row, each an array (height, width)."""
    factor = max(1, planes[0].shape[1] // _WIDTH)
    small = np.stack([decimate(plane, factor) for plane in planes]) * (255.0 / full_scale)
    level, bright = float(small.mean()), float(np.mean(small > _WHITE))
    if small.shape[0] < 8 or min(small.shape[1:]) < 4 * _BLOCKS:
        return Impression(level, bright, 1.0, False, 0.0)
    return Impression(level, bright, _restless(small), _even_band(small.mean(axis=0)), _grain_share(planes))


def _grain_share(planes: Sequence[Plane]) -> float:
    """Seen in single pixels, in the stiller half of them, from frames too far apart to have been mixed or copied."""
    if len(planes) < 2 * _APART:
        return 0.0
    thin = np.stack([thin_grid(plane) for plane in planes])
    power = np.mean(clear_of_light(thin[_APART:] - thin[:-_APART]) ** 2, axis=0)
    bright = float(np.percentile(thin, 98))
    return float(np.sqrt(0.5 * np.mean(power[power <= np.median(power)])) / max(bright, 1.0))


def _restless(small: NDArray[np.float32]) -> float:
    lines = small.mean(axis=2, keepdims=True)
    level = small * (lines.mean(axis=0) / (lines + 1))
    change = np.zeros(level.shape[1:], np.float32)
    for before, now, after in zip(level, level[1:], level[2:], strict=False):
        change += np.abs(before - 2 * now + after)
    change /= len(level) - 2
    quarters = np.stack([change[:, k::4].mean(axis=1) for k in range(4)])
    bands = np.lib.stride_tricks.sliding_window_view(quarters, _BAND_ROWS, axis=1).mean(axis=2)
    return float(bands.min(axis=0).max() / (np.median(bands) + 0.05))


def _even_band(mean: NDArray[np.float32]) -> bool:
    """Follow a ridge from block to block of columns, some rows up or down each, and ask how rough it is."""
    width = mean.shape[1] // _BLOCKS
    blocks = mean[:, : width * _BLOCKS].reshape(mean.shape[0], _BLOCKS, width)
    profile = blocks.mean(axis=2)
    middle = np.lib.stride_tricks.sliding_window_view(profile, 3, axis=0).mean(axis=2)[5:-5]
    ridge = middle - 0.5 * (profile[1 : 1 + len(middle)] + profile[-1 - len(middle) : -1])
    rough = np.abs(np.diff(blocks, axis=2)).mean(axis=2)[6 : 6 + len(middle)]
    for sign in (1, -1):
        strength = sign * ridge
        start = int(np.argmax(strength[:, _BLOCKS // 2]))
        run = 1
        for step in (1, -1):
            row, block = start, _BLOCKS // 2
            while 0 <= block + step < _BLOCKS:
                low = max(0, row - 3)
                near = strength[low : row + 4, block + step]
                best = low + int(np.argmax(near))
                even = rough[best, block + step] < 0.12 * strength[best, block + step]
                if strength[best, block + step] < _LEAST_RIDGE or not even:
                    break
                row, block, run = best, block + step, run + 1
        if run >= _LEAST_RUN:
            return True
    return False
