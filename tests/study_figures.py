"""How far the figures can be trusted: series and pictures of known truth, read many times.

``python tests/study_figures.py`` prints all four parts; ``--part figures`` and so on one of them:

figures
    Random machines (lines, random flutter, noise): the error of each figure against the machine's long-run truth, and
    how often the stated 95 % interval holds it.
bound
    Phase of a row of dots in white pixel noise, and frequency, amplitude and phase of a line in white angle noise,
    against the Cramér-Rao bound (Rife & Boorstyn 1974; values from memory, checked by simulation).
coding
    The weighted floor of a rendered perfect platter after H.264 at 2, 8 and 17 Mb/s.
methods
    The same pictures read by general-purpose methods: phase correlation, pyramidal Lucas-Kanade, and registration by
    an upsampled cross-correlation.
"""

from __future__ import annotations

import argparse
import tempfile
import time as clock
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strobe.figures import evaluate
from strobe.figures.components import find_lines
from strobe.figures.fluctuation import TOP_SHARE, band_gain
from strobe.figures.results import FIGURES
from strobe.pattern.finding import FoundRow
from strobe.pattern.reading import learn_row
from strobe.phase import CoarseLine, read_line

__all__ = ["Machine", "bound_part", "coding_part", "draw", "figures_part", "main", "methods_part", "strips", "summary"]

RPM = 100 / 3
RATE_HZ = RPM / 60
DOTS = 180
DOT_RATE_HZ = 100.0
LONG_S = 1500.0
PITCH_PX = 13.7
LAMP_CYCLES = 0.3

Array = NDArray[np.float64]
Planes = list[NDArray[np.uint8]]


class Machine:
    """A platter with up to four lines and, every other one, random flutter of the first order."""

    def __init__(self, rng: np.random.Generator) -> None:
        count = int(rng.integers(0, 5))
        self.lines = [(RATE_HZ, *rng.uniform((0.01, 0), (0.2, 6.3)))] if count else []
        self.lines += [tuple(rng.uniform((0.4, 0.01, 0), (9.0, 0.15, 6.3))) for _ in range(count - 1)]
        self.flutter_percent = float(rng.uniform(0.02, 0.1)) if rng.random() < 0.5 else 0.0
        self.corner_hz = float(rng.uniform(0.5, 6))
        self.deviation_percent = float(rng.uniform(-1, 1))

    def angle(self, time_s: Array, rng: np.random.Generator) -> Array:
        rate = RATE_HZ * (1 + self.deviation_percent / 100)
        angle = rate * time_s
        for hz, peak, phase in self.lines:
            turn = 2 * np.pi * hz
            angle = angle - rate * peak / 100 / turn * np.cos(turn * time_s + phase)
        return angle + rate / 100 * _integrated(self._flutter(time_s[-1], float(time_s[1]) / 8, rng), 8, time_s.size)

    def _flutter(self, seconds: float, step_s: float, rng: np.random.Generator) -> Array:
        from scipy.signal import lfilter

        count = round(seconds / step_s) + 8
        decay = np.exp(-2 * np.pi * self.corner_hz * step_s)
        drive = rng.normal(0, self.flutter_percent * np.sqrt(1 - decay**2), count)
        start = rng.normal(0, self.flutter_percent)
        speed, _ = lfilter([1.0], [1.0, -decay], drive, zi=[decay * start])
        return np.asarray(speed) * step_s

    def truth(self, frame_rate_hz: float, rng: np.random.Generator) -> dict[str, float]:
        """2-sigma peaks and rms of a long run, in the band of a frame rate."""
        step = 1 / (4 * frame_rate_hz)
        speed = self._flutter(LONG_S, step, rng) / step
        time = np.arange(speed.size) * step
        for hz, peak, phase in self.lines:
            speed = speed + peak * np.sin(2 * np.pi * hz * time + phase)
        spectrum = np.fft.rfft(speed)
        bins = np.asarray(np.fft.rfftfreq(speed.size, step), dtype=np.float64)
        found = {}
        for name, weighted in (("weighted", True), ("unweighted", False)):
            top = TOP_SHARE * 0.5 * frame_rate_hz
            gain = band_gain(bins, top_hz=top, end_hz=0.5 * frame_rate_hz, weighted=weighted)
            gain[0] = 0.0
            shown = np.fft.irfft(spectrum * gain, speed.size)
            found[f"{name}_peak"] = float(np.quantile(np.abs(shown), 0.95))
            found[f"{name}_rms"] = float(np.std(shown))
        return found


