"""What is filmed and how, as frozen dataclasses with units in the field names.

Aim: one description of a turning platter's rim, its light, the camera and the file, from which
`strobe.render` draws frames and tells the truth. Conventions: true time in seconds, zero at the start of
the first frame's first picture row; platter angle in revolutions, growing with the (clockwise) rotation;
lengths in millimetres about the platter's centre, z up from its top; the camera's clock shows ``c`` at true
time ``c * (1 + clock_error_ppm * 1e-6)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.render.filming import Delivery, Event, ExposureStep, Hand, Processing, Timing
from strobe.render.lamps import Fall, Lamp, Light
from strobe.render.rim import DotRow, Runout, Surface
from strobe.render.rules import demand, finite, not_negative, positive

__all__ = ["Camera", "Coding", "RunUp", "Scene", "Speed", "SpeedStep", "Wobble"]

_TABLE_STEP_S = 0.5e-3
"""Step in which a run-up is summed: with a time constant of 0.6 s the angle is off by less than 1e-7 turns."""

_Floats = NDArray[np.float64]


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
        Rms, in the picture, of how a hand turns the camera about its lens; zero on a tripod. See also `Hand`.
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
            demand(value >= 16 and value % 2 == 0, name, value, "must be even and at least 16 pixels")
        positive(self, ["frame_rate_hz", "exposure_s", "distance_mm", "brightness"])
        not_negative(self, ["readout_s", "noise", "blur_px", "stamp_jitter_s", "shake_px"])
        period = 1 / self.frame_rate_hz
        demand(self.exposure_s <= period, "exposure_s", self.exposure_s, f"longer than a frame ({period:.4g} s)")
        demand(0 < self.hfov_deg < 150, "hfov_deg", self.hfov_deg, "must lie between 0 and 150 degrees")
        demand(abs(self.elevation_deg) < 80, "elevation_deg", self.elevation_deg, "must stay below 80 degrees")
        step = float(self.stamp_step_s)
        demand(step <= period / 2, "stamp", self.stamp, f"coarser than half a frame ({period / 2:.4g} s)")
        jitter = self.stamp_jitter_s
        demand(jitter <= period / 10, "stamp_jitter_s", jitter, "above a tenth of a frame")

    @property
    def stamp_step_s(self) -> Fraction:
        """The grid of the time stamps."""
        named = {"exact": "1/90000", "millisecond": "1/1000"}
        try:
            step = Fraction(named.get(self.stamp, self.stamp))
        except (ValueError, ZeroDivisionError):
            step = Fraction(0)
        demand(step > 0, "stamp", self.stamp, "must be 'exact', 'millisecond' or a fraction of a second")
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
        demand(len(given) == 1, "frequency_hz, per_revolution", given, "give one of the two")
        rate = given[0]
        demand(math.isfinite(rate) and rate > 0, "frequency_hz, per_revolution", rate, "must be above zero and finite")
        positive(self, ["peak_percent"])
        finite(self, ["phase_rad"])


@dataclass(frozen=True)
class RunUp:
    """The platter runs at `from_share` of its speed until `at_s`, then comes up to it with time constant `rise_s`."""

    at_s: float
    rise_s: float = 0.6
    from_share: float = 0.0

    def __post_init__(self) -> None:
        positive(self, ["rise_s"])
        demand(0 <= self.from_share < 1, "from_share", self.from_share, "must lie between 0 and 1")

    def share(self, time_s: _Floats) -> _Floats:
        """Speed as a share of the settled one."""
        return 1 - (1 - self.from_share) * np.exp(-np.maximum(time_s - self.at_s, 0) / self.rise_s)


@dataclass(frozen=True)
class SpeedStep:
    """The speed goes over to another, by `percent` of nominal, from `at_s` on with time constant `rise_s`."""

    at_s: float
    percent: float
    rise_s: float = 0.1

    def __post_init__(self) -> None:
        positive(self, ["rise_s"])
        finite(self, ["at_s", "percent"])

    def change_percent(self, time_s: _Floats) -> _Floats:
        """By how much the speed is another at true times."""
        return self.percent * -np.expm1(-np.maximum(time_s - self.at_s, 0) / self.rise_s)

    def turned_percent_s(self, time_s: _Floats) -> _Floats:
        """The integral of that."""
        after = np.maximum(time_s - self.at_s, 0)
        return self.percent * (after + self.rise_s * np.expm1(-after / self.rise_s))


@dataclass(frozen=True)
class Speed:
    """The law of the platter's speed; `deviation_percent` of -100 is a platter that stands still.

    The trend is zero at mid clip, and steps are so on the mean, so that `deviation_percent` is the mean over the clip
    but for parts of a wobble. With a run-up all this describes the settled speed.
    """

    nominal_rpm: float
    deviation_percent: float = 0.0
    wobbles: tuple[Wobble, ...] = ()
    trend_percent_per_minute: float = 0.0
    run_up: RunUp | None = None
    steps: tuple[SpeedStep, ...] = ()

    def __post_init__(self) -> None:
        positive(self, ["nominal_rpm"])
        finite(self, ["deviation_percent", "trend_percent_per_minute"])
        lowest = self.deviation_percent - sum(w.peak_percent for w in self.wobbles)
        demand(lowest >= -100, "deviation_percent", self.deviation_percent, "the platter would turn backwards")

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
        demand(self.codec in codecs, "codec", self.codec, f"must be one of {codecs}")
        positive(self, ["bit_rate"])


@dataclass(frozen=True)
class Scene:
    """Everything about one clip; `refusal` is the code that a right reading is refused with, if it is.

    The `lamp` falls as `fall` says, and `more_lights` shine beside it.
    """

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
    fall: Fall = field(default_factory=Fall)
    more_lights: tuple[Light, ...] = ()
    surface: Surface = field(default_factory=Surface)
    runout: Runout = field(default_factory=Runout)
    hand: Hand = field(default_factory=Hand)
    events: tuple[Event, ...] = ()
    processing: Processing = field(default_factory=Processing)
    timing: Timing = field(default_factory=Timing)
    delivery: Delivery = field(default_factory=Delivery)

    def __post_init__(self) -> None:
        demand(len(self.rows) > 0, "rows", self.rows, "a scene needs a ring of dots")
        positive(self, ["seconds", "radius_mm", "thickness_mm"])
        for row in self.rows:
            inside = -self.thickness_mm <= row.z_mm - row.height_mm / 2 and row.z_mm + row.height_mm / 2 <= 0
            demand(inside, "z_mm", row.z_mm, f"the ring leaves the {self.thickness_mm:g} mm rim")
        for event in self.events:
            if isinstance(event, ExposureStep):
                shortest = 1 / self.camera.frame_rate_hz
                demand(event.exposure_s <= shortest, "exposure_s", event.exposure_s, "longer than a frame")
        if self.delivery.bit_depth == 10:
            demand(self.coding.codec == "hevc", "codec", self.coding.codec, "10 bits need 'hevc'")
        playback = self.timing.playback_rate_hz
        if playback is not None:
            demand(playback < self.camera.frame_rate_hz, "playback_rate_hz", playback, "not below the frame rate")

    @property
    def lights(self) -> tuple[Light, ...]:
        """All lights, that of `lamp` first."""
        return (Light(self.lamp, fall=self.fall), *self.more_lights)

    @property
    def frame_count(self) -> int:
        """Frames that the camera takes, dropped ones included."""
        if self.timing.rate_changes:
            return self.begins_s.size
        return max(1, round(self.seconds * self.camera.frame_rate_hz))

    @property
    def begins_s(self) -> _Floats:
        """When these frames begin, by the camera's clock; without what `Timing` leaves to chance."""
        if self.timing.rate_changes:
            return self.timing.begins_s(self.camera.frame_rate_hz, self.seconds)
        return np.arange(self.frame_count) / self.camera.frame_rate_hz

    def exposure_and_gain(self, start_s: float) -> tuple[float, float]:
        """Exposure (s) and gain of a frame that begins at a true time."""
        steps = sorted((event for event in self.events if isinstance(event, ExposureStep)), key=lambda step: step.at_s)
        taken = [step for step in steps if step.at_s <= start_s]
        return (taken[-1].exposure_s, taken[-1].gain) if taken else (self.camera.exposure_s, 1.0)

    @property
    def span_s(self) -> float:
        """True time from the first frame's start to the end of the last frame's period."""
        camera = self.camera
        steady_s = self.seconds if self.timing.rate_changes else self.frame_count / camera.frame_rate_hz
        return steady_s * (1 + camera.clock_error_ppm * 1e-6)

    def angle_rev(self, time_s: ArrayLike) -> _Floats:
        """Platter angle at the true times `time_s` (any shape): the speed law integrated.

        Notes
        -----
        In closed form, but for a run-up, which is summed in steps of half a millisecond.
        """
        t = np.asarray(time_s, float)
        if self.speed.run_up is not None:
            return self.first_angle_rev + np.interp(t, *self._run_up_table)
        speed = self.speed
        change = speed.deviation_percent * t + speed.trend_percent_per_minute / 60 * (t - self.span_s) * t / 2
        for wobble in speed.wobbles:
            w = 2 * np.pi * speed.wobble_hz(wobble)
            change += wobble.peak_percent / w * (np.cos(wobble.phase_rad) - np.cos(w * t + wobble.phase_rad))
        for step in speed.steps:
            change += step.turned_percent_s(t) - t * self._mean_change_percent(step)
        return self.first_angle_rev + speed.nominal_rpm / 60 * (t + change / 100)

    def _mean_change_percent(self, step: SpeedStep) -> float:
        return float(step.turned_percent_s(np.array(self.span_s))) / self.span_s

    @cached_property
    def _run_up_table(self) -> tuple[_Floats, _Floats]:
        """Times and the revolutions turned by then."""
        time = np.arange(0.0, self.span_s + 1.0, _TABLE_STEP_S)
        middle_rps = self.speed.nominal_rpm / 60 * (1 + self.deviation_percent(time[:-1] + _TABLE_STEP_S / 2) / 100)
        return time, np.concatenate([[0.0], np.cumsum(middle_rps * _TABLE_STEP_S)])

    def deviation_percent(self, time_s: ArrayLike) -> _Floats:
        """Speed relative to nominal at the true times `time_s`."""
        t = np.asarray(time_s, float)
        speed = self.speed
        total = speed.deviation_percent + speed.trend_percent_per_minute / 60 * (t - self.span_s / 2)
        for wobble in speed.wobbles:
            w = 2 * np.pi * speed.wobble_hz(wobble)
            total = total + wobble.peak_percent * np.sin(w * t + wobble.phase_rad)
        for step in speed.steps:
            total = total + step.change_percent(t) - self._mean_change_percent(step)
        if speed.run_up is not None:
            total = (100 + total) * speed.run_up.share(t) - 100
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
