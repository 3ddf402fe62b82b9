"""Where a picture zooms away from its dots, or is knocked away from them: what comes after shows them no more.

Rows are read where they were learned, and as large. Dots that fade under a lamp come back, and so do those that a hand
covers; where they stay away and the scenery has leapt as well, the frames end there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.camera import CameraCourse

__all__ = ["dots_leave"]

_GONE, _SEEN_PERCENT = 0.3, 90
"""Size of dots that are gone, by the percentile of all sizes that is theirs when seen."""
_GONE_S, _LEAVES_S, _BEFORE = 0.5, 2.0, 0.3
"""How long dots stay away; how long before that the picture may begin to move, but not in this first share."""
_LEAPT_PX, _STIRS = 2.0, 4.0
"""How far the scenery has leapt, in any case and by how much it stirs before."""
_OFF_PX, _NOISES = 0.3, 4.0
"""The same for where it begins to, noise included."""
_MARGIN_FRAMES, _FEWEST_FRAMES = 2, 24
"""Frames left out before the motion is seen to begin, and fewest that must be left; by trial."""


def dots_leave(time_s: NDArray[np.float64], blocks: NDArray[np.complex64], camera: CameraCourse) -> int | None:
    """The frame from which on the picture leaves its dots; None where it does not.

    Parameters
    ----------
    time_s : array of float64 (frames,)
        Times of the frames.
    blocks : array of complex64 (frames, blocks)
        Amplitudes of the clearest row as read.
    camera : CameraCourse
        What the scenery did.
    """
    if not camera.moved:
        return None
    size = np.abs(blocks.sum(axis=1))
    shown = np.flatnonzero(size > _GONE * np.percentile(size, _SEEN_PERCENT))
    if not shown.size or time_s[-1] - time_s[shown[-1]] < _GONE_S:
        return None
    last = int(shown[-1])
    after = time_s > time_s[last]
    leaves_s = max(time_s[last] - _LEAVES_S, time_s[0] + _BEFORE * (time_s[last] - time_s[0]))
    before = time_s <= leaves_s
    still = np.median(camera.shift_px[before], axis=0)
    off = np.abs(camera.shift_px - still).max(axis=1)
    stirs = float(np.median(off[before]))
    if float(np.median(off[after])) < max(_LEAPT_PX, _STIRS * stirs):
        return None
    rests = max(_OFF_PX, _NOISES * stirs, _NOISES * camera.noise_px)
    begins = np.flatnonzero((off > rests) & (time_s > leaves_s))
    end = min(last + 1, int(begins[0])) - _MARGIN_FRAMES
    return end if end >= _FEWEST_FRAMES else None
