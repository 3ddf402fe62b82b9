"""What is filmed and how, as frozen dataclasses with units in the field names.

Aim: one description of a turning platter's rim, its light, the camera and the file, from which
`strobe.render` draws frames and tells the truth. Conventions: true time in seconds, zero at the start of
the first frame's first picture row; platter angle in revolutions, growing with the (clockwise) rotation;
lengths in millimetres about the platter's centre, z up from its top; the camera's clock shows ``c`` at true
time ``c * (1 + clock_error_ppm * 1e-6)``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.errors import UsageError

__all__ = ["Camera", "Coding", "DotRow", "Lamp", "Scene", "Speed", "Wobble"]

_Floats = NDArray[np.float64]


def _demand(holds: bool, what: str, value: object, rule: str) -> None:
    if not holds:
        raise UsageError(f"{what} = {value!r}: {rule}")


def _positive(owner: object, names: Iterable[str]) -> None:
    for name in names:
        value = getattr(owner, name)
        _demand(math.isfinite(value) and value > 0, name, value, "must be above zero")


@dataclass(frozen=True)
class DotRow:
    """One ring of bright dots printed round the rim on a dark band.

    Attributes
    ----------
    dots : int
        Dots per turn.
    z_mm, height_mm : float
        Middle of the ring below (negative) the platter's top, and its height.
    duty : float
        Width of a dot as a share of the pitch.
    shape : {'rect', 'round'}
        Upright bars, or ellipses as high as the ring.
    uneven_place, uneven_brightness : float
        Standard deviation from dot to dot: of the place as a share of the pitch, of the brightness as a share
        of it.
    dust_specks : int
        Dark specks at random places of the ring.
    """

    dots: int
    z_mm: float = -12.0
    height_mm: float = 3.4
    duty: float = 0.5
    shape: Literal["rect", "round"] = "rect"
    uneven_place: float = 0.002
    uneven_brightness: float = 0.03
    dust_specks: int = 6

    def __post_init__(self) -> None:
        _demand(self.dots >= 3, "dots", self.dots, "a ring needs at least three")
        _positive(self, ["height_mm"])
        _demand(0 < self.duty < 1, "duty", self.duty, "must lie between 0 and 1")
        _demand(self.shape in ("rect", "round"), "shape", self.shape, "must be 'rect' or 'round'")


@dataclass(frozen=True)
class Lamp:
    """The light, as a periodic intensity of mean 1 plus the steady `ambient` light.

    Attributes
    ----------
    kind : {'pulse', 'half-sine', 'sine', 'steady'}
        Rectangular flashes, rectified sine, shallow sine, or no flicker.
    flash_rate_hz : float
        True flashes a second.
    duty : float
        Share of the time that a pulse is lit.
    modulation : float
        (max - min) / (max + min) of the sine.
    ambient : float
        Steady light as a share of the lamp's mean.
    phase_cycles : float
        A flash peaks at true time zero when this is zero.
    """

    kind: Literal["pulse", "half-sine", "sine", "steady"] = "pulse"
    flash_rate_hz: float = 100.0
    duty: float = 0.1
    modulation: float = 0.1
    ambient: float = 0.05
    phase_cycles: float = 0.0

    def __post_init__(self) -> None:
        kinds = ("pulse", "half-sine", "sine", "steady")
        _demand(self.kind in kinds, "kind", self.kind, f"must be one of {kinds}")
        _positive(self, ["flash_rate_hz"])
        _demand(0 < self.duty < 1, "duty", self.duty, "must lie between 0 and 1")
        _demand(0 <= self.modulation <= 1, "modulation", self.modulation, "must lie between 0 and 1")
        _demand(self.ambient >= 0, "ambient", self.ambient, "must not be negative")

    def _cycles(self, time_s: ArrayLike) -> _Floats:
        return np.asarray(time_s, float) * self.flash_rate_hz + self.phase_cycles

    def intensity(self, time_s: ArrayLike) -> _Floats:
        """Light at the true times `time_s`, any shape; the lamp's own mean is 1."""
        x = self._cycles(time_s)
        if self.kind == "pulse":
            lamp = np.where(np.abs(x - np.floor(x + 0.5)) < self.duty / 2, 1 / self.duty, 0.0)
        elif self.kind == "half-sine":
            lamp = np.abs(np.cos(np.pi * x)) * np.pi / 2
        elif self.kind == "sine":
            lamp = 1 + self.modulation * np.cos(2 * np.pi * x)
        else:
            lamp = np.ones_like(x)
        return lamp + self.ambient

    def energy_s(self, time_s: ArrayLike) -> _Floats:
        """Integral of `intensity` from a fixed instant to `time_s`, in closed form, seconds."""
        x = self._cycles(time_s)
        cycle = np.floor(x + 0.5)
        if self.kind == "pulse":
            cycles = cycle + np.clip((x - cycle) / self.duty, -0.5, 0.5)
        elif self.kind == "half-sine":
            cycles = cycle + np.sin(np.pi * (x - cycle)) / 2
        elif self.kind == "sine":
            cycles = x + self.modulation * np.sin(2 * np.pi * x) / (2 * np.pi)
        else:
            cycles = x
        return cycles / self.flash_rate_hz + self.ambient * np.asarray(time_s, float)

    def breaks_s(self, start_s: float, end_s: float) -> _Floats:
        """Instants in the span at which the intensity or its slope jumps."""
        offsets = {"pulse": (-self.duty / 2, self.duty / 2), "half-sine": (0.5,)}.get(self.kind, ())
        first, last = self._cycles([start_s, end_s])
        cycles = np.arange(math.floor(first) - 1, math.ceil(last) + 2)
        times = np.add.outer(cycles, np.asarray(offsets, float)).ravel() - self.phase_cycles
        times /= self.flash_rate_hz
        return times[(times > start_s) & (times < end_s)]

    def harmonic(self, order: int) -> float:
        """Fourier coefficient of the intensity at `order` times the flash rate (flash at time zero)."""
        if order == 0:
            return 1 + self.ambient
        h = abs(order)
        if self.kind == "pulse":
            return float(np.sinc(h * self.duty))
        if self.kind == "half-sine":
            return (-1) ** (h + 1) / (4 * h * h - 1)
        return self.modulation / 2 if self.kind == "sine" and h == 1 else 0.0


