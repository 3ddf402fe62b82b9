"""What the exposure swallows of fast wobble: against light summed over the exposure, and on rendered clips."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import strobe
from strobe.figures import evaluate
from strobe.measuring.averaging import Averaging, averaging_of
from strobe.measuring.mixing import ROOM, Mixing
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

DOTS, TURN_HZ, FLASH_HZ = 180, 100.3 / 180, 100.04
DOT_HZ = DOTS * TURN_HZ
SWING_DOTS = 0.01
STILL_CONTRAST = 0.4
"""Amplitude over mean of still dots half a pitch wide, through a camera's curve (rendered clips: 0.37 to 0.46)."""


def averaged(
    kind: str,
    frame_rate_hz: float,
    *,
    contrast: float = STILL_CONTRAST,
    gap_percent: float = 0.0,
    flash_hz: float | None = FLASH_HZ,
    lit: bool = True,
) -> Averaging:
    """What a line of a row may have lost."""
    line: Any = SimpleNamespace(kind=kind, followed=kind, dot_rate_hz=DOT_HZ, lit=np.array([True, lit]))
    time: Any = SimpleNamespace(interval_s=1 / frame_rate_hz)
    lamp: Any = SimpleNamespace(rate_hz=flash_hz)
    row: Any = SimpleNamespace(contrast=contrast)
    return averaging_of(line, lamp, row, time, gap_percent=gap_percent, mixing=Mixing(0.0, 0.0))


def read_share(
    wobble_hz: float, exposure_s: float, frame_rate_hz: float, light: NDArray[np.float64] | None = None
) -> float:
    """Share of a wobble that the phase of the dots' amplitude has, summed over the exposure under even light or `light`
    (flashes of any shape, by the phase of the lamp)."""
    start = np.arange(round(20 * frame_rate_hz)) / frame_rate_hz
    time = start[:, None] + (np.arange(800) + 0.5) / 800 * exposure_s
    dots = DOT_HZ * time + SWING_DOTS * np.sin(2 * np.pi * wobble_hz * time)
    shines = 1.0 if light is None else light[(FLASH_HZ * time % 1 * light.size).astype(int)]
    rate = DOT_HZ if light is None else DOT_HZ - FLASH_HZ
    phase = np.angle((shines * np.exp(2j * np.pi * dots)).mean(axis=1) * np.exp(-2j * np.pi * rate * start))
    swing = np.unwrap(phase) / (2 * np.pi)
    window = np.hanning(start.size) / np.hanning(start.size).sum()
    return abs(2 * np.sum(window * (swing - window @ swing) * np.exp(-2j * np.pi * wobble_hz * start))) / SWING_DOTS


PULSE = (np.arange(400) < 40).astype(float)
HALF_SINE = np.abs(np.sin(np.pi * (np.arange(400) + 0.5) / 400))


@pytest.mark.parametrize("frame_rate_hz", [24.0, 30.0])
@pytest.mark.parametrize("exposed", [0.3, 0.65, 0.93, 0.99])
@pytest.mark.parametrize("wobble_hz", [2.9, 7.3, 10.7])
@pytest.mark.parametrize("light", [PULSE, HALF_SINE], ids=["pulse", "half-sine"])
def test_under_a_lamp_all_exposures_lie_inside(
    light: NDArray[np.float64], wobble_hz: float, exposed: float, frame_rate_hz: float
) -> None:
    """From one flash to nearly the whole frame, as a strobe alone under automatic exposure has it."""
    least, most = averaged("lamp", frame_rate_hz)(np.array([wobble_hz]))
    true = 1 / read_share(wobble_hz, exposed / frame_rate_hz, frame_rate_hz, light)
    assert least[0] < true < most[0]


def test_under_a_lamp_it_is_no_wider_than_one_flash_and_the_whole_frame() -> None:
    """Closed form: 1 to ``1 / sinc(f T)``, and the room that is left beyond both ends; the dots hardly creep."""
    f = np.array([2.0, 6.0, 12.6])
    whole = 1 / np.sinc(f / 30)
    least, most = averaged("lamp", 30.0)(f)
    assert most - least == pytest.approx(ROOM * (whole - 1), rel=0.01)
    assert most + least == pytest.approx(whole + 1, rel=0.01)


