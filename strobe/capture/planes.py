"""Planes of a decoded picture as arrays, without a copy, turned the way the clip is meant to be shown."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from strobe.errors import ClipUnreadable

__all__ = ["LAYOUTS", "Display", "Layout", "planes_of"]


@dataclass(frozen=True)
class Layout:
    """How a pixel format lies in memory: value range, and whether chroma is absent, planar or interleaved."""

    bit_depth: int
    chroma: str

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """Type of one value."""
        return np.uint8 if self.bit_depth == 8 else np.uint16


def _layouts() -> dict[str, Layout]:
    table = {"gray": Layout(8, "none"), "nv12": Layout(8, "pairs"), "nv16": Layout(8, "pairs")}
    for sampling in ("420", "422", "444"):
        table |= {f"yuv{sampling}p": Layout(8, "planes"), f"yuvj{sampling}p": Layout(8, "planes")}
        table |= {f"yuv{sampling}p{bits}le": Layout(bits, "planes") for bits in (9, 10, 12, 14, 16)}
    table |= {f"gray{bits}le": Layout(bits, "none") for bits in (10, 12, 14, 16)}
    # P010 and its kin hold their bits at the top of 16, so full scale is that of 16 bits.
    table |= {name: Layout(16, "pairs") for name in ("p010le", "p016le", "p210le", "p216le")}
    return table


LAYOUTS: dict[str, Layout] = _layouts()
"""Pixel formats that are read as they are; all others are converted to ``yuv444p``."""


@dataclass(frozen=True)
class Display:
    """How the stored picture is to be shown: mirrored left to right first, then turned clockwise.

    A picture that is a mirror image although nothing in the file says so is `flipped` left to right at the very end.
    """

    rotation_deg: int = 0
    mirrored: bool = False
    flipped: bool = False

    @classmethod
    def of(cls, picture: Any, *, flipped: bool = False) -> Self:
        """From the display matrix of a decoded picture, to the nearest quarter turn.

        Notes
        -----
        The matrix maps a stored point to ``x' = a x + c y``, ``y' = b x + d y`` with y downwards
        (ISO/IEC 14496-12, track header box; value from memory).
        """
        matrix = picture.side_data.get("DISPLAYMATRIX")
        if matrix is None:
            return cls(flipped=flipped)
        a, b, _, c, d = struct.unpack_from("=5i", bytes(matrix))
        mirrored = a * d - b * c < 0
        angle_deg = math.degrees(math.atan2(-b, -a) if mirrored else math.atan2(b, a))
        return cls(round(angle_deg / 90) * 90 % 360, mirrored, flipped)

    def size(self, width: int, height: int) -> tuple[int, int]:
        """Width and height as displayed."""
        return (height, width) if self.rotation_deg % 180 else (width, height)

    def show(self, plane: NDArray[Any]) -> NDArray[Any]:
        """A read-only view of a stored plane as displayed."""
        if self.mirrored:
            plane = plane[:, ::-1]
        if self.rotation_deg:
            plane = np.rot90(plane, -self.rotation_deg // 90)
        if self.flipped:
            plane = plane[:, ::-1]
        plane.flags.writeable = False
        return plane

    def sweep(self, width: int, height: int) -> str:
        """Which way the lines of the stored picture follow each other in the picture as displayed.

        Cameras expose line by line along the stored picture. An upright stored picture has been turned by whoever
        stored it, since sensors lie along; which way is not known.
        """
        if height > width:
            return "sideways"
        way = {0: "down", 90: "left", 180: "up", 270: "right"}[self.rotation_deg]
        return {"left": "right", "right": "left"}.get(way, way) if self.flipped else way


def planes_of(picture: Any, display: Display) -> tuple[NDArray[Any], NDArray[Any] | None, NDArray[Any] | None]:
    """Luma, Cb and Cr of a decoded picture as displayed.

    Each array is a view that keeps the picture's memory alive.

    Raises
    ------
    ClipUnreadable
        The lines are stored bottom up, which only odd raw video does.
    """
    layout = LAYOUTS.get(picture.format.name)
    if layout is None:
        layout, picture = LAYOUTS["yuv444p"], picture.reformat(format="yuv444p")
    stored = picture.planes
    luma = display.show(_lines(stored[0], layout))
    if layout.chroma == "none":
        return luma, None, None
    if layout.chroma == "pairs":
        pairs = _lines(stored[1], layout, values=2)
        return luma, display.show(pairs[:, 0::2]), display.show(pairs[:, 1::2])
    return luma, display.show(_lines(stored[1], layout)), display.show(_lines(stored[2], layout))


def _lines(plane: Any, layout: Layout, *, values: int = 1) -> NDArray[Any]:
    if plane.line_size < 0:
        raise ClipUnreadable(
            "The clip stores its pictures upside down, as some raw AVI files do, and cannot be read. "
            "Export it as H.264."
        )
    memory = np.frombuffer(plane, dtype=layout.dtype)
    return memory.reshape(plane.height, -1)[:, : plane.width * values]