@dataclass(frozen=True)
class Camera:
    """The camera: where it stands, how it exposes, and what its clock and its file make of time.

    It looks at the nearest point of the rim (moved by `aim_x_mm` to the right and `aim_z_mm` up) at the
    height of the first ring, from `distance_mm` away, `elevation_deg` above the level; a positive
    `roll_deg` lowers the right-hand end of the ring in the picture. Row y of frame k is exposed from ``t_k
    + readout_s * y / height`` for `exposure_s`; the time stamp means ``t_k``.

    Attributes
    ----------
    frame_rate_hz : float
        By the camera's own clock, which runs ahead of or behind true time by `clock_error_ppm`.
    brightness : float
        Linear level (1 = full) that white paper has on average.
    noise : float
        Standard deviation per pixel in 8-bit steps of the coded brightness.
    blur_px : float
        Standard deviation of the lens blur.
    stamp : str
        Grid on which the file's time stamps are rounded: 'exact', 'millisecond', or a fraction of a second
        such as '1/600'.
    stamp_jitter_s : float
        Standard deviation of the time stamps about the steady cadence of the exposures.
    dropped_frames : tuple of int
        Indices of frames that never reach the file.
    shake_px : float
        Rms of the hand's shake in the picture; zero on a tripod.
    """

    width: int = 1280
    height: int = 720
    frame_rate_hz: float = 30.0
    clock_error_ppm: float = 0.0
    exposure_s: float = 0.002
    readout_s: float = 0.018
    distance_mm: float = 260.0
    elevation_deg: float = 9.0
    roll_deg: float = 0.0
    hfov_deg: float = 50.0
    aim_x_mm: float = 0.0
    aim_z_mm: float = 0.0
    brightness: float = 0.5
    noise: float = 1.5
    blur_px: float = 0.8
    stamp: str = "exact"
    stamp_jitter_s: float = 0.0
    dropped_frames: tuple[int, ...] = ()
    shake_px: float = 0.0

    def __post_init__(self) -> None:
        for name in ("width", "height"):
            value = getattr(self, name)
            _demand(value >= 16 and value % 2 == 0, name, value, "must be even and at least 16 pixels")
        _positive(self, ["frame_rate_hz", "exposure_s", "distance_mm", "brightness"])
        for name in ("readout_s", "noise", "blur_px", "stamp_jitter_s", "shake_px"):
            _demand(getattr(self, name) >= 0, name, getattr(self, name), "must not be negative")
        period = 1 / self.frame_rate_hz
        _demand(self.exposure_s <= period, "exposure_s", self.exposure_s, f"longer than a frame ({period:.4g} s)")
        _demand(0 < self.hfov_deg < 150, "hfov_deg", self.hfov_deg, "must lie between 0 and 150 degrees")
        _demand(abs(self.elevation_deg) < 80, "elevation_deg", self.elevation_deg, "must stay below 80 degrees")
        step = float(self.stamp_step_s)
        _demand(step <= period / 2, "stamp", self.stamp, f"coarser than half a frame ({period / 2:.4g} s)")
        jitter = self.stamp_jitter_s
        _demand(jitter <= period / 10, "stamp_jitter_s", jitter, "above a tenth of a frame")

    @property
    def stamp_step_s(self) -> Fraction:
        """The grid of the time stamps."""
        named = {"exact": "1/90000", "millisecond": "1/1000"}
        try:
            step = Fraction(named.get(self.stamp, self.stamp))
        except (ValueError, ZeroDivisionError):
            step = Fraction(0)
        _demand(step > 0, "stamp", self.stamp, "must be 'exact', 'millisecond' or a fraction of a second")
        return step

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.width / 2 / math.tan(math.radians(self.hfov_deg) / 2)


