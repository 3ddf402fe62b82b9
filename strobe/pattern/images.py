"""Small image work that every part of the pattern layer shares."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.errors import MissingLibrary

__all__ = ["Plane", "clear_of_light", "cut_out", "decimate", "mappable", "opencv", "runs_of", "thin_grid"]

Plane = NDArray[Any]

_ACROSS, _DOWN = 96, 64
"""Pixels of the thin grid at least, where the picture has as many; by trial."""


def opencv() -> ModuleType:
    """OpenCV, imported when first needed.

    Raises
    ------
    MissingLibrary
        When a system library that OpenCV needs is not installed.
    """
    try:
        import cv2
    except ImportError as error:
        raise MissingLibrary(
            f"OpenCV does not load ({error}). Install the system libraries it needs, on Debian or Ubuntu: "
            "apt install libgl1 libglib2.0-0"
        ) from error
    return cv2


def thin_grid(plane: Plane) -> NDArray[np.float32]:
    """Single pixels of `plane`, some ninety by sixty, evenly spread: enough to see how noisy it is."""
    height, width = plane.shape
    return plane[:: max(1, height // _DOWN), :: max(1, width // _ACROSS)].astype(np.float32)


def clear_of_light(change: NDArray[np.float32]) -> NDArray[np.float32]:
    """Changes (..., rows, columns) less what a whole picture row has in common: flicker of the lamp."""
    return change - np.median(change, axis=-1, keepdims=True)


def cut_out(plane: Plane, crop: tuple[slice, slice], by: tuple[int, int]) -> Plane:
    """A crop of `plane`, whole pixels (down, right) away from its place; beyond the picture what is at its edge."""
    rows, columns = (slice(one.start + step, one.stop + step) for one, step in zip(crop, by, strict=True))
    if min(rows.start, columns.start) >= 0 and rows.stop <= plane.shape[0] and columns.stop <= plane.shape[1]:
        return np.ascontiguousarray(plane[rows, columns])
    near = (
        np.clip(np.arange(one.start, one.stop), 0, size - 1)
        for one, size in zip((rows, columns), plane.shape, strict=True)
    )
    cut: Plane = plane[np.ix_(*near)]
    return cut


def decimate(plane: Plane, factor: int) -> NDArray[np.float32]:
    """`plane` (height, width) averaged over squares of `factor` pixels, as float32."""
    if factor == 1:
        return plane.astype(np.float32)
    height, width = plane.shape[0] // factor, plane.shape[1] // factor
    if not height or not width:
        return np.zeros((0, 0), np.float32)
    cropped = np.ascontiguousarray(plane[: height * factor, : width * factor])
    small = opencv().resize(cropped, (width, height), interpolation=opencv().INTER_AREA)
    return small.astype(np.float32)


def mappable(plane: Plane) -> Plane:
    """`plane` in a form that OpenCV resamples."""
    return plane if plane.dtype in (np.uint8, np.uint16, np.float32) else plane.astype(np.float32)


def runs_of(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Unbroken runs of True as (begin, end), the end exclusive: array (runs, 2)."""
    return np.flatnonzero(np.diff(np.concatenate([[0], mask.view(np.int8), [0]]))).reshape(-1, 2)
