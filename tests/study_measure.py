"""How close, and how honest: `strobe.measure` on freshly rendered random clips against their truth.

Run as a script it prints one line a clip and a summary: ``python tests/study_measure.py --clips 36 --seed 7``. The
slow test runs the same over fewer clips and holds the targets.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import strobe
from strobe.render import Scene, Truth, random_scene, render_clip

__all__ = ["Outcome", "main", "outcomes", "summary"]

DEVIATION_TARGET_PERCENT = 0.001
"""Where the time base is observed: the flash rate measured or not needed."""


@dataclass(frozen=True)
class Outcome:
    """One clip: what was drawn, what was measured, what was true; `measured` is None for a refusal."""

    number: int
    scene: Scene
    truth: Truth
    measured: strobe.Measurement | None
    refusal: str | None

    @property
    def time_base_observed(self) -> bool:
        """Whether the reading rests on the camera's clock, in stamps that are exact, without doubt between the lines.

        Stamps rounded to a millisecond leave the rate of a 10 s clip open by some tens of parts per million. A lamp
        whose swing makes few cycles in the clip can't be told from a slow change of speed; the reading says so.
        """
        m = self.measured
        if m is None or m.timing.reference != "camera":
            return False
        return not {note.code for note in m.notes} & {"lines-coincide", "stamps-rounded", "slow-beat"}

    @property
    def disturbed(self) -> bool:
        """Rounded stamps, or flashes that the shutter cuts."""
        return self.scene.camera.stamp != "exact" or self.scene.lamp.kind == "pulse"

    @property
    def drifted_percent(self) -> float:
        """What the scene's own trend and steps make of the mean over the measured part, against that over the clip."""
        assert self.measured is not None
        time_s, speed = self.measured.series.time_s, self.scene.speed
        late_s = float(time_s[0] + time_s[-1]) / 2 - self.scene.seconds / 2
        parts = [np.array([0.0, self.scene.span_s]), time_s[[0, -1]]]
        stepped = [np.diff(sum(step.turned_percent_s(t) for step in speed.steps) + 0 * t) / np.diff(t) for t in parts]
        return speed.trend_percent_per_minute * late_s / 60 + float(stepped[1][0] - stepped[0][0])

    @property
    def deviation_error_percent(self) -> float:
        assert self.measured is not None
        true = self.truth.deviation_by_file_clock_percent + self.drifted_percent
        return self.measured.speed.deviation_percent - true

    @property
    def weighted_rms_error_percent(self) -> float:
        assert self.measured is not None
        return self.measured.fluctuation.weighted_rms_percent - self.truth.weighted_rms_percent

    @property
    def weighted_rms_target_percent(self) -> float:
        return max(0.015 if self.disturbed else 0.005, 0.05 * self.truth.weighted_rms_percent)

    def claims(self) -> dict[str, tuple[float, float]]:
        """Error against true time and stated 95 % half-width of every figure that is stated, by name."""
        m, t = self.measured, self.truth
        assert m is not None
        error = m.speed.deviation_percent - t.deviation_percent - self.drifted_percent
        found = {"deviation": (error, m.speed.uncertainty_percent)}
        for kind in ("weighted", "unweighted"):
            for ours, theirs in (("rms", "rms"), ("peak", "2sigma")):
                name = f"{kind}_{ours}"
                error = getattr(m.fluctuation, f"{name}_percent") - getattr(t, f"{kind}_{theirs}_percent")
                found[name] = (error, getattr(m.fluctuation, f"{name}_uncertainty_percent"))
        return found

    def covered(self) -> dict[str, bool]:
        """Whether the truth lies inside each stated 95 % interval."""
        return {name.replace("_", " "): abs(error) <= claimed for name, (error, claimed) in self.claims().items()}

    def period_error_percent(self) -> float | None:
        """Error of the dominant period where one true component clearly dominates and stands clear of the floor."""
        m = self.measured
        assert m is not None
        true = sorted(self.truth.components, key=lambda c: c.peak_percent, reverse=True)
        if not true or m.fluctuation.period_s is None:
            return None
        if len(true) > 1 and true[0].peak_percent < 1.15 * true[1].peak_percent:
            return None
        return 100 * (m.fluctuation.period_s / true[0].period_s - 1)


