"""The sample clips: one invented bench story about an idler-driven machine that never existed.

As found it runs fast and its idler wobbles it; then the idler is cleaned; then the bearing is oiled and the
speed trimmed. As found and as left it is filmed three times, started anew each time, and repeats itself a little
differently. Two clips show other light, one of which must be refused, and one shows the platter standing still.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from strobe.render.clip import render_clip
from strobe.render.lamps import Lamp
from strobe.render.rim import DotRow
from strobe.render.scene import Camera, Coding, Scene, Speed, Wobble

__all__ = ["sample_scenes", "write_sample_clips"]

_SEED = 33_045
_IDLER_TURNS = 280 / 45
"""Turns of a 45 mm idler inside a 280 mm rim for each turn of the platter."""


def _speed(rpm: float, deviation: float, *, turn: float, idler: float, second: float = 0.03) -> Speed:
    wobbles = (
        Wobble(turn, per_revolution=1.0, phase_rad=0.8),
        Wobble(second, per_revolution=2.0, phase_rad=2.1),
        Wobble(idler, per_revolution=_IDLER_TURNS, phase_rad=4.0),
    )
    return Speed(rpm, deviation, wobbles)


def _again(scene: Scene, speed: Speed, *, flash_rate_hz: float, angle_rev: float) -> Scene:
    """The same machine filmed once more after it was stopped and started, on a shorter and smaller clip."""
    return replace(
        scene,
        speed=speed,
        lamp=replace(scene.lamp, flash_rate_hz=flash_rate_hz),
        first_angle_rev=angle_rev,
        coding=Coding(bit_rate=850_000, preset="medium"),
        seconds=12.0,
    )


def sample_scenes() -> Mapping[str, Scene]:
    """The scene of every sample clip by its file name, in the order of the story."""
    third = 100 / 3
    found = Scene(
        rows=(DotRow(180, z_mm=-11.0, height_mm=3.6),),
        speed=_speed(third, 0.6, turn=0.12, idler=0.28),
        lamp=Lamp("pulse", 100.02, duty=0.1, ambient=0.06, phase_cycles=0.3),
        camera=Camera(
            width=960,
            height=540,
            frame_rate_hz=30.0,
            clock_error_ppm=12.0,
            exposure_s=0.021,
            readout_s=0.017,
            distance_mm=250.0,
            elevation_deg=8.0,
            roll_deg=0.8,
            brightness=0.45,
            noise=0.6,
            aim_z_mm=4.0,
        ),
        coding=Coding(bit_rate=1_050_000, preset="medium"),
        seconds=20.0,
    )
    cleaned = replace(found, speed=_speed(third, 0.58, turn=0.11, idler=0.13), first_angle_rev=0.37)
    cleaned = replace(cleaned, lamp=replace(found.lamp, flash_rate_hz=99.97))
    trimmed = replace(found, speed=_speed(third, 0.02, turn=0.03, idler=0.035, second=0.01))
    trimmed = replace(trimmed, lamp=replace(found.lamp, flash_rate_hz=100.01), first_angle_rev=0.71)
    found_again = _again(found, _speed(third, 0.608, turn=0.124, idler=0.272), flash_rate_hz=99.99, angle_rev=0.19)
    found_thrice = _again(found, _speed(third, 0.591, turn=0.117, idler=0.287), flash_rate_hz=100.03, angle_rev=0.83)
    trimmed_again = _again(
        trimmed,
        _speed(third, 0.026, turn=0.032, idler=0.039, second=0.012),
        flash_rate_hz=99.98,
        angle_rev=0.44,
    )
    trimmed_thrice = _again(
        trimmed,
        _speed(third, 0.013, turn=0.028, idler=0.032, second=0.009),
        flash_rate_hz=100.02,
        angle_rev=0.08,
    )
    at_45 = replace(
        trimmed,
        rows=(replace(found.rows[0], dots=133),),
        speed=_speed(45.0, 0.27, turn=0.03, idler=0.03, second=0.01),
        seconds=16.0,
    )
    filament = replace(
        trimmed,
        lamp=Lamp("sine", 100.03, modulation=0.10, ambient=0.0, phase_cycles=0.55),
        camera=replace(found.camera, exposure_s=0.004),
        seconds=14.0,
    )
    smeared = replace(
        trimmed,
        lamp=Lamp("steady", ambient=0.0),
        camera=replace(found.camera, exposure_s=0.02),
        coding=Coding(bit_rate=600_000, preset="medium"),
        seconds=8.0,
        refusal="no-contrast",
    )
    stopped = replace(
        found,
        speed=Speed(third, -100.0),
        coding=Coding(bit_rate=600_000, preset="medium"),
        seconds=8.0,
        refusal="not-turning",
    )
    return {
        "01-as-found-33.mp4": found,
        "01b-as-found-again-33.mp4": found_again,
        "01c-as-found-third-33.mp4": found_thrice,
        "02-idler-cleaned-33.mp4": cleaned,
        "03-oiled-and-trimmed-33.mp4": trimmed,
        "03b-oiled-and-trimmed-again-33.mp4": trimmed_again,
        "03c-oiled-and-trimmed-third-33.mp4": trimmed_thrice,
        "04-oiled-and-trimmed-45.mp4": at_45,
        "05-filament-lamp-33.mp4": filament,
        "06-smeared-33.mp4": smeared,
        "07-stopped.mp4": stopped,
    }


def write_sample_clips(folder: str | Path) -> list[Path]:
    """Make all sample clips with their truths in a folder, which is created; the same files every time.

    Returns
    -------
    list of Path
        The clips in the order of the story.
    """
    home = Path(folder)
    home.mkdir(parents=True, exist_ok=True)
    for name, scene in sample_scenes().items():
        render_clip(scene, home / name, rng=np.random.default_rng(_SEED))
    return [home / name for name in sample_scenes()]
