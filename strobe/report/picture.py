"""The picture beside the readout: what the camera sees, with the rows outlined and the reading under it, kept calm.

Under mains light the raw picture beats at some hertz. Here the brightness of every region is held at its own slow mean,
and the picture changes no more than `MOST_CHANGES_HZ` times a second, so that it can't flash more than three times in
any second (WCAG 2.3.1, three flashes or below threshold).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.live.records import LiveUpdate
from strobe.report.live import creep_words, figure_words

__all__ = ["MOST_CHANGES_HZ", "SteadyPicture"]

Picture = NDArray[np.uint8]
Line = NDArray[np.float64]

MOST_CHANGES_HZ = 2.5
"""A flash takes two opposite changes, so that this is far within three flashes a second."""
_WIDTH = 960
"""Widest picture that is drawn, columns."""
_REGIONS = (9, 16)
"""Regions down and across the picture that are held steady each by itself: coarse beside dots, fine beside the bands
that a rolling shutter makes; our own choice."""
_SLOW_S = 1.0
"""Time constant of the mean brightness: long beside the beat of mains light with the pictures, some hertz, and short
enough to follow a light that is switched; our own choice."""
_BLACK, _LEAST_GAIN, _MOST_GAIN = 3.0, 0.4, 4.0
"""Grey levels of 255 that are added before brightness is divided by brightness, and the least and most by which a
region is changed: what is black stays black, and its noise with it; our own choice."""
_DIMMED = 0.4
"""What is left of the brightness where no pictures come any more; our own choice."""
_WHITE, _GREY, _BESIDE, _READ = (255, 255, 255), (170, 170, 170), (200, 160, 60), (60, 220, 255)
"""Blue, green, red."""


class SteadyPicture:
    """Composes the picture: give it every frame, and ask for a picture with every update.

    Parameters
    ----------
    full_scale : float
        The value of white in the frames.
    """

    def __init__(self, *, full_scale: float = 255.0) -> None:
        self._scale = 255.0 / full_scale
        self._slow: NDArray[np.float32] | None = None
        self._seen_s = 0.0
        self._brightest: tuple[float, NDArray[np.generic]] | None = None
        self._fresh = True
        self._shown_s = -np.inf

    def take(self, luma: NDArray[np.generic], time_s: float) -> None:
        """Note the brightness (height, width) of one more frame; cheap enough for each of them."""
        step = max(1, luma.shape[0] // 180)
        thin = luma[::step, ::step].astype(np.float32) * np.float32(self._scale)
        regions = _small(thin)
        if self._slow is None:
            self._slow = regions
        share = 1 - np.exp(-max(0.0, time_s - self._seen_s) / _SLOW_S)
        self._slow += np.float32(share) * (regions - self._slow)
        self._seen_s = time_s
        # Some frames may have met no flash; of those since the last picture the brightest shows most.
        light = float(regions.mean())
        if self._fresh or self._brightest is None or light >= self._brightest[0]:
            self._brightest, self._fresh = (light, luma), False

    def picture(self, update: LiveUpdate, outlines: Sequence[Line] = ()) -> Picture | None:
        """The picture to be shown from now on; None as long as the one before has to stay.

        Parameters
        ----------
        update : LiveUpdate
            What is known now. Without a current figure the picture says why, and where no pictures come it is dimmed.
        outlines : sequence of arrays (points, 2)
            Closed lines around the rows, places (right, down) in pixels of the frames; the row that is read first.

        Returns
        -------
        array of uint8 (height, width, 3) or None
            Blue, green, red.
        """
        if self._brightest is None or 0 <= update.time_s - self._shown_s < 1 / MOST_CHANGES_HZ:
            return None
        self._shown_s = update.time_s
        import cv2

        luma: Any = self._brightest[1]
        size = min(1.0, _WIDTH / luma.shape[1])
        small = cv2.resize(luma, None, fx=size, fy=size, interpolation=cv2.INTER_AREA) if size < 1 else luma
        grey = self._steadied(np.asarray(small))
        if self._fresh:
            grey = (grey * _DIMMED).astype(np.uint8)
        self._fresh = True
        scene = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
        for number, line in enumerate(outlines):
            color, thick = (_BESIDE, 1) if number else (_READ, 2)
            cv2.polylines(scene, [np.rint(line * size).astype(np.int32)], True, color, thick, cv2.LINE_AA)
        return np.vstack([np.asarray(scene, np.uint8), _reading(update, scene.shape[1])])

    def _steadied(self, luma: NDArray[np.generic]) -> Picture:
        """The frame with each region as bright as it is on the average; grey levels of 0 to 255."""
        import cv2

        assert self._slow is not None
        now = luma.astype(np.float32) * np.float32(self._scale)
        gain = np.clip((self._slow + _BLACK) / (_small(now) + _BLACK), _LEAST_GAIN, _MOST_GAIN)
        even = cv2.resize(gain, now.shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.clip(now * even, 0, 255).astype(np.uint8)


def _small(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    return np.asarray(cv2.resize(luma, _REGIONS[::-1], interpolation=cv2.INTER_AREA), np.float32)


def _reading(update: LiveUpdate, width: int) -> Picture:
    """The bar under the picture: figure and instruction in letters that fill it, then state and creep."""
    import cv2

    tall = max(60, width // 8)
    bar = np.zeros((tall + tall // 2, width, 3), np.uint8)
    figure = figure_words(update)
    head = f"{figure} %  {update.instruction}" if figure else "no figure now"
    # The font knows ASCII only; OpenCV 4.9 draws a question mark for anything else.
    foot = creep_words(update, plain=True) if figure else update.message
    foot = foot.replace("±", "+/-")
    font = cv2.FONT_HERSHEY_SIMPLEX
    for text, rows, base, color in ((head, tall, tall * 3 // 4, _WHITE), (foot, tall // 2, tall * 11 // 8, _GREY)):
        (across, high), _ = cv2.getTextSize(text, font, 1.0, 2)
        scale = min(0.6 * rows / max(1, high), 0.96 * width / max(1, across))
        place = (round(0.02 * width), base)
        cv2.putText(bar, text, place, font, scale, color, max(1, round(2 * scale)), cv2.LINE_AA)
    return bar
