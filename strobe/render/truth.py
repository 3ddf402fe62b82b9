"""What is true of a rendered clip, as ``strobe.truth/1``, computed from the scene alone."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.render.geometry import project
from strobe.render.scene import Scene

__all__ = ["TrueComponent", "Truth", "truth_of"]

_SERIES_RATE_HZ = 2000.0
"""Samples a second of the true speed: ten to a cycle at 200 Hz, where the weighting table ends."""
_WOW_LIMIT_HZ = 0.2
"""Where the unweighted figures begin, our own choice as in what is measured; the standard's wow begins at 0.1 Hz."""


@dataclass(frozen=True)
class TrueComponent:
    """One sinusoid of the speed; `phase_rad` of its sine at true time zero."""

    frequency_hz: float
    period_s: float
    peak_percent: float
    weighted_percent: float
    per_revolution: float
    phase_rad: float


@dataclass(frozen=True)
class Truth:
    """The truth of one clip.

    `deviation_percent` is the mean of the speed law against true time, `deviation_by_file_clock_percent`
    the same as the file's clock shows it; `over_clip` is end to end over the clip and `over_turns` over the
    most whole turns that fit in its middle, both in true time and with what parts of wobbles leave behind.
    The fluctuation figures are those of the sinusoids over the clip without mean and trend, weighted in the
    steady state; the unweighted ones hold those from 0.2 Hz up; ``2sigma`` is what the magnitude exceeds 5
    % of the time.
    """

    scene: Scene
    mean_rpm: float
    deviation_percent: float
    deviation_by_file_clock_percent: float
    deviation_over_clip_percent: float
    deviation_over_turns_percent: float | None
    weighted_rms_percent: float
    weighted_2sigma_percent: float
    unweighted_rms_percent: float
    unweighted_2sigma_percent: float
    components: tuple[TrueComponent, ...]
    lamp_line: float
    camera_line: float
    cut_flash_share: float
    dot_pitch_px: float

    def to_dict(self) -> dict[str, Any]:
        """The JSON object; components sorted by their peak."""
        scene = self.scene
        speed_names = (
            "mean_rpm",
            "deviation_percent",
            "deviation_by_file_clock_percent",
            "deviation_over_clip_percent",
            "deviation_over_turns_percent",
            "weighted_rms_percent",
            "weighted_2sigma_percent",
            "unweighted_rms_percent",
            "unweighted_2sigma_percent",
        )
        speed = {name: getattr(self, name) for name in speed_names}
        drawn = {
            "rows": [asdict(row) for row in scene.rows],
            "coding": asdict(scene.coding),
            "seconds": scene.seconds,
            "radius_mm": scene.radius_mm,
            "thickness_mm": scene.thickness_mm,
            "first_angle_rev": scene.first_angle_rev,
        }
        return {
            "schema": "strobe.truth/1",
            "invented": True,
            "scene": drawn | {"frames": scene.frame_count, "span_s": scene.span_s, "dot_pitch_px": self.dot_pitch_px},
            "speed": {"nominal_rpm": scene.speed.nominal_rpm}
            | speed
            | {"trend_percent_per_minute": scene.speed.trend_percent_per_minute},
            "components": [asdict(component) for component in self.components],
            "lamp": scene.lamp.to_dict(),
            "camera": asdict(scene.camera),
            "lines": {
                "lamp": self.lamp_line,
                "camera": self.camera_line,
                "cut_flash_share": self.cut_flash_share,
            },
            "expected": "measure" if scene.refusal is None else "refuse",
            "reason": scene.refusal,
        } | _special(scene)


def _special(scene: Scene) -> dict[str, Any]:
    """What a plain scene does not have, by name; only what differs from a plain one is told."""
    plain = Scene(rows=scene.rows, speed=scene.speed)
    told: dict[str, Any] = {}
    for name in ("surface", "runout", "hand", "processing", "timing", "delivery"):
        if getattr(scene, name) != getattr(plain, name):
            told[name] = asdict(getattr(scene, name))
    if scene.more_lights or scene.fall != plain.fall:
        told["lights"] = [light.to_dict() for light in scene.lights]
    if scene.events:
        told["events"] = [{"kind": type(event).__name__.lower()} | asdict(event) for event in scene.events]
    if scene.speed.steps:
        told["steps"] = [asdict(step) for step in scene.speed.steps]
    if scene.speed.run_up is not None:
        told["run_up"] = asdict(scene.speed.run_up)
    if scene.runout.ring_offset_mm > 0:
        told["false_swing_percent"] = 100 * scene.runout.ring_offset_mm / scene.radius_mm
    if scene.timing.playback_rate_hz is not None:
        told["slowed_by"] = scene.camera.frame_rate_hz / scene.timing.playback_rate_hz
    return told


