"""The one picture of a clip in which the platter's high spot faces the camera."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame, open_clip
from strobe.errors import UsageError
from strobe.measurement import Measurement

__all__ = ["Still", "high_spot_still"]


@dataclass(frozen=True, eq=False)
class Still:
    """A picture (height, width, 3), red, green and blue of 0 to 255, its time, and where in it the high spot is."""

    picture: NDArray[np.uint8]
    time_s: float
    x_px: float
    y_px: float


def high_spot_still(measurement: Measurement, *, mirrored: bool = False) -> Still:
    """Read the clip again for the frame in which the high spot stands nearest to the camera.

    Parameters
    ----------
    measurement : Measurement
        With its runout.
    mirrored : bool
        As it was measured.

    Raises
    ------
    UsageError
        When the reading tells of no high spot.
    ClipUnreadable
        When the clip can't be opened any more.
    """
    runout = measurement.runout
    if runout is None or runout.near_x_share is None or runout.near_y_share is None:
        raise UsageError("the clip shows no high spot: its rise and fall could not be told, so no still can be picked")
    at_s = runout.axial_high_time_s * measurement.clip.capture_rate_hz / measurement.clip.frame_rate_hz
    best: Frame | None = None
    with open_clip(measurement.clip.path, flipped=mirrored) as clip:
        white = clip.facts.full_scale
        for frame in clip:
            if best is None or abs(frame.time_s - at_s) < abs(best.time_s - at_s):
                best = frame
            elif frame.time_s > at_s:
                break
    assert best is not None
    height, width = best.luma.shape
    return Still(_colours(best, white), best.time_s, runout.near_x_share * width, runout.near_y_share * height)


def _colours(frame: Frame, white: float) -> NDArray[np.uint8]:
    """Red, green and blue of a frame in video range (ITU-R BT.709; coefficients from memory)."""
    luma = (frame.luma.astype(np.float32) * (255 / white) - 16) * (255 / 219)
    if frame.cb is None or frame.cr is None:
        return np.repeat(np.clip(luma, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    rows, columns = (
        np.minimum(np.arange(size) * small // size, small - 1)
        for size, small in zip(luma.shape, frame.cb.shape, strict=True)
    )
    cb, cr = (
        (plane[np.ix_(rows, columns)].astype(np.float32) * (255 / white) - 128) * (255 / 224)
        for plane in (frame.cb, frame.cr)
    )
    planes = (luma + 1.5748 * cr, luma - 0.1873 * cb - 0.4681 * cr, luma + 1.8556 * cb)
    return np.clip(np.stack(planes, axis=-1), 0, 255).astype(np.uint8)