@dataclass(frozen=True)
class Wobble:
    """One sinusoid of the speed, at `frequency_hz` or at `per_revolution` times the mean turning rate."""

    peak_percent: float
    frequency_hz: float | None = None
    per_revolution: float | None = None
    phase_rad: float = 0.0

    def __post_init__(self) -> None:
        given = [value for value in (self.frequency_hz, self.per_revolution) if value is not None]
        _demand(len(given) == 1, "frequency_hz, per_revolution", given, "give one of the two")
        _demand(given[0] > 0, "frequency_hz, per_revolution", given[0], "must be above zero")
        _positive(self, ["peak_percent"])


@dataclass(frozen=True)
class Speed:
    """The law of the platter's speed; `deviation_percent` of -100 is a platter that stands still.

    The trend is zero at mid clip, so that `deviation_percent` is the mean over the clip but for parts of a
    wobble.
    """

    nominal_rpm: float
    deviation_percent: float = 0.0
    wobbles: tuple[Wobble, ...] = ()
    trend_percent_per_minute: float = 0.0

    def __post_init__(self) -> None:
        _positive(self, ["nominal_rpm"])
        lowest = self.deviation_percent - sum(w.peak_percent for w in self.wobbles)
        _demand(lowest >= -100, "deviation_percent", self.deviation_percent, "the platter would turn backwards")

    @property
    def mean_rpm(self) -> float:
        """Speed without trend and wobbles."""
        return self.nominal_rpm * (1 + self.deviation_percent / 100)

    def wobble_hz(self, wobble: Wobble) -> float:
        """True frequency of one of the wobbles."""
        if wobble.frequency_hz is not None:
            return wobble.frequency_hz
        assert wobble.per_revolution is not None
        return wobble.per_revolution * self.mean_rpm / 60


