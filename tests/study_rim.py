"""How true the platter's own geometry is told: rendered clips of rims that run out of true, against their truth.

Run with ``python tests/study_rim.py --clips 12 --seed 1 [--width 1280] [--keep FOLDER]``. A third of the platters runs
out as one body with its dots, a third has its dots off centre on a round rim, a third only leans; every other one
carries a bit of tape beside the dots. Speed, dots and the rim's diameter are told.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import strobe
from strobe.measurement import Measurement
from strobe.render import Mark, Runout, Scene, Surface, random_scene, render_clip

__all__ = ["main", "out_of_true", "turned_deg"]

AXIAL_AIM_MM, HIGH_SPOT_AIM_DEG = 0.05, 10.0


@dataclass(frozen=True)
class Row:
    """One clip: errors and half-widths."""

    axial_mm: float
    axial_half_mm: float
    high_deg: float | None
    high_half_deg: float | None
    off_mm: float | None
    off_half_mm: float | None
    once_percent: float | None
    once_half_percent: float | None
    marked: bool
    mark_percent: float | None
    mark_half_percent: float | None


def out_of_true(rng: np.random.Generator, number: int, *, width: int = 1280, seconds: float = 10.0) -> Scene:
    """A random scene of a rim of 300 mm that runs out of true."""
    scene = random_scene(rng, seconds=seconds, width=width, height=width * 9 // 16, awkward_time=False)
    direction, off_mm = rng.uniform(0, 2 * math.pi), rng.uniform(0.02, 0.1)
    runout = Runout(rng.uniform(0.1, 1.0), rng.uniform(0, 2 * math.pi), 2 * off_mm, direction, off_mm, direction)
    if number % 3 == 1:
        runout = replace(runout, radial_mm=0.0)
    elif number % 3 == 2:
        runout = replace(runout, radial_mm=0.0, ring_offset_mm=0.0)
    above = scene.rows[0].z_mm < -scene.thickness_mm / 2
    tape = Mark(
        rng.uniform(0, 2 * math.pi), rng.uniform(4, 10), z_mm=-2.0 if above else -24.0, brightness=rng.uniform(0.4, 0.9)
    )
    camera = replace(scene.camera, elevation_deg=rng.uniform(2, 25))
    surface = Surface((tape,) if number % 2 else (), streaks=2)
    return replace(scene, radius_mm=150.0, runout=runout, camera=camera, surface=surface)


def turned_deg(found: float, true: float) -> float:
    """By how much an angle is off, -180 to 180."""
    return (found - true + 180) % 360 - 180


def compared(measured: Measurement, scene: Scene) -> Row | None:
    """The errors of one reading; None where it tells no runout."""
    runout, ring, index = measured.runout, measured.ring, measured.index
    if runout is None:
        return None
    true, marks = scene.runout, scene.surface.marks
    high = runout.high_spot_from_mark_deg
    if high is not None and marks:
        high = turned_deg(high, math.degrees(true.axial_high_rad - marks[0].azimuth_rad))
    once = next((one for one in measured.components if abs(one.per_revolution - 1) < 0.05), None)
    own = next(wobble.peak_percent for wobble in scene.speed.wobbles if wobble.per_revolution == 1)
    clock = 1 + scene.camera.clock_error_ppm * 1e-6
    return Row(
        axial_mm=runout.axial_mm - true.axial_mm,
        axial_half_mm=runout.axial_uncertainty_mm,
        high_deg=high,
        high_half_deg=None if high is None else runout.high_spot_uncertainty_deg,
        off_mm=None if ring is None or ring.off_centre_mm is None else ring.off_centre_mm - true.ring_offset_mm,
        off_half_mm=None if ring is None else ring.off_centre_uncertainty_mm,
        once_percent=None if once is None else once.peak_percent - own,
        once_half_percent=None if once is None else once.uncertainty_percent,
        marked=bool(marks),
        mark_percent=None if index is None else 100 * (index.mean_rpm / (scene.speed.mean_rpm * clock) - 1),
        mark_half_percent=None if index is None else index.uncertainty_percent,
    )


def _told(name: str, pairs: Sequence[tuple[float | None, float | None]], aim: float | None = None) -> str:
    seen = [(abs(error), half) for error, half in pairs if error is not None and half is not None]
    if not seen:
        return f"{name}: none"
    error, half = np.array(seen).T
    said = f"{name}: {len(seen)} told, worst {error.max():.3f}, rms {np.sqrt(np.mean(error**2)):.3f}, "
    said += f"mean half-width {half.mean():.3f}, inside it {np.mean(error <= half):.0%}"
    return said if aim is None else f"{said}, within {aim:g} {np.mean(error <= aim):.0%}"


def main() -> None:
    """Render, measure and compare; print a line a clip and the sums."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--keep", type=Path, default=None)
    asked = parser.parse_args()
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(asked.clips):
            scene = out_of_true(np.random.default_rng([asked.seed, number]), number, width=asked.width)
            clip = folder / f"rim-{asked.seed}-{asked.width}-{number:03d}.mp4"
            began = time.monotonic()
            if not clip.exists():
                render_clip(scene, clip, rng=np.random.default_rng([asked.seed, number, 1]))
            try:
                measured = strobe.measure(
                    clip, rpm=scene.speed.nominal_rpm, dots=scene.rows[0].dots, rim_mm=2 * scene.radius_mm
                )
            except strobe.Refused as refused:
                print(f"{number:3d}  refused {refused.code}", flush=True)
                continue
            row = compared(measured, scene)
            print(f"{number:3d}  {time.monotonic() - began:5.0f} s  {measured.timing.line}  {row}", flush=True)
            if row is not None:
                rows.append(row)
    print(_told("axial, mm", [(row.axial_mm, row.axial_half_mm) for row in rows], AXIAL_AIM_MM))
    print(_told("high spot, degrees", [(row.high_deg, row.high_half_deg) for row in rows], HIGH_SPOT_AIM_DEG))
    print(_told("dots off centre, mm", [(row.off_mm, row.off_half_mm) for row in rows]))
    print(_told("wobble once a turn, %", [(row.once_percent, row.once_half_percent) for row in rows]))
    print(_told("speed by the mark, %", [(row.mark_percent, row.mark_half_percent) for row in rows]))
    found, tapes = sum(row.mark_percent is not None and row.marked for row in rows), sum(row.marked for row in rows)
    false = sum(row.mark_percent is not None and not row.marked for row in rows)
    print(f"tape found: {found} of {tapes}; marks where there is none: {false}")


if __name__ == "__main__":
    main()