def truth_of(scene: Scene) -> Truth:
    """Work out the truth of a scene; nothing is rendered.

    Notes
    -----
    A rate read by the file's clock is the true rate times ``1 + clock_error_ppm * 1e-6``; of a slow-motion clip,
    by the clock that it was captured by. With a run-up the mean and the fluctuation are those of the settled speed.
    """
    speed, stabiliser = scene.speed, scene.processing.stabiliser
    stretch = 1 + scene.camera.clock_error_ppm * 1e-6
    components, weighted, unweighted = _fluctuation(scene)
    pitch = np.diff(project(scene, np.array([-0.5, 0.5]) * 2 * np.pi / scene.rows[0].dots, scene.rows[0].z_mm))
    return Truth(
        scene=scene,
        mean_rpm=speed.mean_rpm,
        deviation_percent=speed.deviation_percent,
        deviation_by_file_clock_percent=100 * ((1 + speed.deviation_percent / 100) * stretch - 1),
        deviation_over_clip_percent=_mean_between(scene, 0.0, scene.span_s),
        deviation_over_turns_percent=_mean_over_turns(scene),
        weighted_rms_percent=float(np.std(weighted)),
        weighted_2sigma_percent=float(np.quantile(np.abs(weighted), 0.95)),
        unweighted_rms_percent=float(np.std(unweighted)),
        unweighted_2sigma_percent=float(np.quantile(np.abs(unweighted), 0.95)),
        components=components,
        lamp_line=scene.line_strength(scene.rows[0], -1),
        camera_line=scene.line_strength(scene.rows[0], 0),
        cut_flash_share=_cut_flash_share(scene),
        dot_pitch_px=float(np.hypot(*pitch[:, 0])) / (1 - (0.0 if stabiliser is None else stabiliser.margin)),
    )


def _fluctuation(
    scene: Scene,
) -> tuple[tuple[TrueComponent, ...], NDArray[np.float64], NDArray[np.float64]]:
    from strobe.figures.weighting import weighting_gain

    time = np.arange(0.0, scene.span_s, 1 / _SERIES_RATE_HZ)
    weighted, unweighted = np.zeros_like(time), np.zeros_like(time)
    turning_hz = scene.speed.mean_rpm / 60
    components = []
    for wobble in scene.speed.wobbles:
        frequency = scene.speed.wobble_hz(wobble)
        gain = float(weighting_gain(frequency))
        sine = wobble.peak_percent * np.sin(2 * np.pi * frequency * time + wobble.phase_rad)
        weighted += gain * sine
        unweighted += sine if frequency >= _WOW_LIMIT_HZ else 0
        components.append(
            TrueComponent(
                frequency_hz=frequency,
                period_s=1 / frequency,
                peak_percent=wobble.peak_percent,
                weighted_percent=gain * wobble.peak_percent,
                per_revolution=frequency / turning_hz,
                phase_rad=wobble.phase_rad,
            )
        )
    components.sort(key=lambda component: -component.peak_percent)
    return tuple(components), weighted, unweighted


def _mean_between(scene: Scene, start_s: float, end_s: float) -> float:
    turns = float(scene.angle_rev(end_s) - scene.angle_rev(start_s))
    return 100 * (turns / (end_s - start_s) * 60 / scene.speed.nominal_rpm - 1)


def _mean_over_turns(scene: Scene) -> float | None:
    """Deviation over the most whole turns that fit in the middle of the clip; None below one turn."""
    time = np.linspace(0.0, scene.span_s, 1 + int(scene.span_s * _SERIES_RATE_HZ))
    angle = scene.angle_rev(time)
    turns = np.floor(angle[-1] - angle[0])
    if turns < 1:
        return None
    spare = (angle[-1] - angle[0] - turns) / 2
    start, end = np.interp([angle[0] + spare, angle[0] + spare + turns], angle, time)
    return _mean_between(scene, float(start), float(end))


def _cut_flash_share(scene: Scene) -> float:
    """Share of the frames in which a shutter edge falls inside a flash, at the row of the nearest dots."""
    if scene.lamp.kind != "pulse":
        return 0.0
    camera = scene.camera
    _, row = project(scene, 0.0, scene.rows[0].z_mm)
    begin = scene.begins_s * (1 + camera.clock_error_ppm * 1e-6)
    exposure = np.array([scene.exposure_and_gain(start)[0] for start in begin.tolist()])
    begin = begin + camera.readout_s * float(row) / camera.height
    dark = scene.lamp.ambient
    cut = (scene.lamp.intensity(begin) > dark) | (scene.lamp.intensity(begin + exposure) > dark)
    return float(np.mean(cut))