def test_where_frames_stay_dark_only_one_flash_is_in_any() -> None:
    some, every = (averaged("lamp", 30.0, lit=lit)(np.array([12.0]))[1][0] for lit in (False, True))
    assert some == pytest.approx(1 + (1 / np.sinc(12 / FLASH_HZ) - 1) * (1 + ROOM) / 2, rel=0.01)
    assert every > 1.3


@pytest.mark.parametrize(
    ("frame_rate_hz", "exposure_s", "wobble_hz"),
    [(60.0, 1 / 63, 18.0), (30.0, 1 / 61, 11.0), (30.0, 1 / 80, 11.0), (24.0, 1 / 40, 9.0), (30.0, 0.006, 12.0)],
)
def test_in_a_side_lobe_of_the_shutter_the_truth_lies_inside(
    frame_rate_hz: float, exposure_s: float, wobble_hz: float
) -> None:
    """Dots that an even light shows behind a shutter longer than it takes one to pass; the last in the main lobe."""
    contrast = STILL_CONTRAST * abs(np.sinc(DOT_HZ * exposure_s))
    least, most = averaged("camera", frame_rate_hz, contrast=contrast)(np.array([wobble_hz]))
    true = 1 / read_share(wobble_hz, exposure_s, frame_rate_hz)
    assert least[0] < true < most[0]


@pytest.mark.parametrize("contrast", [0.25, 0.4, 0.6])
def test_clear_dots_have_a_short_shutter_and_lose_nothing(contrast: float) -> None:
    """In no side lobe more than 0.22 of them is left; in the main lobe sidebands of 12 in 100 Hz lose 2 % at most."""
    least, most = averaged("camera", 30.0, contrast=contrast)(np.array([2.0, 6.0, 12.0]))
    assert np.all(np.abs(least - 1) < 0.02)
    assert np.all(np.abs(most - 1) < 0.02)


def test_where_lamp_or_shutter_may_time_the_dots_both_lie_inside() -> None:
    """And the middle is the mean of both: nothing by a shutter, half of what a whole frame loses by a lamp."""
    f = np.array([3.0, 11.0])
    by_lamp, by_shutter = averaged("lamp", 25.0)(f), averaged("camera", 25.0)(f)
    for kind in ("lamp", "camera"):
        least, most = averaged(kind, 25.0, gap_percent=0.1, flash_hz=100.0)(f)
        assert np.all(least <= np.minimum(by_lamp[0], by_shutter[0]) + 0.01)
        assert np.all(most >= np.maximum(by_lamp[1], by_shutter[1]) - 0.01)
        assert 0.5 * (least + most) == pytest.approx(1 + (1 / np.sinc(f / 25) - 1) / 4, abs=0.02)


RATE_HZ = 30.0


def course(*lines: tuple[float, float], flutter_percent: float = 0.0) -> tuple[NDArray[np.float64], Any]:
    """Times and angle of lines (Hz, peak in percent), and of even random flutter (rms up to 15 Hz), at 45 rpm."""
    time = np.arange(1200) / RATE_HZ
    rng = np.random.default_rng(3)
    angle = 0.75 * time + rng.normal(0, 1e-7, time.size)
    for hz, peak in lines:
        angle = angle - 0.75 * peak / 100 * np.cos(2 * np.pi * hz * time) / (2 * np.pi * hz)
    return time, angle + np.cumsum(0.75 * flutter_percent / 100 * rng.standard_normal(time.size)) / RATE_HZ


def both(time: NDArray[np.float64], angle: NDArray[np.float64]) -> list[Any]:
    """The figures as they were read, and with what a frame may have swallowed put back."""
    told: dict[str, Any] = {"nominal_rpm": 45.0, "angle_noise_rev": 1e-7, "frame_interval_s": 1 / RATE_HZ}
    return [evaluate(time, angle, **told), evaluate(time, angle, **told, averaging=averaged("lamp", RATE_HZ))]


