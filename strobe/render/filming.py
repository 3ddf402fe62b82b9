"""What happens while a clip is filmed, and what the camera makes of it before it is coded.

Frozen dataclasses, all optional parts of a `Scene`: the hand that holds the camera, the events in mid-clip,
the camera's own processing, its timing, and how the file is delivered. Conventions are those of
`strobe.render.scene`: true time in seconds, lengths in millimetres, pixels of the picture as filmed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from strobe.render.rules import demand, not_negative, positive

__all__ = [
    "Delivery",
    "Event",
    "ExposureStep",
    "Hand",
    "Passing",
    "Processing",
    "Refocus",
    "Stabiliser",
    "Timing",
    "Zoom",
]

_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hand:
    """How a hand that holds the camera moves, besides the turning by `Camera.shake_px`.

    Attributes
    ----------
    roll_deg : float
        Rms of the turning about the optical axis.
    sway_mm : float
        Rms of the camera's own shift along each of its three axes: the near rim moves farther than the scenery.
    slowest_hz, fastest_hz : float
        Band of the motion; its amplitude falls as one over the frequency.
    """

    roll_deg: float = 0.0
    sway_mm: float = 0.0
    slowest_hz: float = 0.5
    fastest_hz: float = 8.0

    def __post_init__(self) -> None:
        not_negative(self, ["roll_deg", "sway_mm"])
        demand(0 < self.slowest_hz < self.fastest_hz, "slowest_hz", self.slowest_hz, "must lie below fastest_hz")


@dataclass(frozen=True)
class ExposureStep:
    """From `at_s` on frames are exposed for `exposure_s`, and amplified by `gain`."""

    at_s: float
    exposure_s: float
    gain: float = 1.0

    def __post_init__(self) -> None:
        positive(self, ["exposure_s", "gain"])


@dataclass(frozen=True)
class Refocus:
    """The focus leaves and comes back: up to `blur_px` more blur, and the picture grows by `breathing` meanwhile."""

    at_s: float
    lasts_s: float = 1.0
    blur_px: float = 3.0
    breathing: float = 0.01

    def __post_init__(self) -> None:
        positive(self, ["lasts_s"])
        not_negative(self, ["blur_px", "breathing"])

    def depth(self, time_s: float) -> float:
        """How far out of focus, 0 to 1, at a true time."""
        share = (time_s - self.at_s) / self.lasts_s
        return math.sin(math.pi * share) ** 2 if 0 < share < 1 else 0.0


@dataclass(frozen=True)
class Zoom:
    """The picture is enlarged by `factor`, smoothly from `at_s` on within `lasts_s`, and stays so."""

    at_s: float
    lasts_s: float = 0.7
    factor: float = 1.25

    def __post_init__(self) -> None:
        positive(self, ["lasts_s"])
        demand(self.factor >= 1, "factor", self.factor, "must not be below 1: there is no picture outside")

    def scale(self, time_s: _Floats) -> _Floats:
        """Enlargement at true times."""
        share = np.clip((np.asarray(time_s, float) - self.at_s) / self.lasts_s, 0, 1)
        return 1 + (self.factor - 1) * share * share * (3 - 2 * share)


@dataclass(frozen=True)
class Passing:
    """Somebody's hand comes into the picture from below, and leaves after `lasts_s`.

    It hides `cover` of the picture's width, centred at `centre` of it.
    """

    at_s: float
    lasts_s: float = 1.0
    cover: float = 0.4
    centre: float = 0.5

    def __post_init__(self) -> None:
        positive(self, ["lasts_s", "cover"])

    def reach(self, time_s: float) -> float:
        """How far it reaches up the picture, 0 to 1, at a true time."""
        share = (time_s - self.at_s) / self.lasts_s
        return min(1.0, 4 * min(share, 1 - share)) if 0 < share < 1 else 0.0


Event = ExposureStep | Refocus | Zoom | Passing


@dataclass(frozen=True)
class Stabiliser:
    """Electronic stabilisation: a crop that takes out of each frame what lies off a smoothed path.

    Attributes
    ----------
    window_s : float
        Standard deviation of the smoothing.
    margin : float
        Share of the picture that is given up for it; the rest is enlarged to full size.
    follows_rim : float
        0 where the path is the camera's own, 1 where it is that of the dots as they appear to move.
    """

    window_s: float = 0.4
    margin: float = 0.1
    follows_rim: float = 0.0

    def __post_init__(self) -> None:
        positive(self, ["window_s"])
        demand(0 < self.margin < 0.5, "margin", self.margin, "must lie between 0 and 0.5")
        demand(0 <= self.follows_rim <= 1, "follows_rim", self.follows_rim, "must lie between 0 and 1")


@dataclass(frozen=True)
class Processing:
    """What the camera does to its pictures.

    Attributes
    ----------
    stabiliser : Stabiliser or None
    ghost : float
        Share of the frame before that temporal noise reduction mixes in where little has changed.
    ghost_steps : float
        Change of brightness, in 8-bit steps, beyond which it takes a pixel as moved and mixes in less.
    mirrored : bool
        Left and right are exchanged, as a front camera does.
    """

    stabiliser: Stabiliser | None = None
    ghost: float = 0.0
    ghost_steps: float = 20.0
    mirrored: bool = False

    def __post_init__(self) -> None:
        demand(0 <= self.ghost < 1, "ghost", self.ghost, "must lie between 0 and 1")
        positive(self, ["ghost_steps"])


@dataclass(frozen=True)
class Timing:
    """What is not steady about the camera's frames and the time stamps in its file; times by the camera's clock.

    Attributes
    ----------
    rate_changes : tuple of (float, float)
        From this time (s) on the camera takes this many frames a second.
    interval_jitter_s : float
        Standard deviation of the times at which frames really begin, about the cadence; the stamps follow.
    interval_wander_s : float
        Standard deviation of the time from each frame to the next, of its own: the frames walk away from the cadence,
        and are back on it with the last. The stamps follow.
    doubled_frames : tuple of int
        Indices of frames that show the picture before once more.
    stamp_jumps : tuple of (int, float)
        From this frame on the stamps are late by so many seconds more; early where negative.
    playback_rate_hz : float or None
        Slow motion: all frames are stamped at this steady rate.
    normal_ends_s : float
        So many seconds at both ends of a slow-motion clip play at normal speed: only one in so many frames is kept.
    capture_tag : bool
        Whether the file of a slow-motion clip tells the rate that it was captured at.
    """

    rate_changes: tuple[tuple[float, float], ...] = ()
    interval_jitter_s: float = 0.0
    interval_wander_s: float = 0.0
    doubled_frames: tuple[int, ...] = ()
    stamp_jumps: tuple[tuple[int, float], ...] = ()
    playback_rate_hz: float | None = None
    normal_ends_s: float = 0.0
    capture_tag: bool = True

    def __post_init__(self) -> None:
        not_negative(self, ["interval_jitter_s", "interval_wander_s", "normal_ends_s"])
        for at_s, rate_hz in self.rate_changes:
            demand(at_s > 0 and rate_hz > 0, "rate_changes", (at_s, rate_hz), "must be above zero")
        demand(0 not in self.doubled_frames, "doubled_frames", 0, "the first frame has none before it")
        if self.playback_rate_hz is not None:
            positive(self, ["playback_rate_hz"])

    def begins_s(self, rate_hz: float, seconds: float) -> _Floats:
        """Times at which the frames begin on the steady pieces of the cadence, for so many seconds."""
        changes = sorted([(0.0, rate_hz), *self.rate_changes])
        made: list[float] = []
        at = 0.0
        for place, (_, rate) in enumerate(changes):
            until = changes[place + 1][0] if place + 1 < len(changes) else seconds
            while at < min(until, seconds) - 1e-9:
                made.append(at)
                at += 1 / rate
        return np.array(made)


@dataclass(frozen=True)
class Delivery:
    """How the picture lies in the file.

    Attributes
    ----------
    rotation_deg : {0, 90, 180, 270}
        Clockwise turn that the file asks a player for; the stored picture is the one that the scene's camera
        sees, so an upright phone is a camera with `roll_deg` of -90 and a turn of 90.
    bit_depth : {8, 10}
        Bits of a value; 10 only with HEVC.
    """

    rotation_deg: Literal[0, 90, 180, 270] = 0
    bit_depth: Literal[8, 10] = 8

    def __post_init__(self) -> None:
        demand(self.rotation_deg in (0, 90, 180, 270), "rotation_deg", self.rotation_deg, "0, 90, 180 or 270")
        demand(self.bit_depth in (8, 10), "bit_depth", self.bit_depth, "8 or 10")
