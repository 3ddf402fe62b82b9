"""Tripod scenes drawn at random within what people film, for studies over many clips.

Aim: scenes that can be measured, with one of the usual pairs of speed and bar count, and every other
quantity drawn within its ordinary range. Exposures that would leave no pattern at all are not drawn. Ranges
are in the constants and the functions below; all randomness comes from the generator handed in.
"""

from __future__ import annotations

import math

import numpy as np

from strobe.errors import UsageError
from strobe.figures.rings import BARS_USED, NOMINAL_RPM
from strobe.render.lamps import Lamp
from strobe.render.rim import DotRow
from strobe.render.scene import Camera, Coding, Scene, Speed, Wobble

__all__ = ["FRAME_RATES_HZ", "random_scene"]

FRAME_RATES_HZ = (25.0, 30000 / 1001, 30.0, 60.0)
"""Usual rates of phones and webcams (common practice)."""

_SPEEDS_RPM = NOMINAL_RPM[1:]
_WEAKEST_LINE = 0.25
"""Contrast, relative to still dots, that lamp or shutter must leave of them, for a clip that can be measured; our own
choice."""
_PITCH_PX = (12.0, 45.0)
"""Pitch of the dots in the picture, from a far camera to a near one; our own choice."""
_DISTANCE_MM = (170.0, 800.0)
"""Camera to rim, from close by to across a bench; our own choice."""
_BITS_PER_PIXEL_AND_SECOND = (4.4, 8.7)
"""4 to 8 Mb/s for 1280 x 720 pixels; phones spend more, about 12 Mb/s (common practice)."""


def random_scene(
    rng: np.random.Generator,
    *,
    seconds: float = 10.0,
    width: int = 1280,
    height: int = 720,
    mains_hz: int | None = None,
    nominal_rpm: float | None = None,
    lamp_kind: str | None = None,
    frame_rate_hz: float | None = None,
    awkward_time: bool = True,
) -> Scene:
    """Draw a scene that can be measured from a tripod.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of all draws.
    seconds, width, height
        Length of the clip and size of the picture (px).
    mains_hz, nominal_rpm, lamp_kind, frame_rate_hz : optional
        Kept as given instead of being drawn; the speed is 100/3, 45 or 3600/46 rpm.
    awkward_time : bool
        Whether one clip in five has rounded time stamps and one in five drops frames.

    Returns
    -------
    Scene

    Raises
    ------
    UsageError
        If the mains or the speed has no ring of its own.
    """
    mains = int(rng.choice(sorted(BARS_USED))) if mains_hz is None else mains_hz
    rpm = float(rng.choice(_SPEEDS_RPM)) if nominal_rpm is None else nominal_rpm
    if mains not in BARS_USED or rpm not in _SPEEDS_RPM:
        raise UsageError(f"no usual ring for {mains} Hz mains and {rpm:g} rpm; take 50 or 60 and {_SPEEDS_RPM}")
    dots = BARS_USED[mains][NOMINAL_RPM.index(rpm)]
    frame_rate = float(rng.choice(FRAME_RATES_HZ)) if frame_rate_hz is None else frame_rate_hz
    lamp = _lamp(rng, mains, lamp_kind)
    exposure = _exposure_s(rng, lamp, dots * rpm / 60, frame_rate)
    radius = rng.uniform(140, 162)
    pitch_mm = 2 * math.pi * radius / dots
    row_height = float(np.clip(rng.uniform(0.55, 0.95) * pitch_mm, 2.5, 7))
    row = DotRow(
        dots=dots,
        z_mm=-rng.uniform(row_height / 2 + 2.5, 24 - row_height / 2),
        height_mm=row_height,
        duty=rng.uniform(0.42, 0.58),
        shape="round" if rng.random() < 0.2 else "rect",
    )
    hfov, distance = _lens(rng, width, pitch_mm)
    view_height_mm = height * distance / (width / 2 / math.tan(math.radians(hfov / 2)))
    frames = round(seconds * frame_rate)
    camera = Camera(
        width=width,
        height=height,
        frame_rate_hz=frame_rate,
        clock_error_ppm=rng.uniform(-40, 40),
        exposure_s=exposure,
        readout_s=rng.uniform(0.35, 0.95) * min(1 / frame_rate, 0.03),
        distance_mm=distance,
        elevation_deg=rng.uniform(4, 15),
        roll_deg=rng.uniform(-3, 3),
        hfov_deg=hfov,
        aim_x_mm=rng.uniform(-0.1, 0.1) * radius,
        aim_z_mm=rng.uniform(-0.15, 0.15) * view_height_mm,
        brightness=rng.uniform(0.3, 0.55),
        noise=rng.uniform(0.7, 2.5),
        blur_px=rng.uniform(0.6, 1.3),
        stamp=str(rng.choice(["millisecond", "1/600"])) if awkward_time and rng.random() < 0.2 else "exact",
        dropped_frames=_drops(rng, frames) if awkward_time and rng.random() < 0.2 else (),
    )
    bits = rng.uniform(*_BITS_PER_PIXEL_AND_SECOND) * width * height
    return Scene(
        rows=(row,),
        speed=_speed(rng, rpm, 0.4 * frame_rate),
        lamp=lamp,
        camera=camera,
        coding=Coding(bit_rate=int(bits)),
        seconds=seconds,
        radius_mm=radius,
        first_angle_rev=rng.random(),
    )


