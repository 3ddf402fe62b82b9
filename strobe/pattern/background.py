"""What stands still around the platter: its brightness tells of the lamp."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane
from strobe.pattern.reading import RowReader

__all__ = ["BackgroundReader"]

_BINS = 48
_COLUMNS = 128
_BESIDE_A_ROW = 0.08


class BackgroundReader:
    """Reads the brightness of the still scenery by picture row; the places are chosen while learning.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of a few frames.
    rows : sequence of RowReader
        Rows of dots, kept clear of.
    full_scale : float
        The value of white.
    sweep : str
        Which way a rolling shutter sweeps the planes: ``down``, ``up``, ``right`` or ``left``.
    """

    def __init__(
        self, planes: Sequence[Plane], rows: Sequence[RowReader], *, full_scale: float = 255.0, sweep: str = "down"
    ) -> None:
        self._scale = 255.0 / full_scale
        self._along = 0 if sweep in ("down", "up") else 1
        size = planes[0].shape
        steps = [max(1, length // _COLUMNS) for length in size]
        steps[self._along] = max(1, size[self._along] // (_BINS * 5))
        self._thin_cells = tuple(slice(None, None, step) for step in steps)
        down, right = (np.arange(0, length, step) for length, step in zip(size, steps, strict=True))
        clear = np.ones((down.size, right.size), bool)
        for row in rows:
            reach = 1.5 * float(np.median(row.pitch_px)) + 4
            beside = int(_BESIDE_A_ROW * size[1])
            near = (right >= row.x_px[0] - beside) & (right <= row.x_px[-1] + beside)
            y = np.interp(right[near], row.x_px, row.y_px)
            clear[:, near] &= np.abs(down[:, None] - y) > reach
        self._choose_cells(planes, clear, sweep)

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
