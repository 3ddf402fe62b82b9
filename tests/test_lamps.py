"""Frames that show the flicker of both mains alike: which of them it may be, against flicker of a known rate."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import strobe
from strobe.errors import Refused
from strobe.measuring.assembly import setup_of
from strobe.measuring.clock import CameraClock
from strobe.measuring.lamps import lamps_of
from strobe.measuring.options import Told
from strobe.pattern import PatternReading, RowSeries
from strobe.pattern.camera import CameraCourse
from strobe.pattern.impression import Impression
from strobe.phase import fit_time_base, measure_flash_rate
from strobe.render import Camera, DotRow, Lamp, Scene, Speed, Wobble, render_clip

ROWS, READOUT_S, SECONDS = 48, 0.02, 12.0
NEAR_HZ = 0.01
"""Five times the uncertainty of the slowest creep here."""

Reals = NDArray[np.float64]


def light_of(time_s: Reals, rate_hz: float, *, readout_s: float = READOUT_S) -> Reals:
    """Brightness (frames, picture rows) under soft flashes."""
    cycles = rate_hz * (time_s[:, None] + readout_s * (np.arange(ROWS) + 0.5) / ROWS)
    noise = 0.002 * np.random.default_rng(1).standard_normal(cycles.shape)
    wave = 0.2 * np.cos(2 * np.pi * cycles) + 0.03 * np.cos(4 * np.pi * cycles + 0.4)
    return np.asarray(90 * (1 + wave + noise), np.float64)


def frames_at(fps: float, seconds: float = SECONDS) -> Reals:
    return np.arange(round(seconds * fps)) / fps


def pattern_of(time_s: Reals, brightness: Reals, *rows: RowSeries, sweep_known: bool = True) -> PatternReading:
    course = CameraCourse.unseen(time_s.size)
    look = Impression(90.0, 0.0, 1.0, False, 0.0)
    return PatternReading(time_s, rows, brightness, sweep_known, course, False, "luma", look)


@pytest.mark.parametrize(
    ("fps", "rate_hz", "bands_known", "alike_hz"),
    [
        # Multiples of 20 frames a second apart.
        (20.0, 120.25, True, {100.25, 120.25}),
        (20.0, 99.9, True, {99.9, 119.9}),
        (20.4, 100.03, True, {100.03, 120.43}),
        (10.0, 120.1, True, {100.1, 120.1}),
        # Bands that creep by less than two cycles.
        (20.0, 120.05, True, {100.05, 120.05}),
        # Together ten of 22 frames a second: as the bands run, where that is known.
        (22.0, 120.03, True, {120.03}),
        (22.0, 120.03, False, {99.97, 120.03}),
        (27.5, 100.03, True, {100.03}),
        # Usual rates show them apart.
        (30.0, 100.03, True, {100.03}),
        (25.0, 120.07, True, {120.07}),
    ],
)
def test_all_candidates_that_show_alike_are_given(
    fps: float, rate_hz: float, bands_known: bool, alike_hz: set[float]
) -> None:
    time_s = frames_at(fps)
    for candidates in ((100.0, 120.0), (120.0, 100.0)):
        seen = measure_flash_rate(light_of(time_s, rate_hz), time_s, candidates, downward=bands_known)
        assert seen is not None
        found = [seen, *seen.rivals]
        assert sorted(one.rate_hz for one in found) == pytest.approx(sorted(alike_hz), abs=NEAR_HZ)
        assert all(abs(one.rate_hz / one.candidate_hz - 1) < 0.01 for one in found)
        # Each rate has the phase of its own, which the frames see as one.
        turned = [np.exp(2j * np.pi * one.phase_cycles(time_s)) * one.flicker_at(0.5) for one in found]
        for one in turned[1:]:
            mirrored = min(np.abs(one - turned[0]).max(), np.abs(one.conj() - turned[0]).max())
            assert mirrored < 0.05 * np.abs(turned[0]).max()


def test_uneven_frames_tell_which_it_is() -> None:
    """By 4 ms to and fro the flashes of either mains seem early or late by 0.08 cycles at the other's rate."""
    even_s = frames_at(20.0)
    time_s = even_s + 0.004 * np.random.default_rng(2).uniform(-1, 1, even_s.size)
    for rate_hz in (100.25, 120.25):
        seen = measure_flash_rate(light_of(time_s, rate_hz), time_s, (100.0, 120.0))
        assert seen is not None
        assert seen.rate_hz == pytest.approx(rate_hz, abs=NEAR_HZ)
        assert seen.rivals == ()