def _integrated(steps: Array, fine: int, count: int) -> Array:
    return np.asarray(np.concatenate([[0.0], np.cumsum(steps)])[: (count - 1) * fine + 1 : fine])


def figures_part(runs: int, seed: int) -> dict[str, Array]:
    """Error, stated half-width and truth (cases, 3) of each figure over random machines, lengths, rates and noises."""
    rows: dict[str, list[tuple[float, float, float]]] = {}
    for number in range(runs):
        rng = np.random.default_rng([seed, number])
        machine, rate = Machine(rng), float(rng.choice([25.0, 30.0, 60.0]))
        seconds = float(rng.choice([10.0, 15.0, 20.0, 40.0]))
        time = np.arange(round(seconds * rate) + 1) / rate
        noise = float(rng.uniform(1e-4, 1e-3)) / DOTS
        angle = machine.angle(time, rng) + rng.normal(0, noise, time.size)
        found = evaluate(time, angle, nominal_rpm=RPM, angle_noise_rev=noise, frame_interval_s=1 / rate)
        truth = machine.truth(rate, rng)
        for name in FIGURES:
            value = getattr(found.fluctuation, f"{name}_percent")
            width = getattr(found.fluctuation, f"{name}_uncertainty_percent")
            rows.setdefault(name, []).append((value - truth[name], width, truth[name]))
        if machine.flutter_percent == 0:
            error = found.deviation_percent - machine.deviation_percent
            rows.setdefault("deviation", []).append((error, found.deviation_uncertainty_percent, 1.0))
            for hz, peak, _ in machine.lines:
                near = [c for c in found.components if abs(c.frequency_hz - hz) < 0.5 / seconds]
                apart = min((abs(hz - other[0]) for other in machine.lines if other[0] != hz), default=1.0)
                if near and apart > 2 / seconds:
                    rows.setdefault("component peak", []).append(
                        (near[0].peak_percent - peak, near[0].uncertainty_percent, peak)
                    )
                    rows.setdefault("component frequency", []).append(
                        (near[0].frequency_hz - hz, near[0].frequency_uncertainty_hz, hz)
                    )
    return {name: np.array(values) for name, values in rows.items()}


def summary(cases: Array) -> dict[str, float]:
    """Coverage, bias and error of one figure; `cases` (cases, 3) as `figures_part` gives them."""
    error, width, truth = cases.T
    large = truth > 0.02
    return {
        "n": float(error.size),
        "held %": 100 * float(np.mean(np.abs(error) <= width)),
        "bias %": 100 * float(np.mean(error[large] / truth[large])),
        "rms error": float(np.sqrt(np.mean(error**2))),
        "claimed/1.96": float(np.sqrt(np.mean(width**2)) / 1.96),
        "worst error/claimed": float(np.max(np.abs(error) / width)),
    }


