"""What a video coder swallows of a wobble where the dots stand almost still on the picture.

A coder leaves out what hardly differs from one of the pictures before. Where the dots creep by less than a fraction of
a pixel from a picture to one it may be copied from, small changes of their place go missing, by a steady part of a
pixel however large the wobble is, and all of them where whole parts of the row are copied unchanged.
"""

from __future__ import annotations

import numpy as np

from strobe.pattern import RowSeries
from strobe.phase import combine_blocks, lit_frames

__all__ = ["SWALLOWED_PX", "swallowed_dots"]

SWALLOWED_PX = 0.006
"""Most that the amplitude of a wobble lost without a part being copied: 0.001 to 0.004 px on rendered clips, up to
0.006 px on drawn ones without grain (H.264)."""

_OF_NOISE = 1.5
"""The same over the noise of dim pictures, where that is more: a coder that leaves out less than half a step makes
noise of a step over the root of twelve (a ratio of 1.7; 1.5 on a rendered clip)."""
_CREEPS_PX, _MOVES_PX = 0.15, 0.3
"""Pixels (rms) that dots move from a picture to one before: up to where all of it is allowed for, and from where
nothing is swallowed any more (by trial on drawn and rendered clips, H.264)."""
_PICTURES_BACK = 4
"""How many pictures back are looked at: a coder may copy from several, and dots may stand still to the third."""
_SAME_DOTS = 2e-6
"""Change of a part, in dots, that is no more than rounding makes (by trial)."""
_COPIED = 2.5
"""Times the mean lag of copied parts that is allowed for as a 95 % bound (by trial)."""
_MOST_COPIED = 0.95
"""Keeps the lag finite where everything is copied: 19 times the motion at the most."""
_LEAST_PAIRS = 12
"""Pairs of lit pictures from which their motion is known (by choice)."""


def swallowed_dots(row: RowSeries, noise_dots: float) -> float:
    """By how much the amplitude of any wobble may read too small, in dots, as a 95 % bound; 0 where the dots move.

    Parameters
    ----------
    row : RowSeries
        The row that was read.
    noise_dots : float
        1-sigma noise of its dots from picture to picture, where the picture is dim and noisy; 0 elsewhere.

    Notes
    -----
    Of each of the last pictures it is seen how far the dots have moved since (rms), and which share of the parts of the
    row did not change at all; such a part lags by ``share / (1 - share)`` of that motion on average, and two and a half
    times that is allowed for. Pictures that met no flash show no dots that could stand or move, and count for nothing.
    """
    blocks = row.blocks.astype(np.complex128)
    lit = lit_frames(combine_blocks(row.blocks)[0])
    left_out = max(SWALLOWED_PX / row.mean_pitch_px, _OF_NOISE * noise_dots)
    most = 0.0
    for back in range(1, min(_PICTURES_BACK, blocks.shape[0] - 1) + 1):
        both = lit[back:] & lit[:-back]
        if np.sum(both) < _LEAST_PAIRS:
            continue
        now, then = blocks[back:][both], blocks[:-back][both]
        turned = now * np.conj(then)
        motion = np.abs(np.angle(turned.sum(axis=1))) / (2 * np.pi)
        step = float(np.sqrt(np.mean(np.minimum(motion, np.quantile(motion, 0.98)) ** 2)))
        creeps = float(np.interp(step * row.mean_pitch_px, (_CREEPS_PX, _MOVES_PX), (1.0, 0.0)))
        same = float(np.mean(np.abs(now - then) <= 2 * np.pi * _SAME_DOTS * np.abs(now)))
        copied = min(same, _MOST_COPIED)
        most = max(most, creeps * (left_out + _COPIED * step * copied / (1 - copied)))
    return most
