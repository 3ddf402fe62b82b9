"""The still in which the platter's high spot faces the camera, as a PNG with a pointer to the spot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.errors import UsageError
from strobe.files import check_target, write_whole

__all__ = ["check_still_target", "write_still"]

POINTER_SHARE = 0.05
"""Height of the pointer as a share of the picture's."""
YELLOW, BLACK = (0, 220, 255), (0, 0, 0)


def check_still_target(path: Path) -> None:
    """Refuse a name that is not a PNG, or that could not be written.

    Raises
    ------
    UsageError
    """
    check_target(path, option="--high-spot", suffixes=(".png",))


def write_still(picture: NDArray[np.uint8], place_px: tuple[float, float], path: Path) -> None:
    """Write `picture` (height, width, 3) in red, green and blue, with a pointer above `place_px` (x, y).

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    import cv2

    drawn: Any = np.ascontiguousarray(picture[:, :, ::-1])
    height = drawn.shape[0]
    size = max(8, round(POINTER_SHARE * height))
    x, y = round(place_px[0]), round(place_px[1])
    tip = np.array([x, max(size, y - size)])
    pointer = (tip + np.array([[0, 0], [-size // 2, -size], [size // 2, -size]])).astype(np.int32)
    cv2.fillPoly(drawn, [pointer], YELLOW, cv2.LINE_AA)
    cv2.polylines(drawn, [pointer], True, BLACK, 2, cv2.LINE_AA)
    text, scale = "high spot", height / 900
    at = (max(0, int(tip[0] - 75 * scale)), max(int(30 * scale), int(tip[1] - 1.3 * size)))
    (wide, high), below = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    cv2.rectangle(
        drawn, (at[0] - below, at[1] - high - below), (at[0] + wide + below, at[1] + below), BLACK, cv2.FILLED
    )
    cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, YELLOW, 1, cv2.LINE_AA)
    done, coded = cv2.imencode(".png", drawn)
    if not done:
        raise UsageError(f"cannot write {path}: the picture could not be coded")
    write_whole(path, lambda file: file.write(coded.tobytes()))