def test_each_figure_is_put_back_by_its_own_frequencies() -> None:
    """A strong slow line says nothing of a weak fast one: flutter gets what its own line gets."""
    read, found = both(*course((0.75, 0.3), (12.0, 0.05)))
    least, most = averaged("lamp", RATE_HZ)(np.array([12.0]))
    factor, unsure = 0.5 * (least + most)[0], ((most - least) / (most + least))[0]
    fast = [component.peak_percent for figures in (read, found) for component in figures.components[1:2]]
    assert fast[1] / fast[0] == pytest.approx(factor, rel=1e-3)
    for before, after in zip(read.bands, found.bands, strict=True):
        # In squares, what the two lines have in each figure: 0.3 and 0.05 % by its own gain.
        slow, quick = (after.gain_of(np.array([hz]))[0] * peak for hz, peak in ((0.75, 0.3), (12.0, 0.05)))
        whole = math.sqrt((slow**2 + (factor * quick) ** 2) / (slow**2 + quick**2))
        assert after.spread.rms_percent / before.spread.rms_percent == pytest.approx(whole, rel=5e-3)
        if after.name == "flutter":
            assert after.averaged_share == pytest.approx(unsure, rel=0.01)
        if after.name == "wow":
            assert after.averaged_share < 1e-3
        assert before.averaged_share == 0


def test_what_no_line_explains_is_put_back_too() -> None:
    """Random flutter without any line: 6 to 14 Hz loses 7 to 31 % to a whole frame, so half of that is unsure."""
    read, found = both(*course(flutter_percent=0.1))
    assert not read.components
    before, after = (next(band for band in one.bands if band.name == "flutter") for one in (read, found))
    assert 1.07 < after.spread.rms_percent / before.spread.rms_percent < 1.25
    assert 0.07 < after.averaged_share < 0.25


def test_noise_is_not_put_back() -> None:
    """What may be noise as well as motion is told as before; the floor is the same in any case."""
    time = np.arange(1200) / RATE_HZ
    angle = 0.75 * time + np.random.default_rng(1).normal(0, 1.2e-6, time.size)
    told: dict[str, Any] = {"nominal_rpm": 45.0, "angle_noise_rev": 1e-6, "frame_interval_s": 1 / RATE_HZ}
    read, found = evaluate(time, angle, **told), evaluate(time, angle, **told, averaging=averaged("lamp", RATE_HZ))
    for before, after in zip(read.bands, found.bands, strict=True):
        assert after.spread.floor_percent == before.spread.floor_percent
        assert after.spread.rms_percent == pytest.approx(before.spread.rms_percent, rel=0.05)


@pytest.mark.parametrize("light", ["lamp alone", "even light"])
def test_a_clip_with_a_long_shutter_holds_the_truth(light: str, tmp_path: Path) -> None:
    """The strobe lamp alone, with an exposure of 0.93 of the frame; and even light with one in which 1.64 dots pass."""
    lamp = Lamp("pulse", FLASH_HZ, duty=0.1) if light == "lamp alone" else Lamp("steady", ambient=0.0)
    exposure_s, deviation, fast_hz = (0.031, 1.5, 12.6) if light == "lamp alone" else (1 / 61, 0.3, 9.0)
    slow, fast = 0.3, 0.2
    scene = Scene(
        rows=(DotRow(DOTS),),
        speed=Speed(100 / 3, deviation, wobbles=(Wobble(slow, frequency_hz=2.9), Wobble(fast, frequency_hz=fast_hz))),
        lamp=lamp,
        camera=Camera(width=640, height=360, exposure_s=exposure_s, noise=0.8),
        coding=Coding(bit_rate=12_000_000),
        seconds=10.0,
    )
    truth = render_clip(scene, tmp_path / "clip.mp4", rng=np.random.default_rng(1))
    told = "mains" if light == "lamp alone" else "steady"
    measured = strobe.measure(tmp_path / "clip.mp4", rpm=33, dots=DOTS, mains=50, lamp=told)
    line = min(measured.components, key=lambda one: abs(one.frequency_hz - fast_hz))
    assert abs(line.peak_percent - fast) < line.uncertainty_percent
    found = measured.fluctuation
    for kind in ("weighted", "unweighted"):
        error = getattr(found, f"{kind}_rms_percent") - getattr(truth, f"{kind}_rms_percent")
        assert abs(error) < getattr(found, f"{kind}_rms_uncertainty_percent")
    for part in found.parts:
        inside = [peak for hz, peak in ((2.9, slow), (fast_hz, fast)) if part.band_hz[0] < hz < part.band_hz[1]]
        true = math.sqrt(sum(peak**2 for peak in inside) / 2)
        assert abs(part.rms_percent - true) < part.rms_uncertainty_percent
