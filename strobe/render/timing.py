"""When the camera takes its frames, and what the file says about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.scene import Scene

__all__ = ["Shot", "schedule", "stamps_s"]

_Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Shot:
    """One frame of the file: when what it shows began to be exposed (true time), and its stamp."""

    index: int
    start_s: float
    stamp_s: float
    doubled: bool


def stamps_s(scene: Scene, *, rng: np.random.Generator) -> _Floats:
    """Time stamps of all frames (dropped ones included), on the camera's clock and its file's grid."""
    return _begins_and_stamps(scene, rng)[1]


def _begins_and_stamps(scene: Scene, rng: np.random.Generator) -> tuple[_Floats, _Floats]:
    """When frames begin, by the camera's clock, and what they are stamped with."""
    camera, timing = scene.camera, scene.timing
    exact: _Floats = scene.begins_s
    jitter = camera.stamp_jitter_s * np.clip(rng.standard_normal(exact.size), -2, 2)
    jitter[0] = 0
    if timing.interval_jitter_s > 0:
        uneven = timing.interval_jitter_s * np.clip(rng.standard_normal(exact.size), -2, 2)
        exact = exact + uneven - uneven[0]
    if timing.interval_wander_s > 0:
        walk = np.cumsum(timing.interval_wander_s * np.clip(rng.standard_normal(exact.size), -2, 2))
        exact = exact + walk - np.linspace(walk[0], walk[-1], exact.size)
    step = float(camera.stamp_step_s)
    shown = exact + jitter
    for index, late_s in timing.stamp_jumps:
        shown = shown + late_s * (np.arange(exact.size) >= index)
    return exact, np.round(shown / step) * step


def schedule(scene: Scene, *, rng: np.random.Generator) -> list[Shot]:
    """The frames of the file in its order, dropped ones left out."""
    camera, timing = scene.camera, scene.timing
    begins, stamps = _begins_and_stamps(scene, rng)
    stretch = 1 + camera.clock_error_ppm * 1e-6
    kept = np.setdiff1d(np.arange(begins.size), camera.dropped_frames)
    if timing.playback_rate_hz is not None:
        at_normal_speed = (begins[kept] < timing.normal_ends_s) | (begins[kept] >= scene.seconds - timing.normal_ends_s)
        one_in = round(camera.frame_rate_hz / timing.playback_rate_hz)
        kept = kept[~at_normal_speed | (kept % one_in == 0)]
        step = float(camera.stamp_step_s)
        stamps[kept] = np.round(np.arange(kept.size) / timing.playback_rate_hz / step) * step
    doubled = set(timing.doubled_frames)
    shots: list[Shot] = []
    for index in kept.tolist():
        again = index in doubled and bool(shots)
        start = shots[-1].start_s if again else float(begins[index] * stretch)
        shots.append(Shot(index, start, float(stamps[index]), again))
    return shots
