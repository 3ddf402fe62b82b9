"""What crosses the edge of capture: a frame, the facts of its clip, and the count of what was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["CameraFacts", "ClipFacts", "ClipTally", "Frame", "Setting", "SourceEvent", "SourceFacts"]


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture.

    Attributes
    ----------
    index : int
        Number of frames given before this one; skipped frames (see `ClipTally`) take no number.
    time_s : float
        Time in seconds since the first frame, as stamped. Frames come in the order in which they were taken; a faulty
        file's stamps may still repeat or run backwards, which the fit of the time base sorts out.
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


@dataclass(frozen=True, kw_only=True)
class SourceFacts:
    """What is known of any source of frames, a file or a camera, once its first frame is there.

    Attributes
    ----------
    name : str
        Path, device or address, as given.
    width, height : int
        Pixels, as displayed.
    bit_depth : int
        Plane values run to ``2**bit_depth - 1``.
    rotation_deg : int
        Clockwise turn (0, 90, 180 or 270) of the stored picture that has been applied, after `mirrored`.
    mirrored : bool
        Whether the container asks for the picture to be mirrored left to right; it has been.
    flipped : bool
        Whether the picture as displayed was mirrored once more, because the caller said that it is a mirror image.
    sweep : str
        Which way a rolling shutter sweeps the picture as displayed: ``down``, ``up``, ``left`` or ``right``;
        ``sideways`` for an upright picture that nobody says was turned.
    declared_rate_hz, duration_s : float or None
        Frame rate and length that the source declares; a camera has no length.
    stamps : str
        Where the times of the frames come from: ``container``; ``counted`` (the file has none, only one rate for all);
        ``driver`` (the camera's own); ``arrival`` (when the program got the frame).
    stamp_s : float
        Unit of the time stamps.
    capture_rate_hz : float or None
        Rate of the sensor where the source tells it; above the frame rate for slow motion.
    decoder : str
        Libraries that decoded the frames, with their versions.
    """

    name: str
    width: int
    height: int
    bit_depth: int
    rotation_deg: int
    mirrored: bool
    flipped: bool
    sweep: str
    declared_rate_hz: float | None
    duration_s: float | None
    stamps: str
    stamp_s: float
    capture_rate_hz: float | None
    decoder: str

    @property
    def full_scale(self) -> float:
        """The value of white in the planes."""
        return float(2**self.bit_depth - 1)


@dataclass(frozen=True, kw_only=True)
class ClipFacts(SourceFacts):
    """What the container and the first frame of a file say besides.

    Attributes
    ----------
    container, codec : str
        Names of the file format and of the coding, for example ``h264``.
    pixel_format : str
        As stored.
    read_as : str
        Pixel format of the planes given; differs from `pixel_format` only where that is not planar YUV or
        grey.
    declared_frames : int or None
        Number of frames that the container declares.
    transfer : str
        ``sdr``, ``pq``, ``hlg`` or ``unknown``.
    full_range : bool
        Whether luma uses all values from zero up.
    slow_motion : bool or None
        Whether the container's tags ask for the clip to be shown slower than it was filmed; None where none does.
    metadata : tuple of (str, str)
        All of the container's and the stream's tags.
    """

    container: str
    codec: str
    pixel_format: str
    read_as: str
    declared_frames: int | None
    transfer: str
    full_range: bool
    slow_motion: bool | None
    metadata: tuple[tuple[str, str], ...]

    @property
    def path(self) -> str:
        """The file, as given."""
        return self.name


@dataclass(frozen=True, kw_only=True)
class CameraFacts(SourceFacts):
    """What is known of a camera or stream besides.

    Attributes
    ----------
    settings : tuple of Setting
        What was asked of the camera, and what it said it does.
    """

    settings: tuple[Setting, ...]


@dataclass(frozen=True)
class Setting:
    """One thing asked of a camera: `wanted` and what it then `got` (None where it does not say)."""

    name: str
    wanted: float
    got: float | None

    @property
    def kept(self) -> bool:
        """Whether the camera says that it does what was asked, within 1 %."""
        return self.got is not None and abs(self.got - self.wanted) <= 0.01 * abs(self.wanted)


@dataclass(frozen=True)
class SourceEvent:
    """Something that befell a camera or stream, `time_s` after its first frame.

    `kind` is ``lost`` (no picture came), ``retry`` (another try failed), ``back`` (there are pictures again),
    ``given-up``, ``resized`` (the pictures have another size from now on), or ``overrun`` (they came faster than they
    were taken off).
    """

    time_s: float
    kind: str
    message: str


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
        Frames whose stamp was not later than the one before.
    unstamped : int
        Frames skipped because they had no time stamp.
    duration_s : float
        From the earliest to the latest frame given, plus one usual interval.
    observed_rate_hz : float or None
        One over the mean of the intervals that lie within half of their median; None below two frames.
    key_period_s : float or None
        Usual time from one key frame to the next; None where there are fewer than three, or every frame is one.
    """

    frames: int
    corrupt: int
    dropped: int
    repeated_or_backward: int
    unstamped: int
    duration_s: float
    observed_rate_hz: float | None
    key_period_s: float | None = None

    @classmethod
    def of(
        cls,
        stamp_s: NDArray[np.float64],
        *,
        corrupt: int = 0,
        unstamped: int = 0,
        key_s: NDArray[np.float64] | None = None,
    ) -> Self:
        """Counted over the stamps (frames,) of the frames given, in their order; `key_s` are those of key frames."""
        interval = np.diff(stamp_s)
        forward = interval[interval > 0]
        dropped, usual = 0, 0.0
        if forward.size:
            median = float(np.median(forward))
            near = forward[np.abs(forward - median) <= 0.5 * median]
            usual = float(near.mean()) if near.size else median
            gaps = forward[forward > 1.5 * usual]
            dropped = int(np.sum(np.rint(gaps / usual) - 1))
        return cls(
            frames=int(stamp_s.size),
            corrupt=corrupt,
            dropped=dropped,
            repeated_or_backward=int(interval.size - forward.size),
            unstamped=unstamped,
            duration_s=float(np.ptp(stamp_s)) + usual if stamp_s.size else 0.0,
            observed_rate_hz=1.0 / usual if usual else None,
            key_period_s=_key_period_s(key_s, usual),
        )


def _key_period_s(key_s: NDArray[np.float64] | None, usual_s: float) -> float | None:
    if key_s is None or key_s.size < 3:
        return None
    period = float(np.median(np.diff(key_s)))
    return period if period > 1.5 * usual_s else None