def outcomes(
    clips: int,
    seed: int,
    *,
    seconds: float = 10.0,
    know_all: bool = True,
    mains_hz: int | None = None,
    frame_rate_hz: float | None = None,
) -> Iterator[Outcome]:
    """Render and measure `clips` random scenes; each is drawn from its own seed."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(clips):
            rng = np.random.default_rng([seed, number])
            scene = random_scene(rng, seconds=seconds, mains_hz=mains_hz, frame_rate_hz=frame_rate_hz)
            path = Path(folder) / f"clip{number}.mp4"
            truth = render_clip(scene, path, rng=rng)
            dots = scene.rows[0].dots if know_all else None
            mains = (50 if scene.lamp.flash_rate_hz < 110 else 60) if know_all else None
            try:
                measured = strobe.measure(path, rpm=scene.speed.nominal_rpm, dots=dots, mains=mains)
                yield Outcome(number, scene, truth, measured, None)
            except strobe.Refused as refusal:
                yield Outcome(number, scene, truth, None, str(refusal))
            path.unlink()


def line(o: Outcome) -> str:
    """One line of the table."""
    lamp, camera = o.scene.lamp, o.scene.camera
    head = (
        f"{o.number:3d} {lamp.kind:9s} {lamp.flash_rate_hz:7.2f} {camera.frame_rate_hz:5.2f} "
        f"{1000 * camera.exposure_s:5.1f} {o.scene.speed.nominal_rpm:5.1f} {camera.stamp[:5]:5s}"
    )
    if o.measured is None:
        return f"{head}  refused: {o.refusal}"
    m, t = o.measured, o.truth
    period = o.period_error_percent()
    outside = [name for name, inside in o.covered().items() if not inside]
    return (
        f"{head} {m.timing.line:6s} {m.timing.reference:6s} {o.deviation_error_percent:+8.4f} "
        f"{m.speed.uncertainty_percent:7.4f} | {t.weighted_rms_percent:6.4f} {o.weighted_rms_error_percent:+7.4f} "
        f"{m.fluctuation.weighted_rms_uncertainty_percent:6.4f} {m.fluctuation.weighted_floor_percent:6.4f} | "
        f"{'     -' if period is None else f'{period:+6.2f}'} {','.join(n.code for n in m.notes)}"
        f"{'  OUTSIDE: ' + ', '.join(outside) if outside else ''}"
    )


def summary(results: list[Outcome]) -> dict[str, float]:
    """Shares and errors over the clips that were measured."""
    read = [o for o in results if o.measured is not None]
    firm = [o for o in read if o.time_base_observed]
    found: dict[str, float] = {"clips": len(results), "refused": len(results) - len(read), "firm": len(firm)}
    errors = np.abs([o.deviation_error_percent for o in firm])
    found["deviation error, median %"] = float(np.median(errors))
    found["deviation error, worst %"] = float(errors.max())
    found["deviation within 0.001 %, share"] = float(np.mean(errors <= DEVIATION_TARGET_PERCENT))
    within = [abs(o.weighted_rms_error_percent) <= o.weighted_rms_target_percent for o in read]
    found["weighted rms within target, share"] = float(np.mean(within))
    periods = [p for o in read if (p := o.period_error_percent()) is not None]
    found["period within 1 %, share"] = float(np.mean(np.abs(periods) <= 1)) if periods else 1.0
    for name in read[0].covered():
        found[f"coverage, {name}"] = float(np.mean([o.covered()[name] for o in read]))
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=36)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--guess", action="store_true", help="give only the speed, not dots and mains")
    asked = parser.parse_args()
    print(
        "  # lamp        flash   fps    ms   rpm stamp line   clock  dev.err   claim"
        " | true    error  claim  floor | period"
    )
    results = []
    for outcome in outcomes(asked.clips, asked.seed, know_all=not asked.guess):
        results.append(outcome)
        print(line(outcome), flush=True)
    for name, value in summary(results).items():
        print(f"{name:36s} {value:8.4f}")


if __name__ == "__main__":
    main()