def _lamp(rng: np.random.Generator, mains_hz: int, kind: str | None) -> Lamp:
    """A mains lamp of the kind (or of any), its mains off by about 0.05 %."""
    rate = 2 * mains_hz * (1 + float(np.clip(rng.normal(0, 5e-4), -1.2e-3, 1.2e-3)))
    phase = rng.random()
    kind = str(rng.choice(["pulse", "half-sine", "sine"])) if kind is None else kind
    ambient = rng.uniform(0.0, 0.15)
    if kind == "pulse":
        return Lamp("pulse", rate, duty=rng.uniform(0.05, 0.2), ambient=ambient, phase_cycles=phase)
    if kind == "half-sine":
        return Lamp("half-sine", rate, ambient=ambient, phase_cycles=phase)
    if kind == "sine":
        return Lamp("sine", rate, modulation=rng.uniform(0.05, 0.4), ambient=ambient, phase_cycles=phase)
    return Lamp("steady", rate, ambient=ambient, phase_cycles=phase)


def _exposure_s(rng: np.random.Generator, lamp: Lamp, dot_rate_hz: float, frame_rate_hz: float) -> float:
    """An exposure under which the dots show: at least one whole flash, or one strong line."""
    longest = 0.96 / frame_rate_hz
    if lamp.kind == "pulse":
        return rng.uniform((1 + lamp.duty) * 1.02 / lamp.flash_rate_hz, longest)
    while True:
        exposure = math.exp(rng.uniform(math.log(0.5e-3), math.log(longest)))
        by_camera = abs(np.sinc(dot_rate_hz * exposure))
        by_lamp = abs(lamp.harmonic(1) / lamp.harmonic(0))
        if max(by_camera, by_lamp) > _WEAKEST_LINE:
            return exposure


def _lens(rng: np.random.Generator, width: int, pitch_mm: float) -> tuple[float, float]:
    """Field of view (degrees) and distance (mm) for a pitch in the usual range."""
    while True:
        hfov = rng.uniform(38, 66)
        pitch_px = math.exp(rng.uniform(*np.log(_PITCH_PX)))
        distance = width / 2 / math.tan(math.radians(hfov / 2)) * pitch_mm / pitch_px
        if _DISTANCE_MM[0] <= distance <= _DISTANCE_MM[1]:
            return hfov, distance


def _drops(rng: np.random.Generator, frames: int) -> tuple[int, ...]:
    """One to three frames to lose, as far as there are any between the first and the last."""
    inner = np.arange(1, frames - 1)
    chosen = rng.choice(inner, size=min(int(rng.integers(1, 4)), inner.size), replace=False)
    return tuple(sorted(int(index) for index in chosen))


def _speed(rng: np.random.Generator, nominal_rpm: float, highest_hz: float) -> Speed:
    """A mean error, sometimes a trend, wobbles once and twice a turn and one or two faster ones."""
    wobbles = [
        Wobble(rng.uniform(0.03, 0.35), per_revolution=1.0, phase_rad=rng.uniform(0, 2 * np.pi)),
        Wobble(rng.uniform(0.01, 0.1), per_revolution=2.0, phase_rad=rng.uniform(0, 2 * np.pi)),
    ]
    for _ in range(int(rng.integers(1, 3))):
        frequency = rng.uniform(2.6, min(9.0, highest_hz))
        wobbles.append(Wobble(rng.uniform(0.02, 0.2), frequency_hz=frequency, phase_rad=rng.uniform(0, 2 * np.pi)))
    return Speed(
        nominal_rpm=nominal_rpm,
        deviation_percent=rng.uniform(-1.5, 1.5),
        wobbles=tuple(wobbles),
        trend_percent_per_minute=rng.uniform(-0.3, 0.3) if rng.random() < 0.5 else 0.0,
    )