@dataclass(frozen=True)
class Coding:
    """How the file is coded.

    `container` (a muxer's name) follows from the file's suffix where it is None. `preset` is the coder's, the
    faster the more like a phone; MJPEG has none.
    """

    codec: Literal["h264", "hevc", "mjpeg"] = "h264"
    bit_rate: int = 6_000_000
    container: str | None = None
    preset: Literal["ultrafast", "superfast", "veryfast", "medium"] = "superfast"

    def __post_init__(self) -> None:
        codecs = ("h264", "hevc", "mjpeg")
        _demand(self.codec in codecs, "codec", self.codec, f"must be one of {codecs}")
        _positive(self, ["bit_rate"])


@dataclass(frozen=True)
class Scene:
    """Everything about one clip; `refusal` is the code that a right reading is refused with, if it is."""

    rows: tuple[DotRow, ...]
    speed: Speed
    lamp: Lamp = field(default_factory=Lamp)
    camera: Camera = field(default_factory=Camera)
    coding: Coding = field(default_factory=Coding)
    seconds: float = 10.0
    radius_mm: float = 155.0
    thickness_mm: float = 26.0
    first_angle_rev: float = 0.0
    refusal: str | None = None

    def __post_init__(self) -> None:
        _demand(len(self.rows) > 0, "rows", self.rows, "a scene needs a ring of dots")
        _positive(self, ["seconds", "radius_mm", "thickness_mm"])
        for row in self.rows:
            inside = -self.thickness_mm <= row.z_mm - row.height_mm / 2 and row.z_mm + row.height_mm / 2 <= 0
            _demand(inside, "z_mm", row.z_mm, f"the ring leaves the {self.thickness_mm:g} mm rim")

    @property
    def frame_count(self) -> int:
        """Frames that the camera takes, dropped ones included."""
        return max(1, round(self.seconds * self.camera.frame_rate_hz))

    @property
    def span_s(self) -> float:
        """True time from the first frame's start to the end of the last frame's period."""
        camera = self.camera
        return self.frame_count / camera.frame_rate_hz * (1 + camera.clock_error_ppm * 1e-6)

    def angle_rev(self, time_s: ArrayLike) -> _Floats:
        """Platter angle at the true times `time_s` (any shape): the speed law integrated in closed form."""
        t = np.asarray(time_s, float)
        speed = self.speed
        change = speed.deviation_percent * t + speed.trend_percent_per_minute / 60 * (t - self.span_s) * t / 2
        for wobble in speed.wobbles:
            w = 2 * np.pi * speed.wobble_hz(wobble)
            change += wobble.peak_percent / w * (np.cos(wobble.phase_rad) - np.cos(w * t + wobble.phase_rad))
        return self.first_angle_rev + speed.nominal_rpm / 60 * (t + change / 100)

    def deviation_percent(self, time_s: ArrayLike) -> _Floats:
        """Speed relative to nominal at the true times `time_s`."""
        t = np.asarray(time_s, float)
        speed = self.speed
        total = speed.deviation_percent + speed.trend_percent_per_minute / 60 * (t - self.span_s / 2)
        for wobble in speed.wobbles:
            w = 2 * np.pi * speed.wobble_hz(wobble)
            total = total + wobble.peak_percent * np.sin(w * t + wobble.phase_rad)
        return total

    def line_strength(self, row: DotRow, order: int) -> float:
        """Contrast of the line at lamp harmonic `order` relative to still dots, at the mean speed.

        Notes
        -----
        ``|c_h / c_0 * sinc((f_d + h f_L) tau)|`` with the Fourier coefficients c_h of the light, f_d the
        dot rate and tau the exposure.
        """
        dot_rate = row.dots * self.speed.mean_rpm / 60
        rate = dot_rate + order * self.lamp.flash_rate_hz
        share = self.lamp.harmonic(order) / self.lamp.harmonic(0)
        return abs(share * float(np.sinc(rate * self.camera.exposure_s)))
