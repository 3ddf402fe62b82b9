"""How the still parts of the picture change from frame to frame: whether coding or the camera averages over time."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame
from strobe.pattern.images import clear_of_light, thin_grid

__all__ = ["Stillness"]

_LATER = 8
"""Frames apart that are taken to share no noise; by trial."""
_LEAST_FRAMES = 30
"""Frames compared from which anything is said; by trial."""


class Stillness:
    """Samples a thin grid of pixels of every frame that passes through `over`.

    Parameters
    ----------
    full_scale : float
        The value of white in the planes.
    """

    def __init__(self, *, full_scale: float = 255.0) -> None:
        self._scale = 255.0 / full_scale
        self._last: deque[NDArray[np.float32]] = deque(maxlen=_LATER)
        self._frames = 0
        self._same = self._next = self._later = self._level = np.zeros((0, 0), np.float32)

    def over(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """The same frames, each sampled on its way."""
        for frame in frames:
            self._sample(frame)
            yield frame

    def _sample(self, frame: Frame) -> None:
        thin = thin_grid(frame.luma) * self._scale
        if not self._last:
            self._same, self._next, self._later, self._level = (np.zeros_like(thin) for _ in range(4))
        self._level += thin
        if len(self._last) == _LATER:
            step = thin - self._last[-1]
            self._same += step == 0
            self._next += clear_of_light(step) ** 2
            self._later += clear_of_light(thin - self._last[0]) ** 2
            self._frames += 1
        self._last.append(thin)

    def _still(self) -> NDArray[np.bool_]:
        level = self._level / (self._frames + _LATER)
        seen = (level > 20) & (level < 235)
        if not seen.any():
            return seen
        return seen & (self._later <= np.percentile(self._later[seen], 50))

    @property
    def unchanged_share(self) -> float | None:
        """Share (0 to 1) of the still pixels that are exactly as in the frame before; None for too few frames."""
        still = self._still() if self._frames >= _LEAST_FRAMES else np.zeros((0, 0), bool)
        return float(self._same[still].mean() / self._frames) if still.any() else None

    @property
    def noise_levels(self) -> float | None:
        """Noise (1-sigma, grey levels) of a still pixel, from frames that are far apart; None for too few frames."""
        still = self._still() if self._frames >= _LEAST_FRAMES else np.zeros((0, 0), bool)
        return float(np.sqrt(self._later[still].mean() / self._frames / 2)) if still.any() else None

    @property
    def renewal(self) -> float | None:
        """Change to the next frame over change to one much later, in power: 1 for fresh noise, less for averaging."""
        still = self._still() if self._frames >= _LEAST_FRAMES else np.zeros((0, 0), bool)
        later = float(self._later[still].mean()) if still.any() else 0.0
        return float(self._next[still].mean()) / later if later > 0 else None