def draw(cases: dict[str, Array], ratios: Sequence[tuple[float, ...]], runs: int, file: Path) -> None:
    """Draw how far each figure was off, as a share of what it stated, and the variances over their bound."""
    from matplotlib.figure import Figure
    from study_plot import draw_claims, save

    figure = Figure(figsize=(8.4, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(3, 2))
    rows = {f"{name}\n{summary(one)['held %']:.1f} % of {len(one)}": {"": one[:, :2]} for name, one in cases.items()}
    draw_claims(left, {name.replace("_", " "): row for name, row in rows.items()})
    level, *kinds = np.array(ratios).T
    scatter = np.sqrt(2 / runs)
    right.axhspan(1 - 2 * scatter, 1 + 2 * scatter, color="0.9", label="chance, 95 %")
    for kind, ratio, mark in zip(("frequency", "amplitude", "phase", "phase of a row"), kinds, "ox|s", strict=True):
        right.plot(level, ratio, mark, color="0.1", fillstyle="none", markersize=5, label=kind)
    right.axhline(1, color="0.0", linewidth=0.8)
    right.set_ylim(0, 1.6)
    right.tick_params(labelsize=8)
    right.set_xlabel("signal to noise, dB", fontsize=8)
    right.set_ylabel("variance / Cramér-Rao bound", fontsize=8)
    right.legend(loc="lower left", fontsize=7, ncols=2)
    save(figure, file, title="Errors of the figures by themselves, and variances over the Cramér-Rao bound")


def strips(
    frames: int, rng: np.random.Generator, *, per_frame: float, noise: float, patch: bool = False, second: float = 0.0
) -> tuple[Planes, Array]:
    """Pictures (96 x 640) of a level row of dots, and the dots that have passed in each.

    `per_frame` dots pass from picture to picture, with a wobble of 0.05 dots; `second` is the strength of another line,
    timed by a lamp that flashes 0.3 times a picture beside a whole number; a `patch` lights a third of the row.
    """
    x, y = np.arange(640.0), np.arange(96.0)
    k = np.arange(frames)
    passed = per_frame * k + 0.05 * np.sin(2 * np.pi * k / 23.7) + 0.02 * np.sin(2 * np.pi * k / 5.3 + 1)
    height = np.exp(-(((y - 47.3) / 4.0) ** 4))
    light = np.exp(-(((x - 300) / 110) ** 4)) if patch else np.ones_like(x)
    scenery = 25 + 12 * np.outer(np.sin(y / 7.1), np.cos(x / 31.7))
    planes = []
    for now, lamp in zip(passed, LAMP_CYCLES * k, strict=True):
        wave = np.cos(2 * np.pi * (x / PITCH_PX + now)) + second * np.cos(2 * np.pi * (x / PITCH_PX + now - lamp))
        picture = scenery + 70 * np.outer(height, light * (1 + wave / (1 + second)) / 2)
        planes.append(np.clip(np.rint(picture + rng.normal(0, noise, picture.shape)), 0, 255).astype(np.uint8))
    return planes, passed


def ours(planes: Planes) -> Array:
    """Dots that have passed, as the package reads a row."""
    places = np.arange(40.0, 640, 80)
    even = np.ones_like(places)
    row = FoundRow(places, 47.3 * even, PITCH_PX * even, 30 * even, 1.0)
    reader = learn_row(planes[:24], row)
    assert reader is not None
    total = np.array([reader.read(plane).astype(np.complex128).sum() for plane in planes])
    return np.unwrap(np.angle(total)) / (2 * np.pi)


def ours_with_lamp(planes: Planes) -> Array:
    """The same where a lamp's line is known to be there: both lines fitted together."""
    time = np.arange(len(planes)) / 30
    dots = ours(planes)
    rate = float(np.polyfit(time, dots, 1)[0])
    line = read_line(
        np.exp(2j * np.pi * dots),
        time,
        interval_s=1 / 30,
        kind="camera",
        coarse=CoarseLine(rate, 1.0),
        lamp_cycles=LAMP_CYCLES * np.arange(len(planes), dtype=np.float64),
        flash=None,
        height=None,
    )
    return line.dots


def phase_correlation(planes: Planes) -> Array:
    """`cv2.phaseCorrelate` of the row under a Hann window, each picture against the first."""
    import cv2

    window = cv2.createHanningWindow((640, 32), cv2.CV_32F)
    row = [plane[32:64].astype(np.float32) for plane in planes]
    return -np.array([cv2.phaseCorrelate(row[0], one, window)[0][0] for one in row]) / PITCH_PX


def lucas_kanade(planes: Planes) -> Array:
    """Pyramidal Lucas-Kanade on corners of the row, median shift from picture to picture, added up."""
    import cv2

    moved = [0.0]
    for before, after in pairwise(planes):
        corners = cv2.goodFeaturesToTrack(before[36:60], 80, 0.05, 5)
        if corners is None:
            moved.append(0.0)
            continue
        corners = corners + np.array([0, 36], np.float32)
        # Not typed: OpenCV's stubs want an array for None.
        found, state, _ = cv2.calcOpticalFlowPyrLK(before, after, corners, None, winSize=(15, 15))  # type: ignore[call-overload]  # stubs want an array
        good = state.ravel() == 1
        moved.append(float(np.median((found - corners)[good, 0, 0])) if np.any(good) else 0.0)
    return -np.cumsum(moved) / PITCH_PX


def registration(planes: Planes) -> Array:
    """`skimage.registration.phase_cross_correlation` of the row, hundredths of a pixel, against the first picture."""
    from skimage.registration import phase_cross_correlation

    first = planes[0][32:64]
    return (
        np.array(
            [phase_cross_correlation(first, p[32:64], upsample_factor=100, normalization=None)[0][1] for p in planes]
        )
        / PITCH_PX
    )


METHODS: dict[str, Callable[[Planes], Array]] = {
    "ours": ours,
    "phase correlation": phase_correlation,
    "Lucas-Kanade": lucas_kanade,
    "registration": registration,
}
CLIPS: dict[str, dict[str, float | bool]] = {
    "near still, easy": {"per_frame": 0.002, "noise": 1.5},
    "slow drift": {"per_frame": 0.05, "noise": 1.5},
    "drift beyond half a pitch": {"per_frame": 1 / 3, "noise": 1.5},
    "patch of light": {"per_frame": 0.05, "noise": 1.5, "patch": True},
    "noise": {"per_frame": 0.05, "noise": 12.0},
    "two lines": {"per_frame": 0.31, "noise": 1.5, "second": 0.3},
}


def methods_part(seed: int, frames: int = 240) -> list[tuple[str, str, float, float, float]]:
    """Clip, method, rms error of the phase (dots), of the weighted rms (points), and milliseconds a frame.

    The error of the phase is taken against the truth less a straight line, wrapped by whole dots where that helps.
    """
    rows = []
    for name, options in CLIPS.items():
        # Not typed: options of several types.
        planes, passed = strips(frames, np.random.default_rng(seed), **options)  # type: ignore[arg-type]  # of several kinds
        time = np.arange(frames) / 30
        true = _weighted_rms(time, passed)
        for method, read in METHODS.items():
            start = clock.perf_counter()
            found = ours_with_lamp(planes) if read is ours and "second" in options else read(planes)
            spent = 1000 * (clock.perf_counter() - start) / frames
            error = found - passed
            error = error - np.rint(error - np.median(error))
            error = error - np.polyval(np.polyfit(time, error, 1), time)
            rows.append((name, method, float(np.std(error)), abs(_weighted_rms(time, passed + error) - true), spent))
    return rows


def _weighted_rms(time: Array, dots: Array) -> float:
    angle = RATE_HZ * time + (dots - dots[0] - (dots[-1] - dots[0]) * time / time[-1]) / DOTS
    found = evaluate(time, angle, nominal_rpm=RPM, angle_noise_rev=1e-9, frame_interval_s=float(time[1]))
    return found.fluctuation.weighted_rms_percent


def bound_part(runs: int, seed: int) -> list[tuple[float, ...]]:
    """Signal-to-noise (dB), then variance over the bound: frequency, amplitude, phase of a line; phase of a row."""
    rng = np.random.default_rng(seed)
    count, hz = 300, 3.217
    time = np.arange(count) / 30
    rows: list[tuple[float, ...]] = []
    for level_db in (0, 10, 20, 30, 40):
        sigma = 1e-6
        amplitude = sigma * np.sqrt(2 * 10 ** (level_db / 10))
        found = []
        for _ in range(runs):
            phase = rng.uniform(0, 2 * np.pi)
            wave = amplitude * np.cos(2 * np.pi * hz * time + phase)
            angle = RATE_HZ * time + wave + rng.normal(0, sigma, count)
            fit = find_lines(
                time, angle, angle_noise_rev=sigma, interval_s=1 / 30, weight=np.ones(count), excluded_hz=()
            )
            if fit.frequency_hz.size:
                best = int(np.argmax(fit.amplitude_rev))
                turned = fit.speed_phase_rad[best] - (phase + np.pi)
                middle = turned + 2 * np.pi * (fit.frequency_hz[best] - hz) * fit.centre_s
                found.append((fit.frequency_hz[best] - hz, fit.amplitude_rev[best] - amplitude, _wrapped(middle)))
        errors = np.array(found)
        eta = amplitude**2 / (2 * sigma**2)
        bounds = np.array(
            [
                12 / ((2 * np.pi) ** 2 * eta * count * (count**2 - 1)) * 30**2,
                2 * sigma**2 / count,
                1 / (eta * count),
            ]
        )
        line = np.mean(errors**2, axis=0) / bounds if len(errors) > runs / 2 else np.full(3, np.nan)
        rows.append((float(level_db), *(float(v) for v in line), _row_phase(rng, level_db)))
    return rows


def _row_phase(rng: np.random.Generator, level_db: float) -> float:
    """Variance of the phase of a row of dots over its bound, the noise's over the sum of the quadrature's squares.

    The noise is white over the pixels; the bound is that of the pattern's own shape with unknown amplitude and even
    light, which the template need not know.
    """
    x, y = np.arange(640.0), np.arange(96.0)
    height = np.exp(-(((y - 47.3) / 4.0) ** 4))
    size = 40.0
    sigma = size / np.sqrt(2 * 10 ** (level_db / 10))
    places = np.arange(40.0, 640, 80)
    even = np.ones_like(places)
    row = FoundRow(places, 47.3 * even, PITCH_PX * even, size * even, 1.0)
    frames = 200

    def picture(now: float) -> Array:
        return 100 + size * np.outer(height, np.cos(2 * np.pi * (x / PITCH_PX + now)))

    passed = 0.313 * np.arange(frames)
    planes = [(picture(now) + rng.normal(0, sigma, (96, 640))).astype(np.float32) for now in passed]
    reader = learn_row(planes[:24], row)
    assert reader is not None
    total = np.array([reader.read(plane).astype(np.complex128).sum() for plane in planes])
    error = _wrapped(
        np.angle(total * np.exp(-2j * np.pi * passed)) - np.angle(np.sum(total * np.exp(-2j * np.pi * passed)))
    )
    bound = sigma**2 / (size**2 * float(np.sum(height**2)) * x.size / 2)
    return float(np.var(error) / bound)


def _wrapped(value: Array | float) -> Array:
    return np.asarray(np.angle(np.exp(1j * np.asarray(value))))


def coding_part(seed: int, seconds: float = 10.0) -> list[tuple[float, float, float, float]]:
    """Bit rate (Mb/s), then of a perfect platter: the stated floor, the rms read, and its upper limit (percent)."""
    from dataclasses import replace

    import strobe
    from strobe.render import Speed, random_scene, render_clip

    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for rate in (2e6, 8e6, 17e6):
            rng = np.random.default_rng(seed)
            scene = random_scene(rng, seconds=seconds, mains_hz=50, nominal_rpm=RPM, frame_rate_hz=30.0)
            scene = replace(
                scene,
                speed=Speed(nominal_rpm=RPM, deviation_percent=0.21),
                coding=replace(scene.coding, bit_rate=int(rate)),
                camera=replace(scene.camera, dropped_frames=(), stamp="exact"),
            )
            path = Path(folder) / "clip.mp4"
            render_clip(scene, path, rng=rng)
            found = strobe.measure(path, rpm=RPM, dots=scene.rows[0].dots, mains=50).fluctuation
            limit = found.weighted_rms_percent + found.weighted_rms_uncertainty_percent
            rows.append((rate / 1e6, found.weighted_floor_percent, found.weighted_rms_percent, limit))
    return rows


def main() -> None:
    """Print the study."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", choices=("figures", "bound", "coding", "methods"))
    parser.add_argument("--runs", type=int, default=240)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw figures and bound, .svg or .png; no other part")
    asked = parser.parse_args()
    parts = ["figures", "bound", "coding", "methods"] if asked.part is None else [asked.part]
    if asked.plot is not None:
        parts = ["figures", "bound"]
    bound_runs = max(asked.runs, 100)
    if "figures" in parts:
        print(f"figures: {asked.runs} random machines against their long-run truth")
        cases = figures_part(asked.runs, asked.seed)
        for name, one in cases.items():
            row = summary(one).items()
            print(f"  {name:20s} " + "  ".join(f"{key} {value:.4g}" for key, value in row), flush=True)
    if "bound" in parts:
        print("bound: variance over the Cramér-Rao bound\n  S/N dB  frequency  amplitude  phase  phase of a row")
        bounds = bound_part(bound_runs, asked.seed)
        for level, *ratios in bounds:
            print(f"  {level:6.0f}  " + "  ".join(f"{ratio:9.3f}" for ratio in ratios), flush=True)
    if asked.plot is not None:
        draw(cases, bounds, bound_runs, asked.plot)
    if "coding" in parts:
        print("coding: a perfect platter after H.264, 720p30\n  Mb/s  floor %   rms read %  upper limit %")
        for rate, floor, read, limit in coding_part(asked.seed):
            print(f"  {rate:4.0f}  {floor:.4f}    {read:.4f}      {limit:.4f}", flush=True)
    if "methods" in parts:
        print("methods: rms phase error (dots), error of the weighted rms (points), ms a frame")
        for name, method, error, weighted, spent in methods_part(asked.seed):
            print(f"  {name:26s} {method:18s} {error:9.5f} {weighted:9.4f} {spent:7.2f}", flush=True)


if __name__ == "__main__":
    main()
