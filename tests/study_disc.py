"""How close, and how honest: `strobe.measure` on random clips of a printed disc from above against their truth.

Run as a script it prints one line a clip and a summary: ``python tests/study_disc.py --clips 24 --seed 5``. Nothing is
given but the diameter of the disc. The slow test runs the same over fewer clips and holds the targets.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

import strobe
from strobe.figures.rings import BARS_USED
from strobe.render import random_scene
from strobe.render.disc import DiscScene, IndexBlock, OnTop, PaperDisc, PrintedRing, render_disc_clip

__all__ = ["Outcome", "a_disc_scene", "main", "outcomes", "summary"]

DEVIATION_TARGET_PERCENT = 0.005
WEIGHTED_RMS_TARGET = (0.02, 0.08)
"""In points, and as a share of the true figure; the larger counts."""
ECCENTRICITY_TARGET_MM = 0.05
DIAMETER_MM = 190.0
_OUTERMOST_MM, _RING_MM, _LABEL_MM = 88.3, 9.0, 3.6


@dataclass(frozen=True)
class Outcome:
    """One clip: what was drawn, what was measured, what was true; `measured` is None for a refusal."""

    number: int
    scene: DiscScene
    truth: dict[str, Any]
    measured: strobe.Measurement | None
    refusal: str | None

    @property
    def firm(self) -> bool:
        """Whether the reading rests on the camera's clock, without doubt between lamp and shutter."""
        m = self.measured
        return m is not None and m.timing.reference == "camera" and "lines-coincide" not in {n.code for n in m.notes}

    @property
    def deviation_error_percent(self) -> float:
        """By the file's own clock, which is all that a reading knows."""
        assert self.measured is not None
        return self.measured.speed.deviation_percent - self.truth["speed"]["deviation_by_file_clock_percent"]

    @property
    def weighted_rms_error_percent(self) -> float:
        assert self.measured is not None
        return self.measured.fluctuation.weighted_rms_percent - self.truth["speed"]["weighted_rms_percent"]

    @property
    def weighted_rms_within(self) -> bool:
        points, share = WEIGHTED_RMS_TARGET
        return abs(self.weighted_rms_error_percent) <= max(points, share * self.truth["speed"]["weighted_rms_percent"])

    @property
    def eccentricity_error_mm(self) -> float | None:
        assert self.measured is not None
        assert self.measured.disc is not None
        found = self.measured.disc.eccentricity_mm
        return None if found is None else found - self.scene.disc.offset_mm

    def covered(self) -> dict[str, bool]:
        """Whether the truth lies inside each stated 95 % interval; the speed is held against true time."""
        m, t = self.measured, self.truth["speed"]
        assert m is not None
        assert m.disc is not None
        f = m.fluctuation
        pairs = {"deviation": (m.speed.deviation_percent - t["deviation_percent"], m.speed.uncertainty_percent)}
        for name, true in (
            ("weighted_rms", "weighted_rms_percent"),
            ("weighted_peak", "weighted_2sigma_percent"),
            ("unweighted_rms", "unweighted_rms_percent"),
            ("unweighted_peak", "unweighted_2sigma_percent"),
        ):
            pairs[name] = (getattr(f, f"{name}_percent") - t[true], getattr(f, f"{name}_uncertainty_percent"))
        if m.disc.eccentricity_mm is not None:
            assert self.eccentricity_error_mm is not None
            assert m.disc.eccentricity_uncertainty_mm is not None
            pairs["eccentricity"] = (self.eccentricity_error_mm, m.disc.eccentricity_uncertainty_mm)
        if m.index is not None:
            pairs["index"] = (m.index.deviation_percent - t["deviation_percent"], m.index.uncertainty_percent)
        return {name: abs(error) <= claimed for name, (error, claimed) in pairs.items()}


def a_disc_scene(rng: np.random.Generator, *, seconds: float = 10.0) -> DiscScene:
    """A disc of one to three rings under a random lamp and camera, seen from 30 degrees up to straight above."""
    film = random_scene(rng, seconds=seconds, awkward_time=False)
    wanted = film.rows[0].dots
    others = sorted({bars for used in BARS_USED.values() for bars in used[1:]} - {wanted})
    chosen = sorted([wanted, *rng.choice(others, int(rng.integers(0, 3)), replace=False)], reverse=True)
    rings = []
    for place, bars in enumerate(chosen):
        outer = _OUTERMOST_MM - place * (_RING_MM + _LABEL_MM)
        rings.append(PrintedRing(int(bars), outer - _RING_MM, outer))
    elevation = float(rng.uniform(30, 90))
    width, height, hfov = 960, 540, float(rng.uniform(40, 60))
    fills = rng.uniform(0.8, 0.98)
    high_mm = DIAMETER_MM * math.sin(math.radians(elevation)) + 20
    distance = width / 2 / math.tan(math.radians(hfov / 2)) * high_mm / (fills * height)
    # Phones code 720 lines at 30 pictures a second with about 12 Mb/s, 1080 with 17 (common practice).
    bits = rng.uniform(0.2, 0.4)
    distance = max(distance, 1.15 * DIAMETER_MM * math.cos(math.radians(elevation)) / 2 + 150)
    return DiscScene(
        disc=PaperDisc(
            tuple(rings),
            DIAMETER_MM,
            index=IndexBlock(DIAMETER_MM / 2 - 5.5, DIAMETER_MM / 2 - 1.5),
            offset_mm=float(rng.uniform(0, 1)),
            offset_deg=float(rng.uniform(0, 360)),
        ),
        speed=film.speed,
        lamp=film.lamp,
        camera=replace(
            film.camera,
            width=width,
            height=height,
            hfov_deg=hfov,
            distance_mm=distance,
            aim_x_mm=float(rng.uniform(-12, 12)),
            elevation_deg=0.0,
        ),
        coding=replace(film.coding, bit_rate=int(bits * width * height * film.camera.frame_rate_hz)),
        seconds=seconds,
        elevation_deg=elevation,
        aim_y_mm=float(rng.uniform(-8, 8)),
        first_angle_rev=film.first_angle_rev,
        on_top=OnTop(
            record_mm=0.0,
            label_mm=float(rng.choice([0.0, 60.0])),
            tonearm=bool(rng.random() < 0.4),
            covered_deg=float(rng.choice([0.0, rng.uniform(20, 120)])),
            covered_at_deg=float(rng.uniform(0, 360)),
        ),
    )


