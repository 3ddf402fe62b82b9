"""What stands still around the platter: its brightness tells of the lamp."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane
from strobe.pattern.reading import InTheWay, clear_of

__all__ = ["BackgroundReader", "taken_way"]

_BINS = 48
"""Parts of the picture in the order of exposure, of five lines of pixels or more where it has as many; by trial."""
_COLUMNS = 128
"""Pixels looked at along each line, or up to twice as many; by trial."""


def taken_way(sweep: str) -> str:
    """The way to take for a sweep; where it is only known to run ``sideways``, to the right."""
    return "right" if sweep == "sideways" else sweep


class BackgroundReader:
    """Reads the brightness of the still scenery by picture row; the places are chosen while learning.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of a few frames.
    rows : sequence of InTheWay
        Rows of dots, kept clear of.
    full_scale : float
        The value of white.
    sweep : str
        Which way a rolling shutter sweeps the planes: ``down``, ``up``, ``right`` or ``left``.
    """

    def __init__(
        self, planes: Sequence[Plane], rows: Sequence[InTheWay], *, full_scale: float = 255.0, sweep: str = "down"
    ) -> None:
        self._scale = 255.0 / full_scale
        self._along = 0 if sweep in ("down", "up") else 1
        size = planes[0].shape
        steps = [max(1, length // _COLUMNS) for length in size]
        steps[self._along] = max(1, size[self._along] // (_BINS * 5))
        self._thin_cells = tuple(slice(None, None, step) for step in steps)
        down, right = (np.arange(0, length, step) for length, step in zip(size, steps, strict=True))
        self._choose_cells(planes, clear_of(rows, down, right, width=size[1]), sweep)

    def _choose_cells(self, planes: Sequence[Plane], clear: NDArray[np.bool_], sweep: str) -> None:
        brightest = np.max([plane[self._thin_cells] for plane in planes], axis=0) * self._scale
        use = clear & (brightest < 235) & (brightest > 6)
        lines = np.arange(use.shape[self._along])
        member = (lines * _BINS // lines.size)[None, :] == np.arange(_BINS)[:, None]
        count = member @ use.sum(axis=1 - self._along)
        self._use = use.astype(np.float32)
        average = (member / np.maximum(count, 1)[:, None] * (count >= 24)[:, None]).astype(np.float32)
        self._average = average if sweep in ("down", "right") else average[::-1]

    def brightness(self, plane: Plane) -> NDArray[np.float32]:
        """Mean brightness (bins,) of the picture in the order in which it was exposed, in grey levels of 0 to 255.

        Zero where there is too little to see.
        """
        thin = plane[self._thin_cells]
        lines = np.einsum("yx,yx->x" if self._along else "yx,yx->y", thin.astype(np.float32), self._use)
        return self._average @ lines * np.float32(self._scale)
