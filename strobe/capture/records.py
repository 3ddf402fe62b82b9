"""What crosses the edge of capture: a frame, the facts of its clip, and the count of what was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

__all__ = ["ClipFacts", "ClipTally", "Frame"]


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture.

    Attributes
    ----------
    index : int
        Number of frames given before this one; skipped frames (see `ClipTally`) take no number.
    time_s : float
        Presentation time in seconds since the first frame of the clip.
    luma : array of uint8 or uint16, shape (height, width)
        Luma in display orientation, read-only; values run to ``2**bit_depth - 1`` (see `ClipFacts`). It is a
        view that keeps the decoder's buffer alive, so hold no more frames than needed.
    cb, cr : array or None
        Chroma planes at their own, mostly halved, size, in the same orientation; None for a grey clip.
    """

    index: int
    time_s: float
    luma: NDArray[Any]
    cb: NDArray[Any] | None
    cr: NDArray[Any] | None


@dataclass(frozen=True)
class ClipFacts:
    """What the container and the first frame say.

    Attributes
    ----------
    path : str
        As given.
    container, codec : str
        Names of the file format and of the coding, for example ``h264``.
    pixel_format : str
        As stored.
    read_as : str
        Pixel format of the planes given; differs from `pixel_format` only where that is not planar YUV or
        grey.
    width, height : int
        Pixels, as displayed.
    bit_depth : int
        Plane values run to ``2**bit_depth - 1``.
    rotation_deg : int
        Clockwise turn (0, 90, 180 or 270) of the stored picture that has been applied, after `mirrored`.
    mirrored : bool
        Whether the container asks for the picture to be mirrored left to right; it has been.
    declared_rate_hz, duration_s : float or None
        Frame rate and length that the container declares.
    declared_frames : int or None
        Number of frames that the container declares.
    stamp_s : float
        Unit of the time stamps.
    transfer : str
        ``sdr``, ``pq``, ``hlg`` or ``unknown``.
    capture_rate_hz : float or None
        Rate of the sensor where the container's metadata tells it; above the frame rate for slow motion.
    full_range : bool
        Whether luma uses all values from zero up.
    decoder : str
        Libraries that decoded the clip, with their versions.
    metadata : tuple of (str, str)
        All of the container's and the stream's tags.
    """

    path: str
    container: str
    codec: str
    pixel_format: str
    read_as: str
    width: int
    height: int
    bit_depth: int
    rotation_deg: int
    mirrored: bool
    declared_rate_hz: float | None
    declared_frames: int | None
    stamp_s: float
    duration_s: float | None
    transfer: str
    capture_rate_hz: float | None
    full_range: bool
    decoder: str
    metadata: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ClipTally:
    """What has been counted so far while frames were read.

    Attributes
    ----------
    frames : int
        Frames given.
    corrupt : int
        Packets or frames that failed to decode, skipped.
    dropped : int
        Frames missing in gaps of more than one and a half usual intervals.
    repeated_or_backward : int
        Frames skipped because their stamp was not later than the one before.
    unstamped : int
        Frames skipped because they had no time stamp.
    duration_s : float
        From the first to the last frame given, plus one usual interval.
    observed_rate_hz : float or None
        One over the mean of the intervals that lie within half of their median; None below two frames.
    """

    frames: int
    corrupt: int
    dropped: int
    repeated_or_backward: int
    unstamped: int
    duration_s: float
    observed_rate_hz: float | None