def outcomes(clips: int, seed: int, *, seconds: float = 10.0, first: int = 0) -> Iterator[Outcome]:
    """Render and measure random scenes; each is drawn from its own seed."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + clips):
            rng = np.random.default_rng([seed, number])
            scene = a_disc_scene(rng, seconds=seconds)
            path = Path(folder) / f"clip{number}.mp4"
            truth = render_disc_clip(scene, path, rng=rng)
            try:
                measured = strobe.measure(path, rpm=scene.speed.nominal_rpm, view="disc", disc_mm=DIAMETER_MM)
                yield Outcome(number, scene, truth, measured, None)
            except strobe.Refused as refusal:
                yield Outcome(number, scene, truth, None, str(refusal))
            path.unlink()


def line(o: Outcome) -> str:
    """One line of the table."""
    lamp, camera, disc = o.scene.lamp, o.scene.camera, o.scene.disc
    head = (
        f"{o.number:3d} {lamp.kind:9s} {lamp.flash_rate_hz:6.2f} {camera.frame_rate_hz:5.2f} "
        f"{1000 * camera.exposure_s:5.1f} {o.scene.speed.nominal_rpm:4.1f} {o.scene.elevation_deg:3.0f} "
        f"{'/'.join(str(ring.bars) for ring in disc.rings):11s} {o.scene.on_top.covered_deg:3.0f}"
    )
    if o.measured is None:
        return f"{head}  refused: {o.refusal}"
    m = o.measured
    if m.disc is None:
        return f"{head}  read as a rim"
    true = o.truth["speed"]["weighted_rms_percent"]
    off = o.eccentricity_error_mm
    outside = [name for name, inside in o.covered().items() if not inside]
    return (
        f"{head} {m.setup.dots:3d} {m.timing.line:6s} {m.timing.reference:6s} {o.deviation_error_percent:+8.4f} "
        f"{m.speed.uncertainty_percent:7.4f} | {true:6.4f} {o.weighted_rms_error_percent:+7.4f} "
        f"{m.fluctuation.weighted_rms_uncertainty_percent:6.4f} | {disc.offset_mm:4.2f} "
        f"{'      -' if off is None else f'{off:+7.4f}'} {m.disc.eccentricity_uncertainty_mm or 0:6.4f} | "
        f"{'       -' if m.index is None else f'{m.index.difference_percent:+8.4f}'}"
        f"{' ' + ','.join(n.code for n in m.notes)}"
        f"{'  OUTSIDE: ' + ', '.join(outside) if outside else ''}"
    )


def summary(results: list[Outcome]) -> dict[str, float]:
    """Shares and errors over the clips that were measured."""
    read = [o for o in results if o.measured is not None and o.measured.disc is not None]
    firm = [o for o in read if o.firm]
    found: dict[str, float] = {"clips": len(results), "measured as a disc": len(read), "firm": len(firm)}
    if firm:
        errors = np.abs([o.deviation_error_percent for o in firm])
        found["deviation error, median %"] = float(np.median(errors))
        found["deviation error, worst %"] = float(errors.max())
        found["deviation within 0.005 %, share"] = float(np.mean(errors <= DEVIATION_TARGET_PERCENT))
    found["weighted rms within target, share"] = float(np.mean([o.weighted_rms_within for o in read]))
    off = np.abs([one for o in read if (one := o.eccentricity_error_mm) is not None])
    found["eccentricity stated, share"] = off.size / len(read)
    found["eccentricity within 0.05 mm, share"] = float(np.mean(off <= ECCENTRICITY_TARGET_MM)) if off.size else 1.0
    found["index mark followed, share"] = float(np.mean([o.measured.index is not None for o in read if o.measured]))
    inside = [o.covered() for o in read]
    for name in sorted({name for one in inside for name in one}):
        found[f"coverage, {name}"] = float(np.mean([one[name] for one in inside if name in one]))
    found["coverage, all"] = float(np.mean([value for one in inside for value in one.values()]))
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=24)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    print(
        "  # lamp       flash   fps    ms  rpm  el rings       hid dots line   clock  dev.err   claim"
        " | true    error  claim | off    error  claim | index"
    )
    results = []
    for outcome in outcomes(asked.clips, asked.seed, first=asked.first):
        results.append(outcome)
        print(line(outcome), flush=True)
    for name, value in summary(results).items():
        print(f"{name:36s} {value:8.4f}")


if __name__ == "__main__":
    main()
