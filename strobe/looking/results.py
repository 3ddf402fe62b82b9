"""What a clip is like as a measuring picture, as frozen dataclasses, and its JSON form ``strobe.look/1``."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from strobe.measurement import Note, Refusal

__all__ = ["FileFacts", "Light", "Limit", "Look", "Reach", "SeenRow", "Shake", "Shutter", "Still", "Timing"]

_FRESH, _REPEATED, _LEAST_NOISE = 0.7, 0.25, 0.4
"""Renewal below which noise lasts on; share of unchanged pixels from which coding repeats them; and grey levels of
noise below which neither can be told (rounding alone makes 0.29). By trial."""
_BLACK = 30.0
"""Mean level (0 to 255) below which a picture is called dark; by trial."""


@dataclass(frozen=True)
class FileFacts:
    """The file: its size in pixels, coding and what it costs, and the device that it names."""

    container: str
    codec: str
    width: int
    height: int
    bit_depth: int
    transfer: str
    rotation_deg: int
    bits_per_s: float | None
    bits_per_pixel_s: float | None
    device: str | None
    written_by: str | None


@dataclass(frozen=True)
class Light:
    """The light as the still parts of the picture show it.

    Attributes
    ----------
    kind : str
        ``flashes``, ``soft`` (comes and goes smoothly), ``hidden`` (it times the dots, but the brightness shows no
        flicker), or ``unseen`` (no flicker).
    flash_rate_hz, flash_rate_uncertainty_hz : float or None
        By the camera's clock, where the flicker was measured, with its 95 % half-width.
    flicker_percent : float or None
        Amplitude of the flicker over the mean brightness in the picture, after the shutter has averaged it.
    in_step_hz : tuple of float
        Usual flash rates, or the one that was told, whose flicker would stand still at this frame rate, and so could
        not be seen.
    mean_level, white_share : float
        Mean brightness of the first frames (0 to 255), and the share of them that is white.
    """

    kind: str
    flash_rate_hz: float | None
    flash_rate_uncertainty_hz: float | None
    flicker_percent: float | None
    in_step_hz: tuple[float, ...]
    mean_level: float
    white_share: float

    @property
    def dark(self) -> bool:
        """Whether the picture wants more light."""
        return self.mean_level < _BLACK


@dataclass(frozen=True)
class Shutter:
    """What freezes the dots.

    Attributes
    ----------
    timed_by : str or None
        ``lamp`` or ``camera``, ``either`` where they keep step; None where no dots could be followed.
    exposure_s : float or None
        Exposure time where lamp and shutter both show in the dots, good to a factor of two.
    is_bound : bool
        Whether the exposure is that or shorter: short ones can't be told apart.
    """

    timed_by: str | None
    exposure_s: float | None
    is_bound: bool


@dataclass(frozen=True)
class SeenRow:
    """A row of dots: its place (0 top to 1 bottom), spacing, contrast, and whether it moves against the scenery."""

    height: float
    pitch_px: float
    dots_in_view: float
    contrast_percent: float
    moves: bool


@dataclass(frozen=True)
class Shake:
    """Motion of the scenery: rms and scatter in pixels, and the false wobble (weighted rms) it would be."""

    rms_px: float
    scatter_px: float
    weighted_percent: float


@dataclass(frozen=True)
class Timing:
    """The time stamps and what became of the frames; `kind` as in the time base, or ``unusable``."""

    kind: str
    frames: int
    duration_s: float
    frame_rate_hz: float
    capture_rate_hz: float
    grid_s: float
    noise_s: float
    dropped: int
    mended: int
    left_out: int
    breaks: int
    repeated_or_backward: int
    corrupt: int


@dataclass(frozen=True)
class Still:
    """The still parts from frame to frame.

    Attributes
    ----------
    unchanged_share : float
        Share of pixels that are exactly as in the frame before: what coding repeats.
    noise_levels : float
        Noise of a pixel, 1-sigma in grey levels.
    renewal : float
        Power of the change to the next frame over that to a later one; 1 for fresh noise, less where something
        averages over time.
    """

    unchanged_share: float
    noise_levels: float
    renewal: float

    @property
    def averaged(self) -> bool:
        """Whether the noise lasts on though the pixels do change: averaging over time, not coding that repeats."""
        changing = self.unchanged_share < _REPEATED and self.noise_levels > _LEAST_NOISE
        return changing and self.renewal < _FRESH


@dataclass(frozen=True)
class Reach:
    """What the clip's own measurement came to: 95 % half-widths, the noise floor and the band."""

    nominal_rpm: float
    dots: int
    deviation_percent: float
    speed_uncertainty_percent: float
    weighted_peak_uncertainty_percent: float
    weighted_floor_percent: float
    band_hz: tuple[float, float]
    revolutions: float


@dataclass(frozen=True)
class Limit:
    """What limits one figure (``speed`` or ``steadiness``): a stable code, its size in percent, and words."""

    of: str
    code: str
    size_percent: float
    message: str


@dataclass(frozen=True)
class Look:
    """What a clip is like as a measuring picture.

    Attributes
    ----------
    path : str
        As given.
    grade : str
        ``good``, ``fair`` or ``poor`` to measure with, or ``refused``.
    reach : Reach or None
        What was reached; None where the clip is refused.
    refusal : Refusal or None
        Why it is refused.
    limits : tuple of Limit
        What limits the speed and the steadiness, one each; empty where the clip is refused.
    changes : tuple of str
        The one or two changes that would help most; empty when nothing needs a change.
    signs : tuple of Note
        Signs of what was done to the picture or the file on the way.
    """

    path: str
    grade: str
    reach: Reach | None
    refusal: Refusal | None
    limits: tuple[Limit, ...]
    changes: tuple[str, ...]
    light: Light
    shutter: Shutter
    rows: tuple[SeenRow, ...]
    shake: Shake | None
    timing: Timing
    still: Still | None
    file: FileFacts
    signs: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object ``strobe.look/1``; plain numbers, no NaN."""
        whole = asdict(self)
        path = whole.pop("path")
        whole["refusal"] = None if self.refusal is None else self.refusal.to_dict()
        return {"schema": "strobe.look/1", "clip": {"path": path}, **whole}
