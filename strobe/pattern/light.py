"""Brightness of the still scenery, read along the way whether there are dots in the picture or not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.background import BackgroundReader, taken_way
from strobe.pattern.images import Plane

__all__ = ["LightReader"]

_HELD = 8
"""Frames from which the places to look at are chosen; by trial."""


class LightReader:
    """Notes the brightness across the picture of the frames that pass through `over`.

    Parameters
    ----------
    full_scale : float
        The value of white in the planes.
    sweep : str
        Which way a rolling shutter sweeps the picture, as for `strobe.pattern.read_pattern`.
    """

    def __init__(self, *, full_scale: float = 255.0, sweep: str = "down") -> None:
        self._full_scale = full_scale
        self._sweep = taken_way(sweep)
        self._reader: BackgroundReader | None = None
        self._held: list[Plane] = []
        self._times: list[float] = []
        self._rows: list[NDArray[np.float32]] = []

    def over(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """The same frames, each read on its way."""
        for frame in frames:
            self._times.append(frame.time_s)
            if self._reader is None:
                self._held.append(frame.luma)
                if len(self._held) == _HELD:
                    self._learn()
            else:
                self._rows.append(self._reader.brightness(frame.luma))
            yield frame
        if self._reader is None and self._held:
            self._learn()

    def _learn(self) -> None:
        self._reader = BackgroundReader(self._held, (), full_scale=self._full_scale, sweep=self._sweep)
        self._rows += [self._reader.brightness(plane) for plane in self._held]
        self._held = []

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Times of the frames (frames,)."""
        return np.array(self._times)

    @property
    def brightness(self) -> NDArray[np.float64]:
        """Brightness (frames, bins) in the order of exposure, in grey levels; zero where there is too little to see."""
        return np.array(self._rows, np.float64) if self._rows else np.zeros((0, 0))
