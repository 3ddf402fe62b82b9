"""Pictures mixed with those before: what a low-pass of one pole does to a wobble, and when it may be there."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import strobe
from strobe.figures import evaluate
from strobe.figures.results import Fluctuation
from strobe.measuring.averaging import averaging_of
from strobe.measuring.budget import fluctuation_with_budget
from strobe.measuring.mixing import ROOM, Mixing, mixing_of
from strobe.pattern import CameraCourse, Impression
from strobe.render import Camera, Coding, DotRow, Lamp, Processing, Scene, Speed, Wobble, render_clip

RATE_HZ = 30.0
GRAINY = Impression(60.0, 0.0, 1.0, False, 0.02)
CLEAR = replace(GRAINY, grain_share=0.008)
STILL = CameraCourse.unseen(80)


def in_a_hand(rms_px: float) -> CameraCourse:
    """A camera that moved so far."""
    shift = np.random.default_rng(2).normal(0, rms_px / math.sqrt(2), (80, 2))
    return replace(STILL, shift_px=shift, moved=True)


def mixed(amplitude: np.ndarray, share: float) -> np.ndarray:
    """The recursion itself: each picture holds a share of what the one before came out as."""
    out = amplitude.copy()
    for k in range(1, len(out)):
        out[k] = (1 - share) * amplitude[k] + share * out[k - 1]
    return out


@pytest.mark.parametrize("advance", [0.0, 0.05, -0.2, 0.37])
@pytest.mark.parametrize("wobble_hz", [0.56, 4.0, 8.0])
def test_the_truth_lies_between_what_is_read_and_the_full_share(advance: float, wobble_hz: float) -> None:
    """Held against the recursion run on a phase that swings by a known amount."""
    frame = np.arange(3000)
    swing = 0.01 * np.sin(2 * np.pi * wobble_hz * frame / RATE_HZ)
    for share in (0.0, 0.3, 0.6):
        seen = mixed(np.exp(2j * np.pi * (advance * frame + swing)), share)[100:]
        phase = np.unwrap(np.angle(seen)) / (2 * np.pi) - advance * frame[100:]
        turn = np.exp(-2j * np.pi * wobble_hz * frame[100:] / RATE_HZ)
        read = abs(2 * np.mean((phase - phase.mean()) * turn))
        factor, unsure = mixing_of(GRAINY, seen, STILL).loss(wobble_hz / RATE_HZ)
        assert abs(factor * read / 0.01 - 1) <= unsure * factor * read / 0.01 + 0.03
        if share == 0.6:
            # All of it mixed is the far end of the interval, but for the room that is left beyond it.
            ends = factor * read * (1 + unsure / ROOM * np.array([-1, 1])) / 0.01
            assert np.min(np.abs(ends - 1)) < 0.03


def test_grain_that_no_shake_explains_is_suspected_though_the_camera_moved() -> None:
    """In dim light noise alone moves the scenery by some hundredths of a pixel, which makes no grain."""
    found = mixing_of(GRAINY, np.ones(50, complex), in_a_hand(0.15))
    assert found.share == pytest.approx(mixing_of(GRAINY, np.ones(50, complex), STILL).share)


def test_a_clear_picture_or_one_that_moves_is_not_suspected() -> None:
    still = np.ones(50, complex)
    for mixing in (mixing_of(CLEAR, still, STILL), mixing_of(GRAINY, still, in_a_hand(4.0))):
        assert mixing.loss(0.2) == (1.0, 0.0)
        assert mixing.noise_factor == 1.0


def test_how_far_the_dots_seem_to_go_on() -> None:
    found = mixing_of(GRAINY, np.exp(2j * np.pi * 0.31 * np.arange(80)), STILL)
    assert (found.share, found.advance_cycles) == pytest.approx((0.6, 0.31))


def test_dim_clip_holds_the_truth_and_says_so(tmp_path: Path) -> None:
    """Dots that a lamp keeps almost still, in a picture that is mixed by half: 5.8 Hz comes out a third too small."""
    scene = Scene(
        rows=(DotRow(160),),
        speed=Speed(45.0, 0.3, wobbles=(Wobble(0.2, frequency_hz=5.8),)),
        lamp=Lamp("pulse", 119.9, duty=0.15, ambient=0.03),
        camera=Camera(width=640, height=360, exposure_s=0.028, brightness=0.12, noise=4.6),
        coding=Coding(bit_rate=4_000_000),
        processing=Processing(ghost=0.5),
        seconds=8.0,
    )
    truth = render_clip(scene, tmp_path / "dim.mp4", rng=np.random.default_rng(4))
    measured = strobe.measure(tmp_path / "dim.mp4", rpm=45, dots=160, mains=60)
    assert "averaged" in {note.code for note in measured.notes}
    fast = min(measured.components, key=lambda one: abs(one.frequency_hz - 5.8))
    assert abs(fast.peak_percent - 0.2) < fast.uncertainty_percent
    found = measured.fluctuation
    assert abs(found.weighted_rms_percent - truth.weighted_rms_percent) < found.weighted_rms_uncertainty_percent


def bounded(
    speed: np.ndarray, rate_hz: float, *, mixing: Mixing, beside: tuple[tuple[float, float], ...] = ()
) -> tuple[Fluctuation, Fluctuation]:
    """The fluctuation of a course of the speed by the nominal one, at 45 rpm, as it was read and with its budget."""
    time = np.arange(speed.size) / rate_hz
    angle = np.cumsum(0.75 * speed) / rate_hz + np.random.default_rng(2).normal(0, 1e-7, time.size)
    base: Any = SimpleNamespace(time_s=time, interval_s=1 / rate_hz, duration_s=float(time[-1]), kind="exact")
    line: Any = SimpleNamespace(
        kind="camera", hidden=(), beside=beside, removed_hz=(), dot_rate_hz=120.0, lit=np.ones(time.size, bool)
    )
    steady: Any = SimpleNamespace(rate_hz=None)
    clear: Any = SimpleNamespace(contrast=1.0)
    averaging = averaging_of(line, steady, clear, base, gap_percent=0.0, mixing=mixing)
    common: dict[str, Any] = {"nominal_rpm": 45.0, "angle_noise_rev": 1e-7, "frame_interval_s": 1 / rate_hz}
    found, _ = fluctuation_with_budget(
        evaluate(time, angle, **common, averaging=averaging),
        base,
        line=line,
        mixing=mixing,
        left_dots=np.zeros_like(time),
        dots=160,
        off_centre_percent=0.0,
        scale_share=0.0,
    )
    return evaluate(time, angle, **common).fluctuation, found


@pytest.mark.parametrize("advance", [0.0, 0.02])
def test_of_slow_and_fast_wobble_together_the_interval_holds_that_nothing_was_mixed(advance: float) -> None:
    """Once a turn hardly anything is put back, at 8.9 Hz as much again: neither is sure of the figure of both."""
    time = np.arange(750) / 25
    speed = 1 + 0.0018 * np.sin(2 * np.pi * 0.75 * time) + 0.001 * np.sin(2 * np.pi * 8.9 * time)
    seen, found = bounded(speed, 25.0, mixing=Mixing(0.6, advance))
    for name in ("weighted_rms", "unweighted_rms"):
        read = getattr(seen, f"{name}_percent")
        stated = getattr(found, f"{name}_uncertainty_percent")
        assert read < getattr(found, f"{name}_percent") <= read + stated


def test_what_lies_beside_the_lamps_beat_is_in_the_figures_and_in_the_band_it_lies_in() -> None:
    """0.001 dots at 5 Hz of 120 a second are 100 x 2 pi 5 x 0.001 / 120 = 0.026 % that may be there or not.

    Of a line of 0.05 % at 4 Hz that may leave ``sqrt(0.05^2 - 0.026^2)``, and of flutter above 10 Hz nothing changes.
    """
    speed = 1 + 0.0005 * np.sin(2 * np.pi * 4 * np.arange(900) / 30)
    _, nothing = bounded(speed, 30.0, mixing=Mixing(0.0, 0.0))
    _, beside = bounded(speed, 30.0, mixing=Mixing(0.0, 0.0), beside=((5.0, 0.001),))
    less = (0.05 - math.sqrt(0.05**2 - (100 * 2 * math.pi * 5 * 0.001 / 120) ** 2)) / math.sqrt(2)
    assert beside.unweighted_rms_uncertainty_percent == pytest.approx(less, rel=0.05)
    assert nothing.unweighted_rms_uncertainty_percent < 0.2 * less
    widths = [
        {part.name: part.rms_uncertainty_percent for part in one.parts if part.split_by == "practice"}
        for one in (nothing, beside)
    ]
    assert widths[1]["wow"] == pytest.approx(less, rel=0.05)
    assert widths[1]["flutter"] == widths[0]["flutter"]