@pytest.mark.parametrize(("told_hz", "rates_hz"), [(None, [100.25, 120.25]), (50.0, [100.25]), (60.0, [120.25])])
def test_a_mains_that_is_not_shown_is_open_unless_it_is_told(told_hz: float | None, rates_hz: list[float]) -> None:
    time_s = frames_at(20.0)
    pattern = pattern_of(time_s, light_of(time_s, 120.25))
    lamps = sorted(lamps_of(pattern, (), fit_time_base(time_s), told_hz, "mains"), key=lambda lamp: lamp.mains_hz or 0)
    assert [lamp.rate_hz for lamp in lamps] == pytest.approx(rates_hz, abs=NEAR_HZ)
    for lamp in lamps:
        assert lamp.source == "measured"
        assert lamp.mains_open == (told_hz is None)
        assert lamp.nominal_hz == 20 * round((lamp.rate_hz or 0) / 20)
        chosen: Any = SimpleNamespace(lamp=lamp, borne_out=True, nominal_rpm=100 / 3, dots=216)
        assumed = setup_of(chosen, Told(CameraClock(), mains_hz=told_hz)).assumed
        assert assumed == (("mains_hz",) if told_hz is None else ())


def test_a_mains_farther_off_than_one_comes_gives_way_to_the_other() -> None:
    """119.5 flashes at 20.19 pictures a second, 0.42 % off, show as 99.31 do, 0.69 % off; 120.29 as 100.1 do."""
    time_s = frames_at(20.19)
    time = fit_time_base(time_s)
    either = lamps_of(pattern_of(time_s, light_of(time_s, 100.1)), (), time, None, "mains")
    assert {lamp.mains_hz for lamp in either} == {50.0, 60.0}
    pattern = pattern_of(time_s, light_of(time_s, 119.5))
    (lamp,) = lamps_of(pattern, (), time, None, "mains")
    assert lamp.mains_hz == 60.0
    assert not lamp.mains_open
    with pytest.raises(Refused, match=r"119\.5 times a second, which a mains of 50 Hz does not make"):
        lamps_of(pattern, (), time, 50.0, "mains")


def test_of_dots_that_alone_are_lit_both_are_given() -> None:
    """Without bands 22 pictures a second show 99.97 as 120.03."""
    time_s = frames_at(22.0)
    size = 1 + 0.3 * np.cos(2 * np.pi * 120.03 * time_s)
    noise = 0.004 * np.random.default_rng(3).standard_normal(time_s.size)
    dots = size * np.exp(2j * np.pi * 0.8 * time_s) + noise
    row = RowSeries(0.5, 0.5, 0.0, 14.0, 13.0, 40.0, 0.4, 60.0, dots[:, None].repeat(4, 1).astype(np.complex64))
    pattern = pattern_of(time_s, np.full((time_s.size, 8), 90.0), row)
    lamps = lamps_of(pattern, (row,), fit_time_base(time_s), None, "mains")
    assert sorted(lamp.rate_hz or 0 for lamp in lamps) == pytest.approx([99.97, 120.03], abs=NEAR_HZ)
    for lamp in lamps:
        assert lamp.mains_open
        assert lamp.flash is not None
        assert lamp.flash.second >= 0.5


@pytest.mark.parametrize(("swing_hz", "kinds"), [(6.0, {"mains"}), (6.3, {"dimmed"}), (9.1, {"dimmed"})])
def test_large_dots_that_come_into_the_picture_are_no_dimmed_lamp(swing_hz: float, kinds: set[str]) -> None:
    """A close-up: bins that dots come into and leave swing with those, six times a second here."""
    time_s = frames_at(60.0)
    dots = np.exp(2j * np.pi * 6.0 * time_s) + 0.004 * np.random.default_rng(3).standard_normal(time_s.size)
    row = RowSeries(0.5, 0.5, 0.0, 56.0, 55.0, 40.0, 0.4, 16.0, dots[:, None].repeat(4, 1).astype(np.complex64))
    swing = 1 + 0.02 * np.cos(2 * np.pi * swing_hz * time_s[:, None] + np.linspace(0, 0.5, 8))
    noise = 0.001 * np.random.default_rng(4).standard_normal(swing.shape)
    pattern = pattern_of(time_s, 90.0 * (swing + noise), row)
    assert {lamp.kind for lamp in lamps_of(pattern, (row,), fit_time_base(time_s), 60.0, "mains")} == kinds


def test_the_region_tells_which_mains_where_the_frames_show_both_alike(tmp_path: Path) -> None:
    scene = Scene(
        rows=(DotRow(216, uneven_place=0.001, uneven_brightness=0.015, dust_specks=0),),
        speed=Speed(100 / 3, 2.0, (Wobble(0.1, per_revolution=1.0),)),
        lamp=Lamp("half-sine", 120.25),
        camera=Camera(width=640, height=360, frame_rate_hz=20.0, exposure_s=0.002),
        seconds=10.0,
    )
    clip = tmp_path / "alike.mp4"
    render_clip(scene, clip, rng=np.random.default_rng(4))
    measured = strobe.measure(clip, rpm=33, mains_default=60)
    assert (measured.setup.dots, measured.setup.mains_hz) == (216, 60.0)
    assert abs(measured.speed.deviation_percent - 2.0) < measured.speed.uncertainty_percent
    with pytest.raises(Refused, match="ambiguous"):
        strobe.measure(clip, rpm=33)
