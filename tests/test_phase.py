"""The phase layer on series that are known in closed form: time base, lamp, lines and turns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import periodogram

from strobe.errors import Refused
from strobe.measuring.rows import CLEAR_SUPPORT
from strobe.phase import (
    CoarseLine,
    FlashRate,
    LineReading,
    TimeBase,
    TurnSignature,
    combine_blocks,
    find_line,
    find_travel,
    find_turns,
    fit_time_base,
    measure_flash_rate,
    part_lines,
    read_line,
)
from strobe.phase.waves import distinct_waves

NTSC = 30000 / 1001
PICTURE_ROWS = 48
PPM = 1e-6

Reals = NDArray[np.float64]
Phasors = NDArray[np.complex128]


class TestTimeBase:
    @staticmethod
    def stamps(
        rate_hz: float, *, seconds: float = 10.0, grid_s: float = 0.0, drops: int = 0, seed: int = 0
    ) -> tuple[Reals, NDArray[np.int_]]:
        """Stamps from zero, rounded to a grid from a random start, and the true places of the frames."""
        rng = np.random.default_rng(seed)
        places = np.arange(round(seconds * rate_hz) + 1)
        gone = rng.choice(places[1:-1], drops, replace=False)
        places = np.setdiff1d(places, gone)
        stamp = places / rate_hz + rng.uniform()
        if grid_s:
            stamp = np.round(stamp / grid_s) * grid_s
        return stamp - stamp[0], places

    @pytest.mark.parametrize("rate", [24.0, NTSC, 30.0, 60.0])
    def test_exact_stamps_are_kept(self, rate: float) -> None:
        stamp, places = self.stamps(rate, drops=5)
        base = fit_time_base(stamp)
        assert base.kind == "exact"
        assert base.dropped == 5
        assert base.interval_uncertainty == base.noise_s == 0
        np.testing.assert_array_equal(base.index, places)
        np.testing.assert_allclose(base.time_s, stamp, atol=1e-9)
        assert base.interval_s * rate == pytest.approx(1, abs=1e-9)
        assert base.duration_s == pytest.approx(stamp[-1])

    @pytest.mark.parametrize("seed", range(5))
    @pytest.mark.parametrize("grid_s", [1 / 1000, 1 / 600])
    @pytest.mark.parametrize("rate", [NTSC, 30.0])
    def test_rounded_stamps_with_drops(self, rate: float, grid_s: float, seed: int) -> None:
        """Mean interval within 2 ppm over 10 s, and every frame within 20 us of its place on the cadence."""
        stamp, places = self.stamps(rate, grid_s=grid_s, drops=3 * seed, seed=seed)
        base = fit_time_base(stamp)
        np.testing.assert_array_equal(base.index, places)
        assert base.dropped == 3 * seed
        assert base.kind in ("cadence", "exact")
        assert base.grid_s == pytest.approx(grid_s)
        assert abs(base.interval_s * rate - 1) < 2 * PPM
        course = base.time_s - base.time_s[0] - (places - places[0]) / rate
        assert np.max(np.abs(course)) < 20e-6
        np.testing.assert_array_equal(base.stamp_s, stamp)

    @pytest.mark.parametrize("rate", [NTSC * (1 - 20 * PPM), 59.94, 30 * (1 + 40 * PPM), 24 * (1 + 9 * PPM)])
    @pytest.mark.parametrize("grid_s", [1 / 1000, 1 / 90000])
    def test_the_uncertainty_that_rounding_leaves_holds(self, rate: float, grid_s: float) -> None:
        """No error beyond the whole range that rounding allows (1.73 sigma of a rectangle)."""
        for seed in range(8):
            base = fit_time_base(self.stamps(rate, grid_s=grid_s, drops=4, seed=seed)[0])
            assert base.kind == "cadence"
            assert abs(base.interval_s * rate - 1) < 1.8 * base.interval_uncertainty
            assert base.interval_uncertainty < grid_s / 10

    @pytest.mark.parametrize(
        "rate", [24000 / 1001, NTSC, 30 * (1 + 40 * PPM), 59.94, 120.0, 239.76, 240 * (1 + 10 * PPM)]
    )
    @pytest.mark.parametrize("unit_s", [1 / 1000, 1 / 600, 1 / 15360, 1 / 90000])
    def test_any_rate_under_any_unit(self, rate: float, unit_s: float) -> None:
        """Every frame lies within the unit of its true place, and the stated 95 % half-width holds."""
        for seed in range(4):
            stamp, places = self.stamps(rate, grid_s=unit_s, drops=3, seed=seed)
            base = fit_time_base(stamp, grid_s=unit_s)
            assert base.kind in ("exact", "cadence")
            np.testing.assert_array_equal(base.index, places)
            assert abs(base.interval_s * rate - 1) < 2 * base.interval_uncertainty + 1e-9
            course = base.time_s - base.time_s[0] - places / rate
            assert np.max(np.abs(course)) < unit_s

    def test_stamps_that_look_exact_are_only_as_good_as_their_unit(self) -> None:
        # Over 10 s, a thousandth of a second either way is a tenth of a part in a thousand (rectangle: 1 / sqrt 3).
        base = fit_time_base(self.stamps(25.0, grid_s=1 / 1000)[0], grid_s=1 / 1000)
        assert base.kind == "exact"
        assert base.interval_uncertainty == pytest.approx(1e-4 / np.sqrt(3), rel=0.02)

    @pytest.mark.parametrize("jitter_s", [6e-5, 1e-3, 3e-3])
    def test_the_cadence_is_fitted_under_jitter(self, jitter_s: float) -> None:
        held = []
        for seed in range(12):
            stamp, places = self.stamps(30.0, drops=5, seed=seed)
            uneven = stamp + jitter_s * np.random.default_rng(seed).standard_normal(stamp.size)
            base = fit_time_base(uneven)
            assert base.kind == "cadence"
            np.testing.assert_array_equal(base.index, places)
            np.testing.assert_allclose(np.diff(base.time_s), np.diff(places) * base.interval_s)
            assert base.noise_s == pytest.approx(jitter_s, rel=0.15)
            held.append(abs(base.interval_s * 30 - 1) < 2 * base.interval_uncertainty)
            # Variance of a slope, 12 s^2 / (T^2 N (N^2 - 1)): least squares.
            sigma = jitter_s * np.sqrt(12) * 30 / stamp.size**1.5
            assert base.interval_uncertainty == pytest.approx(sigma, rel=0.15)
        assert np.mean(held) >= 0.9
        np.testing.assert_allclose(base.on_stamps().time_s, uneven, atol=1e-12)

    def test_pictures_that_are_late_by_chance_are_not_counted_twice(self) -> None:
        rng = np.random.default_rng(3)
        true = np.arange(600) / 30
        base = fit_time_base(true + rng.exponential(0.003, true.size))
        assert base.dropped == 0
        assert abs(base.interval_s * 30 - 1) < 3 * base.interval_uncertainty

    @pytest.mark.parametrize("unit_s", [0.0, 1 / 90000, 1 / 1000, 1 / 600])
    @pytest.mark.parametrize("jitter_s", [0.0, 5e-4])
    def test_true_changes_of_rate_are_kept(self, unit_s: float, jitter_s: float) -> None:
        rng = np.random.default_rng(5)
        step = np.concatenate([np.full(150, 1 / 30), np.full(80, 1 / 24), np.full(90, 1 / 20), np.full(120, 1 / 30)])
        true = np.concatenate([[0.0], np.cumsum(step)]) + 0.4321
        kept = np.setdiff1d(np.arange(true.size), [40, 41, 260, 350])
        stamp = true[kept] + jitter_s * rng.standard_normal(kept.size)
        if unit_s:
            stamp = np.round(stamp / unit_s) * unit_s
        base = fit_time_base(stamp, grid_s=unit_s)
        assert base.kind == "pieces"
        np.testing.assert_allclose(base.rates_hz, [30, 24, 20, 30], rtol=2e-3)
        assert base.dropped == 4
        assert base.interval_s == pytest.approx(1 / 30, rel=1e-3)
        assert np.all(np.diff(base.index) >= 1)
        course = base.time_s - true[kept]
        assert np.ptp(course) < 1.1 * unit_s + 2 * jitter_s + 1e-6
        assert abs(base.duration_s / (true[-1] - true[0]) - 1) < 3 * base.interval_uncertainty + 1e-9

    def test_random_intervals_are_taken_as_they_are(self) -> None:
        rng = np.random.default_rng(1)
        stamp = np.cumsum(rng.uniform(0.02, 0.06, 400))
        base = fit_time_base(stamp)
        assert base.kind == "stamps"
        np.testing.assert_allclose(base.time_s, stamp)
        even = base.on_cadence()
        assert even.kind == "cadence"
        np.testing.assert_allclose(np.diff(even.time_s), np.diff(base.index) * even.interval_s)

    @pytest.mark.parametrize("unit_s", [0.0, 1 / 90000])
    @pytest.mark.parametrize("wander_s", [6e-5, 4e-4])
    def test_frames_that_wander_are_taken_as_they_are(self, wander_s: float, unit_s: float) -> None:
        """Each interval is off by a chance of its own, and no stamp: they walk to some milliseconds off any cadence."""
        for seed in range(6):
            rng = np.random.default_rng(seed)
            true = np.cumsum(1 / 30 + wander_s * rng.standard_normal(354))
            kept = np.setdiff1d(np.arange(true.size), [35, 68, 113])
            stamp = np.round(true[kept] / unit_s) * unit_s if unit_s else true[kept]
            base = fit_time_base(stamp, grid_s=unit_s)
            assert base.kind == "stamps"
            assert (base.dropped, base.mended) == (3, 0)
            np.testing.assert_array_equal(base.time_s, stamp)

    FAULTS: ClassVar[dict[str, tuple[Callable[[Reals], None], int]]] = {
        # What is done to 600 stamps at NTSC rate, and how many of them then can't be right.
        "one far ahead": (lambda s: s.__setitem__(200, s[200] + 0.5), 1),
        "one behind": (lambda s: s.__setitem__(200, s[200] - 0.3), 1),
        "one half a frame late": (lambda s: s.__setitem__(200, s[200] + 0.017), 1),
        "one repeated": (lambda s: s.__setitem__(200, s[199]), 1),
        "two exchanged": (lambda s: s.__setitem__(slice(200, 202), s[[201, 200]]), 2),
        "three backwards": (lambda s: s.__setitem__(slice(200, 203), s[[202, 201, 200]]), 2),
        "the first one late": (lambda s: s.__setitem__(0, s[0] + 0.02), 1),
        "many": (lambda s: s.__setitem__(slice(50, 550, 25), s[50:550:25] + 0.2), 20),
    }

    @pytest.mark.parametrize("fault", FAULTS)
    @pytest.mark.parametrize("unit_s", [1 / 90000, 1 / 1000])
    def test_stamps_that_can_not_be_right_follow_from_the_count(self, fault: str, unit_s: float) -> None:
        true = np.arange(600) / NTSC + 0.3
        stamp = np.round(true / unit_s) * unit_s
        spoil, wrong = self.FAULTS[fault]
        spoil(stamp)
        base = fit_time_base(stamp, grid_s=unit_s)
        assert base.mended == wrong
        assert (base.breaks, base.left_out, base.dropped) == (0, 0, 0)
        np.testing.assert_array_equal(base.used, np.arange(600))
        assert np.ptp(base.time_s - true) < 30e-6
        assert abs(base.interval_s * NTSC - 1) < 2 * PPM

    @pytest.mark.parametrize("jump_s", [-1.0, -1 / NTSC, -2 / NTSC, 0.06, 0.6, 5.0])
    def test_only_the_longer_part_is_used_where_the_clock_was_set(self, jump_s: float) -> None:
        true = np.arange(600) / NTSC + 0.3
        stamp = np.round(true * 90000) / 90000
        stamp[240:] += jump_s
        base = fit_time_base(stamp, grid_s=1 / 90000)
        assert base.breaks == 1
        np.testing.assert_array_equal(base.used, np.arange(240, 600))
        assert np.ptp(base.time_s - true[240:]) < 30e-6

    def test_a_long_gap_is_a_break_and_a_short_one_is_not(self) -> None:
        true = np.arange(600) / 30
        short = fit_time_base(np.delete(true, slice(200, 210)))
        assert (short.breaks, short.dropped, short.used.size) == (0, 10, 590)
        long = fit_time_base(np.delete(true, slice(200, 230)))
        assert (long.breaks, long.dropped, long.used.size) == (1, 0, 370)

    @pytest.mark.parametrize("fault", ["all alike", "backwards", "shuffled", "set back every second"])
    def test_stamps_from_which_nothing_follows(self, fault: str) -> None:
        stamp = np.arange(300) / 30
        if fault == "all alike":
            stamp = np.zeros(300)
        elif fault == "backwards":
            stamp = stamp[::-1]
        elif fault == "shuffled":
            stamp = np.random.default_rng(2).permutation(stamp)
        else:
            stamp = stamp % 1.0
        with pytest.raises(Refused, match="bad-timing: The time stamps of the frames") as refusal:
            fit_time_base(stamp)
        assert "original file" in refusal.value.advice

    def test_repeated_pictures_are_left_out_and_are_no_drops(self) -> None:
        stamp, _ = self.stamps(30.0)
        repeats = np.zeros(stamp.size, bool)
        repeats[[50, 120, 121]] = True
        base = fit_time_base(stamp, repeats=repeats)
        assert base.dropped == 0
        np.testing.assert_array_equal(base.used, np.flatnonzero(~repeats))
        np.testing.assert_array_equal(base.index, base.used)
        extra = np.insert(stamp, 81, stamp[80] + 0.01)
        marked = np.zeros(extra.size, bool)
        marked[81] = True
        base = fit_time_base(extra, repeats=marked)
        assert (base.kind, base.dropped, base.used.size) == ("exact", 0, stamp.size)
        np.testing.assert_allclose(base.time_s, stamp, atol=1e-9)

    def test_times_set_right_by_the_lamp(self) -> None:
        base = fit_time_base(self.stamps(30.0)[0])
        later = np.linspace(0, 1e-3, base.time_s.size)
        moved = base.shifted(later)
        assert moved.kind == "lamp"
        np.testing.assert_allclose(moved.time_s, base.time_s + later)

    @pytest.mark.parametrize("stamp", [[0.0, 0.1], [0.0, 0.1, np.nan], [0.0, 0.1, np.inf]])
    def test_stamps_that_are_no_times(self, stamp: list[float]) -> None:
        with pytest.raises(ValueError, match="finite, and at least three"):
            fit_time_base(np.array(stamp))


def wave_of(kind: str, *, modulation: float = 0.1) -> Reals:
    """Fourier amplitudes of lamp light of mean 1 at its first twelve harmonics, crest at phase zero."""
    h = np.arange(1, 13)
    if kind == "half-sine":
        return (-1.0) ** (h + 1) * 2 / (4 * h * h - 1)
    return 2 * np.sinc(0.1 * h) if kind == "pulse" else np.where(h == 1, modulation, 0.0)


def brightness_of(
    time_s: Reals,
    rate_hz: float,
    rng: np.random.Generator,
    *,
    kind: str = "half-sine",
    modulation: float = 0.1,
    exposure_s: float = 0.002,
    readout_s: float = 0.018,
    phase: float = 0.3,
    wander: Callable[[Reals], Reals] = np.zeros_like,
    noise: float = 0.002,
    drift: float = 0.02,
) -> Reals:
    """Brightness (frames, picture rows) behind a rolling shutter, integrated over the exposure harmonic by harmonic.

    `drift` is how much the camera's own exposure changes over the clip, `noise` relative to the mean.
    """
    place = (np.arange(PICTURE_ROWS) + 0.5) / PICTURE_ROWS
    middle = time_s[:, None] + readout_s * place[None, :] + exposure_s / 2
    cycles = rate_hz * middle + phase + wander(middle)
    light = np.ones_like(cycles)
    for h, strength in enumerate(wave_of(kind, modulation=modulation) / 1.3, start=1):
        light += strength * np.sinc(h * rate_hz * exposure_s) * np.cos(2 * np.pi * h * cycles)
    u = np.linspace(-1, 1, time_s.size)
    light *= (1 + drift * u + drift * u**2 / 2)[:, None]
    return (light + noise * rng.standard_normal(light.shape)) * (60 + 20 * np.sin(6 * place))


def ppm(flash: FlashRate | None, rate_hz: float) -> float:
    assert flash is not None
    return (flash.rate_hz / rate_hz - 1) / PPM


class TestFlashRate:
    @pytest.mark.parametrize(
        ("nominal", "frame_rate"),
        [(100.0, NTSC), (100.0, 30.0), (100.0, 60.0), (100.0, 24.0), (120.0, 25.0), (120.0, 50.0)],
    )
    @pytest.mark.parametrize("kind", ["half-sine", "pulse", "sine"])
    def test_ten_seconds_give_ten_ppm(self, kind: str, nominal: float, frame_rate: float) -> None:
        rng = np.random.default_rng(1)
        time = np.arange(round(10 * frame_rate)) / frame_rate
        rate = nominal * (1 + 270 * PPM)
        exposure_s = 0.012 if kind == "pulse" else 0.002  # dots in every frame need a flash in every exposure
        light = brightness_of(time, rate, rng, kind=kind, exposure_s=exposure_s)
        seen = measure_flash_rate(light, time, (100.0, 120.0))
        assert abs(ppm(seen, rate)) < 10
        assert seen is not None
        assert seen.candidate_hz == nominal
        assert seen.uncertainty_hz < 30 * PPM * nominal
        np.testing.assert_allclose(seen.phase_cycles(time) - seen.phase_cycles(time)[0], rate * time, atol=0.03)

    @pytest.mark.parametrize(
        ("nominal", "frame_rate", "offset"),
        [(120.0, NTSC, 270 * PPM), (100.0, 25.0, 1500 * PPM), (100.0, 50.0, -2500 * PPM), (120.0, 60.0, 1500 * PPM)],
    )
    def test_slow_folds(self, nominal: float, frame_rate: float, offset: float) -> None:
        """The flicker beats at 0.1 to 0.3 Hz; the direction of the bands tells on which side of the fold it is."""
        rng = np.random.default_rng(2)
        time = np.arange(round(10 * frame_rate)) / frame_rate
        rate = nominal * (1 + offset)
        seen = measure_flash_rate(brightness_of(time, rate, rng, readout_s=0.02), time, (nominal,))
        assert abs(ppm(seen, rate)) < 10

    @pytest.mark.parametrize("seconds", [6.0, 9.0, 12.0])
    @pytest.mark.parametrize("rate", [99.97, 99.99, 100.0113, 100.03])
    def test_flashes_whose_harmonics_fold_onto_each_other(self, rate: float, seconds: float) -> None:
        """At 30.000 frames a second the first, second and fourth of 100 Hz all stand beside 10 Hz."""
        time = np.arange(round(seconds * 30)) / 30
        for readout_s in (0.018, 0.022, 0.028):
            rng = np.random.default_rng(round(rate * 1e4) + round(readout_s * 1e4))
            light = brightness_of(time, rate, rng, kind="pulse", exposure_s=0.012, readout_s=readout_s)
            seen = measure_flash_rate(light, time, (100.0, 120.0))
            assert seen is not None
            assert abs(seen.rate_hz - rate) < 2 * seen.uncertainty_hz

    def test_modulation_and_phase_at_a_height(self) -> None:
        rng = np.random.default_rng(3)
        time = np.arange(300) / 30
        seen = measure_flash_rate(
            brightness_of(time, 100.03, rng, kind="sine", modulation=0.13, phase=0.3), time, (100.0,)
        )
        assert seen is not None
        assert seen.modulation == pytest.approx(0.1 * np.sinc(0.2), rel=0.03)
        assert seen.second < 0.03
        for height in (0.1, 0.5, 0.9):
            flicker = seen.flicker_at(height) * np.exp(2j * np.pi * seen.phase_cycles(time)[0])
            true = 100.03 * (0.018 * height + 0.001) + 0.3
            assert np.angle(flicker * np.exp(-2j * np.pi * true)) / (2 * np.pi) == pytest.approx(0, abs=0.02)

    @pytest.mark.parametrize("kind", ["half-sine", "sine"])
    def test_wandering_mains(self, kind: str) -> None:
        """A tenth of a cycle to and fro over 20 s is followed to a hundredth."""
        rng = np.random.default_rng(4)
        time = np.arange(600) / 30

        def wander(at: Reals) -> Reals:
            return 0.1 * np.sin(2 * np.pi * at / 20 + 0.4)

        seen = measure_flash_rate(brightness_of(time, 99.98, rng, kind=kind, wander=wander), time, (100.0, 120.0))
        assert seen is not None
        true = 99.98 * time + wander(time + 0.01)
        error = seen.phase_cycles(time) - true
        assert np.ptp(wander(time)) > 0.19
        assert np.std(error) < 0.012
        assert abs(ppm(seen, float(np.polyfit(time, true, 1)[0]))) < 10

    @pytest.mark.parametrize(
        ("kind", "frame_rate", "noise", "bend", "clear"),
        [
            ("pulse", 24.0, 0.02, 0.017, False),
            ("half-sine", NTSC, 0.03, 0.016, False),
            ("half-sine", 30.0, 0.013, 0.026, True),
            ("sine", 24.0, 0.003, 0.02, True),
        ],
    )
    def test_a_bend_of_the_mains_is_followed_or_in_the_bounds(
        self, kind: str, frame_rate: float, noise: float, bend: float, clear: bool
    ) -> None:
        """Four sigmas may be hidden where none was clear; what was clear is good to two."""
        time = np.arange(round(15 * frame_rate)) / frame_rate
        since = 2 * time / time[-1] - 1

        def wander(at: Reals) -> Reals:
            return bend * ((2 * at / time[-1] - 1) ** 2 - 1 / 3)

        for seed in range(3):
            rng = np.random.default_rng(seed)
            light = brightness_of(time, 100.02, rng, kind=kind, exposure_s=0.006, wander=wander, noise=noise)
            seen = measure_flash_rate(light, time, (100.0, 120.0))
            assert seen is not None
            assert bool(np.any(seen.wander_cycles)) == clear
            left = abs(float(np.polyfit(since, seen.wander_cycles, 2)[0]) - bend)
            assert left < (2 if clear else 4) * seen.bend_error_cycles

    @pytest.mark.parametrize("seed", range(6))
    def test_nothing_that_flickers(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        time = np.arange(300) / (30.0, NTSC, 25.0)[seed % 3]
        steady = brightness_of(time, 100.0, rng, kind="sine", modulation=0.0, drift=0.0)
        drifting = brightness_of(time, 100.0, rng, kind="sine", modulation=0.0, drift=0.2)
        hunting = steady * (1 + 0.1 * np.sin(2 * np.pi * 0.13 * time + seed))[:, None]
        noise = 60 * (1 + 0.1 * rng.standard_normal((time.size, PICTURE_ROWS)))
        for brightness in (steady, drifting, hunting, noise):
            assert measure_flash_rate(brightness, time, (100.0, 120.0)) is None

    def test_too_dark_or_too_short(self) -> None:
        rng = np.random.default_rng(5)
        time = np.arange(300) / 30
        flicker = brightness_of(time, 100.03, rng)
        assert measure_flash_rate(flicker, time, (100.0,)) is not None
        assert measure_flash_rate(flicker / 20, time, (100.0,)) is None
        assert measure_flash_rate(flicker[:25], time[:25], (100.0,)) is None

    def test_flicker_that_stands_still_is_not_measured(self) -> None:
        time = np.arange(300) / 30
        for seed in range(4):
            rng = np.random.default_rng(seed)
            assert measure_flash_rate(brightness_of(time, 120.0, rng), time, (120.0,)) is None

    @pytest.mark.parametrize("first", [0.0005, 0.2])
    def test_a_slow_flicker_is_no_second_harmonic_without_a_first(self, first: float) -> None:
        """Twice 119.86 flashes fold to 0.28 Hz in 240 pictures a second, and so may much else."""
        time = np.arange(600) / 240
        at = time[:, None] + 0.0023 * (np.arange(PICTURE_ROWS) + 0.5) / PICTURE_ROWS
        noise = 1e-4 * np.random.default_rng(7).standard_normal((600, PICTURE_ROWS))
        light = 1 + first * np.cos(2 * np.pi * 119.86 * at) + 0.25 * np.cos(4 * np.pi * 119.86 * at)
        assert (measure_flash_rate(60 * light + 60 * noise, time, (100.0, 120.0)) is None) == (first < 0.01)

    @pytest.mark.parametrize("seed", range(6))
    def test_creeping_bands(self, seed: int) -> None:
        """120.02 flashes at 30 frames a second: within three times its stated uncertainty."""
        rng = np.random.default_rng(seed)
        time = np.arange(450) / 30
        readout_s, phase = rng.uniform(0.015, 0.03), rng.uniform()
        seen = measure_flash_rate(
            brightness_of(time, 120.02, rng, readout_s=readout_s, phase=phase, drift=0.0), time, (120.0,)
        )
        assert seen is not None
        assert abs(seen.rate_hz - 120.02) < 3 * seen.uncertainty_hz

    @pytest.mark.parametrize("dropped", [0, 1, 9])
    def test_creeping_bands_of_a_clip_with_frames_missing(self, dropped: int) -> None:
        """Their rate is counted from a multiple of the cadence, which a missing frame does not change."""
        rng = np.random.default_rng(3)
        time = np.delete(np.arange(225), rng.choice(np.arange(1, 224), dropped, replace=False)) / 25
        seen = measure_flash_rate(brightness_of(time, 100.06, rng, readout_s=0.02, drift=0.0), time, (100.0, 120.0))
        assert seen is not None
        assert abs(seen.rate_hz - 100.06) < 3 * seen.uncertainty_hz

    @pytest.mark.parametrize("off_hz", [0.06, 0.10, 0.13, -0.08])
    @pytest.mark.parametrize("phase", [0.12, 0.4, 0.62, 0.9])
    def test_half_a_band_down_the_picture_tells_a_creep_rightly_or_not_at_all(
        self, off_hz: float, phase: float
    ) -> None:
        """A shutter of 4.3 ms reads half a band at 120 pictures a second: the rows walk a line, which is no arc."""
        rng = np.random.default_rng(4)
        time = np.arange(720) / 120
        light = brightness_of(
            time, 120 + off_hz, rng, exposure_s=0.0044, readout_s=0.00427, phase=phase, noise=0.004, drift=0.0
        )
        seen = measure_flash_rate(light, time, (120.0,))
        assert seen is None or abs(seen.rate_hz - 120 - off_hz) < 3 * seen.uncertainty_hz

    @pytest.mark.parametrize("seed", [*range(16), 65, 68, 143, 196, 231])
    def test_never_far_off(self, seed: int) -> None:
        """Whatever the lamp, the shutter and the light: no error beyond five stated uncertainties and 20 ppm.

        The last five are the worst of 260.
        """
        rng = np.random.default_rng(1000 + seed)
        kind = str(rng.choice(["half-sine", "pulse", "sine"]))
        nominal = float(rng.choice([100.0, 120.0]))
        frame_rate = float(rng.choice([24, 25, NTSC, 30, 60, 2 * NTSC])) * (1 + rng.normal(0, 3e-5))
        rate = nominal * (1 + rng.normal(0, 4e-4))
        time = np.arange(round(rng.choice([5, 10, 20]) * frame_rate)) / frame_rate
        exposure_s, readout_s = rng.uniform(0.0005, 0.005), rng.uniform(0.008, 0.03)
        noise, modulation = 10 ** rng.uniform(-3.2, -2), rng.uniform(0.02, 0.2)
        place, size = rng.uniform(), float(rng.choice([0, 0, 0.02]))

        def wander(at: Reals) -> Reals:
            return size * np.sin(2 * np.pi * (0.7 * at / time[-1] + place))

        brightness = brightness_of(
            time,
            rate,
            rng=rng,
            kind=kind,
            modulation=modulation,
            exposure_s=exposure_s,
            readout_s=readout_s,
            phase=rng.uniform(),
            wander=wander,
            noise=noise,
            drift=rng.normal(0, 0.02),
        )
        seen = measure_flash_rate(brightness, time, (100.0, 120.0))
        if seen is not None:
            true = rate + float(np.polyfit(time, wander(time), 1)[0])
            assert abs(ppm(seen, true)) < 5 * seen.uncertainty_hz / true / PPM + 20

    @pytest.mark.parametrize("rate_hz", [60.0286, 59.9, 59.97])
    def test_up_and_down_from_frame_to_frame_the_bands_tell_the_way(self, rate_hz: float) -> None:
        """60 flashes in 23.976 pictures fold to near half of that, and so does what lies as far on its other side."""
        rng = np.random.default_rng(12)
        time = np.arange(240) / (24000 / 1001)
        seen = brightness_of(time, rate_hz, rng, kind="sine", modulation=0.2, exposure_s=0.002)
        flash = measure_flash_rate(seen, time, (100.0, 120.0), every_other=True)
        assert flash is not None
        assert flash.rate_hz == pytest.approx(2 * rate_hz, abs=0.01)
        assert flash.goes_with_sweep(True)

    def test_harmonics_that_fold_beside_the_first_do_not_stand_in_for_it(self) -> None:
        """100 and 200 flashes a second both show at 20 of 60 frames; of dots that alone are lit no bands tell more."""
        time = np.arange(600) / 60
        for seed in range(12):
            rng = np.random.default_rng(seed)
            cycles = 99.9555 * time + rng.uniform()
            course = 0.04 * np.interp(time, np.arange(0, 11, 0.5), rng.standard_normal(22))
            light = 1 + 0.34 * np.cos(2 * np.pi * cycles) + 0.03 * np.cos(4 * np.pi * cycles + rng.uniform(0, 6.28))
            seen = 100 * (light + course + 0.02 * rng.standard_normal(time.size))
            flash = measure_flash_rate(np.tile(seen[:, None], (1, 8)), time, (100.0, 120.0), downward=False)
            assert flash is not None
            assert flash.rate_hz == pytest.approx(99.9555, abs=0.004)


Wobbles = Sequence[tuple[float, float, float]]


def dots_at(time_s: Reals, rate_hz: float, wobbles: Wobbles) -> Reals:
    """Dots that have passed: an even rate and sinusoids of (frequency in Hz, dots, radians)."""
    swings = [size * np.sin(2 * np.pi * hz * time_s + start) for hz, size, start in wobbles]
    return np.asarray(rate_hz * time_s + sum(swings), np.float64)


def white(rng: np.random.Generator, count: int, sigma: float) -> Phasors:
    return np.asarray(sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count)), np.complex128)


def follow(
    kind: str,
    amplitude: Phasors,
    time_s: Reals,
    interval_s: float,
    lamp_cycles: Reals | None,
    *,
    flash: FlashRate | None = None,
    height: float = 0.5,
    expected_hz: float = 100.0,
    dimmed: bool = False,
) -> LineReading:
    coarse = find_line(
        amplitude,
        time_s,
        interval_s=interval_s,
        expected_hz=expected_hz,
        span=0.12,
        lamp_cycles=lamp_cycles if kind == "lamp" else None,
    )
    return read_line(
        amplitude,
        time_s,
        interval_s=interval_s,
        kind=kind,
        coarse=coarse,
        lamp_cycles=lamp_cycles,
        flash=flash,
        height=height,
        dimmed=dimmed,
    )


def exposed_to(light: Reals, moment: Reals, rate_hz: float, wobbles: Wobbles) -> Phasors:
    """Amplitude (frames,) of dots in the light at moments (frames, n) of each exposure, about one."""
    seen = (light * np.exp(2j * np.pi * dots_at(moment, rate_hz, wobbles))).mean(axis=1)
    return np.asarray(seen / np.abs(seen).mean(), np.complex128)


def moments(time_s: Reals, exposure_s: float) -> Reals:
    """Moments (frames, 400) of exposures that begin at these times."""
    return np.asarray(time_s[:, None] + (np.arange(400) + 0.5) / 400 * exposure_s)


def steady_flicker(rate_hz: float, frames: int, *, second: float = 0.1, once: bool = False) -> FlashRate:
    """Flicker as it would be measured of a lamp whose third harmonic is half the second, the same in each row."""
    nothing = np.zeros(frames)
    nominal_hz = min((100.0, 120.0), key=lambda one: abs(one - rate_hz))
    rows = np.ones(8, complex)
    return FlashRate(rate_hz, 1e-3, nominal_hz, 0.5, second, second / 2, nothing, nothing, rows, once, once)


def scatter(left: Reals, time_s: Reals) -> float:
    """Standard deviation of what is left about a parabola."""
    return float(np.std(left - np.polynomial.Polynomial.fit(time_s, left, 2)(time_s)))


SEEN_AS: dict[str, tuple[str, float]] = {
    "lamp-timed": ("lamp", 0.0),
    "camera-timed": ("camera", 0.0),
    "camera-timed with the lamp's line beside it": ("camera", 0.45),
    "lamp-timed with the camera's line beside it": ("lamp", 0.45),
    "camera-timed with a faint line beside it": ("camera", 0.05),
}
"""Kind of the stronger line, and the strength of the other one relative to it."""
NOTCH_HZ = 0.5


class TestLines:
    @pytest.mark.parametrize("seed", range(3))
    @pytest.mark.parametrize(("frame_rate", "drops"), [(NTSC, 0), (30.0, 9), (60.0, 0)])
    @pytest.mark.parametrize("seen_as", SEEN_AS)
    def test_rate_wobble_and_swing(self, seen_as: str, frame_rate: float, drops: int, seed: int) -> None:
        """``C = exp(2 i pi N theta) G(lamp phase)``: rate to 2e-6, wobble to 2 % up to 0.4 of the frame rate.

        Not held to that: wobble within `NOTCH_HZ` of what the reading says it took off.
        """
        kind, beside = SEEN_AS[seen_as]
        rng = np.random.default_rng(seed)
        places = np.arange(round(10 * frame_rate))
        places = np.setdiff1d(places, rng.choice(places[1:-1], drops, replace=False))
        time = places / frame_rate
        wobbles = [
            (hz, size, rng.uniform(0, 6.28)) for hz, size in ((0.556, 0.06), (4.3, 0.01), (0.4 * frame_rate, 0.01))
        ]
        dots = dots_at(time, 100 * (1 + rng.normal(0, 0.004)), wobbles)
        cycles = 100 * (1 + rng.normal(0, 4e-4)) * time + rng.uniform()
        flashes = np.exp(-2j * np.pi * cycles)
        shape = 1 + beside * flashes if kind == "camera" else flashes + beside
        amplitude = np.exp(2j * np.pi * dots) * shape + white(rng, time.size, 0.003)
        line = follow(kind, amplitude, time, 1 / frame_rate, cycles)

        assert line.kind == kind
        assert line.dot_rate_hz == pytest.approx(np.polyfit(time, dots, 1)[0], rel=2e-6)
        waves = [wave(2 * np.pi * hz * time) for hz, _, _ in wobbles for wave in (np.cos, np.sin)]
        basis = np.stack([np.ones_like(time), time, *waves], axis=1)
        fit = np.linalg.lstsq(basis, line.dots, rcond=None)[0][2:]
        for (hz, size, _), kept in zip(wobbles, np.hypot(fit[::2], fit[1::2]), strict=True):
            if all(abs(hz - notch) > NOTCH_HZ for notch in line.removed_hz):
                assert kept == pytest.approx(size, rel=0.02)
        left = line.dots - dots
        assert np.std(left - np.polyval(np.polyfit(time, left, 1), time)) < 0.0012
        assert line.swing_dots == pytest.approx(beside / (2 * np.pi), abs=0.015)  # arg(1 + q exp(ix)) has q sin x
        assert line.coherence > 0.8

    @pytest.mark.parametrize("lamp_hz", [99.82, 100.0, 100.21])
    @pytest.mark.parametrize("frame_rate", [30.0, 60.0])
    def test_a_lamp_whose_rate_is_only_supposed(self, frame_rate: float, lamp_hz: float) -> None:
        """Its line beside the camera's is taken off where it lies: nothing of its 0.05 dots is left as a wobble."""
        rng = np.random.default_rng(1)
        time = np.arange(round(10 * frame_rate)) / frame_rate
        dots = dots_at(time, 100.4, [(0.556, 0.06, 0.0), (4.3, 0.01, 1.0)])
        amplitude = np.exp(2j * np.pi * dots) * (1 + 0.3 * np.exp(-2j * np.pi * lamp_hz * time))
        line = follow("camera", amplitude + white(rng, time.size, 0.003), time, 1 / frame_rate, 100 * time)
        left = line.dots - dots
        assert np.std(left - np.polyval(np.polyfit(time, left, 1), time)) < 0.0015

    @pytest.mark.parametrize("rate_hz", [100.456, 100.394])
    def test_a_harmonic_of_the_lamp_beside_the_patterns_own_wave(self, rate_hz: float) -> None:
        """Four times 100.006 flashes show at 10.42 Hz in 29.97 pictures, 100.456 dots at 10.55 Hz: a cycle in 8 s.

        Or half a cycle, which is still enough to fit both.
        """
        rng = np.random.default_rng(4)
        time = np.arange(240) / NTSC
        dots = dots_at(time, rate_hz, [(0.556, 0.05, 0.0)])
        lamp = np.exp(-2j * np.pi * (100.006 * time + 0.2))
        along = np.exp(2j * np.pi * dots)
        amplitude = along * (1 + 0.28 * lamp + 0.08 * lamp**2 + 0.05 * lamp**4) + 0.02 * np.conj(along)
        flash = steady_flicker(100.006, 240, second=0.2)
        cycles = 100.006 * time + 0.2
        line = follow("camera", amplitude + white(rng, 240, 0.004), time, 1 / NTSC, cycles, flash=flash)
        left = line.dots - dots
        assert scatter(left, time) < 0.004

    @pytest.mark.parametrize("wander_s", [0.0, 4e-4])
    def test_a_harmonic_at_the_frame_rate_goes_where_frames_wander(self, wander_s: float) -> None:
        """Three times 100.01 flashes at 30 pictures stand still from one to the next, but not where those wander."""
        rng = np.random.default_rng(3)
        time = np.cumsum(1 / 30 + wander_s * rng.standard_normal(354))
        cycles = 100.01 * time + 0.2
        dots = dots_at(time, 100.4, [(0.556, 0.06, 0.3), (6.1, 0.004, 1.0)])
        swing = sum(size * np.sin(2 * np.pi * h * cycles + h) for h, size in ((1, 0.02), (2, 0.008), (3, 0.005)))
        amplitude = np.exp(2j * np.pi * (dots + swing)) + white(rng, time.size, 0.002)
        flash = steady_flicker(100.01, time.size)
        line = follow("camera", amplitude, time, 1 / 30, cycles, flash=flash)
        assert scatter(line.dots - dots, time) < 0.0006

    def test_two_lines_almost_equally_strong(self) -> None:
        """Half-sine light behind a shutter of 7 ms: lamp and camera at 0.93 : 1 swing the dots by 0.16.

        Where the two cancel, faint lines beside them make as much of it; nothing of that is left as a wobble.
        """
        rng = np.random.default_rng(6)
        time = np.arange(300) / 30
        moment = moments(time, 0.0070768)
        light = np.abs(np.cos(np.pi * (99.96 * moment + 0.35))) * np.pi / 2 + 0.03
        wobbles = [(0.76, 0.03, 0.0), (3.17, 0.01, 1.0)]
        seen = exposed_to(light, moment, 101.05, wobbles) + white(rng, 300, 0.002)
        flash = steady_flicker(99.96, 300)
        cycles = 99.96 * (time + 0.0070768 / 2) + 0.35
        line = follow("camera", seen, time, 1 / 30, cycles, flash=flash)
        assert line.swing_dots > 0.1
        left = line.dots - dots_at(time + 0.0070768 / 2, 101.05, wobbles)
        assert scatter(left, time) < 0.0025

    @pytest.mark.parametrize(("frame_rate_hz", "exposure_s"), [(24000 / 1001, 0.039), (50.0, 0.0014)])
    def test_a_lamp_that_burns_once_a_cycle_and_harmonics_that_fold_close(
        self, frame_rate_hz: float, exposure_s: float
    ) -> None:
        """A third harmonic of the lamp's own rate folds beside a high one of the flash rate: the third is the stronger.

        50.029 flashes in 23.976 pictures, and 60.034 in 50. What is left is held to some thousandths of a dot, half of
        it noise; without the third harmonic 0.008 to 0.015 are left.
        """
        rng = np.random.default_rng(5)
        flash_hz = 60.034 if frame_rate_hz == 50 else 50.029
        time = np.arange(round(10 * frame_rate_hz)) / frame_rate_hz
        rate_hz = 2 * flash_hz * 0.991
        wobbles = [(0.71, 0.05, 0.0), (7.02, 0.004, 1.0)]
        moment = moments(time, exposure_s)
        light = np.maximum(np.cos(2 * np.pi * flash_hz * moment), 0) + 0.15
        seen = exposed_to(light, moment, rate_hz, wobbles) + white(rng, time.size, 0.002)
        flash = steady_flicker(2 * flash_hz, time.size, once=True)
        cycles = 2 * flash_hz * (time + exposure_s / 2)
        kind = "lamp" if exposure_s > 0.5 / flash_hz else "camera"
        expected_hz = 2 * flash_hz
        line = follow(kind, seen, time, 1 / frame_rate_hz, cycles, flash=flash, expected_hz=expected_hz)
        off = line.dots - dots_at(time + exposure_s / 2, rate_hz, wobbles)
        off = off - np.polynomial.Polynomial.fit(time, off, 2)(time)
        assert np.std(off[line.lit]) < 0.003

    def test_harmonics_that_fold_together_part_where_the_mains_drifts(self) -> None:
        """60.014 flashes that slow by 0.053 Hz in 10 s, in 50 pictures: harmonics fold to 10 Hz from above and below.

        One that rises and one that falls are no one wave whose size changes: 0.008 dots were left as ghosts beside it.
        """
        rng = np.random.default_rng(5)
        time = np.arange(500) / 50
        flashes = 60.0138 * time * (1 - 4.45e-5 * time)
        moment = moments(time, 0.00196)
        light = np.maximum(np.cos(2 * np.pi * 60.0138 * moment * (1 - 4.45e-5 * moment)), 0) * np.pi + 0.12
        wobbles = [(0.55, 0.07, 0.0), (4.29, 0.0025, 1.0)]
        seen = exposed_to(light, moment, 118.84, wobbles) + white(rng, 500, 0.003)
        flash = steady_flicker(119.97, 500, once=True)
        line = follow("camera", seen, time, 1 / 50, 2 * flashes, flash=flash, expected_hz=120.0)
        off = line.dots - dots_at(time + 0.00098, 118.84, wobbles)
        off = off - np.polynomial.Polynomial.fit(time, off, 2)(time)
        assert np.std(off[line.lit]) < 0.005

    def test_every_other_picture_lit_otherwise_by_a_lamp_that_keeps_step(self) -> None:
        """60.01 flashes in 24 pictures, twice that supposed: up and down by 0.01 dots, at half the frame rate."""
        rng = np.random.default_rng(7)
        time = np.arange(240) / 24
        dots = dots_at(time, 119.8, [(1.3, 0.03, 0.0), (6.48, 0.003, 1.0)])
        amplitude = np.exp(2j * np.pi * (dots + 0.01 * np.cos(2 * np.pi * 60.01 * time)))
        line = follow("camera", amplitude + white(rng, 240, 0.005), time, 1 / 24, 120.0 * time, expected_hz=120.0)
        left = line.dots - dots
        assert scatter(left, time) < 0.002
        assert [round(hz, 1) for hz in line.removed_hz] == [12.0]

    @pytest.mark.parametrize("seed", range(6))
    def test_a_second_harmonic_that_creeps_is_said(self, seed: int) -> None:
        """119.96 flashes in 240 pictures: twice that creeps by 0.4 cycles in 5 s and leans on the rate.

        A creep of so few cycles of some amplitude changes the mean rate by 2.4 amplitudes over the clip at the most.
        """
        rng = np.random.default_rng(seed)
        time = np.arange(1200) / 240
        start, exposure_s = rng.uniform(), rng.uniform(0.003, 0.004)
        moment = moments(time, exposure_s)
        light = np.abs(np.cos(np.pi * (119.962 * moment + start))) * np.pi / 2 + 0.05
        wobbles = [(0.55, 0.04, 1.0), (7.8, 0.004, 2.0)]
        seen = exposed_to(light, moment, 118.97, wobbles) + white(rng, 1200, 0.004)
        flash = steady_flicker(119.962, 1200)
        cycles = 119.962 * (time + exposure_s / 2) + start
        line = follow("camera", seen, time, 1 / 240, cycles, flash=flash, expected_hz=120.0)
        true_hz = np.polyfit(time, dots_at(time, 118.97, wobbles), 1)[0]
        assert abs(line.dot_rate_hz - true_hz) * 5 < 2.4 * line.swing_dots
        assert 0.005 < line.swing_dots < 0.05
        assert line.swing_cycles == pytest.approx(0.38, abs=0.01)

    @pytest.mark.parametrize("wobble_hz", [5.06, 4.9, 9.97])
    def test_a_wobble_where_a_lamp_is_only_supposed_stays(self, wobble_hz: float) -> None:
        """In steady light nothing swings the dots at 5 and 10 Hz, where 120 flashes would show in 25 pictures."""
        rng = np.random.default_rng(13)
        time = np.arange(250) / 25
        dots = dots_at(time, 118.73, [(0.55, 0.05, 0.0), (wobble_hz, 0.005, 1.0)])
        seen = np.exp(2j * np.pi * dots) + white(rng, 250, 0.005)
        line = follow("camera", seen, time, 1 / 25, 120.0 * time, expected_hz=120.0)
        left = line.dots - dots
        assert scatter(left, time) < 0.0012

    @pytest.mark.parametrize("flattened", [1.0, 0.35])
    def test_the_line_of_a_supposed_lamp_goes_though_the_picture_flattens_the_amplitude(self, flattened: float) -> None:
        """One line a flash rate away swings size and phase alike, but where bright dots saturate the size less."""
        rng = np.random.default_rng(15)
        time = np.arange(300) / 30
        dots = dots_at(time, 100.86, [(0.56, 0.08, 0.0), (4.46, 0.005, 1.0)])
        beside = 0.047 * np.exp(2j * np.pi * 100.04 * time)
        seen = np.exp(2j * np.pi * (dots - 100.04 * time) + flattened * beside.real + 1j * beside.imag)
        line = follow("lamp", seen + white(rng, 300, 0.003), time, 1 / 30, 100.0 * time)
        left = line.dots - dots
        assert scatter(left, time) < 0.002

    @pytest.mark.parametrize(("lamp_too", "size"), [(True, 0.12), (False, 0.02)])
    def test_a_second_lamps_line_goes_and_a_wobble_there_stays(self, lamp_too: bool, size: float) -> None:
        """100.0 and 100.46 flashes, whose lines lie 4.6 cycles apart in the clip; a wobble does not swing the size."""
        rng = np.random.default_rng(17)
        time = np.arange(300) / NTSC
        cycles = 100.0 * time
        beside = 0.3 * np.exp(-2j * np.pi * cycles)
        if lamp_too:
            beside += size * np.exp(-2j * np.pi * (100.46 * time + 0.2))
        wobbles = [(0.556, 0.05, 0.0), (10.55, 0.0 if lamp_too else size, 0.3)]
        dots = dots_at(time, 100.3, wobbles)
        seen = np.exp(2j * np.pi * dots) * (1 + beside) + white(rng, 300, 0.004)
        line = follow("camera", seen, time, 1 / NTSC, cycles, flash=steady_flicker(100.0, 300))
        left = line.dots - dots
        assert scatter(left, time) < 0.0025
        near = max(found for _, found in line.beside)
        if lamp_too:
            assert near > 0.5 * size / (2 * np.pi) / np.sqrt(2)
        else:
            assert near < 0.1 * size

    def test_what_comes_round_with_the_turn_stays_beside_a_slow_lamp(self) -> None:
        """119.88 flashes in 30 pictures are 0.12 Hz; uneven dots swing size and phase once a turn, 4 cycles beside."""
        rng = np.random.default_rng(18)
        time = np.arange(300) / 30
        cycles = 119.88 * time
        dots = dots_at(time, 120.66, [(0.557, 0.03, 0.0), (7.55, 0.004, 0.3)])
        size = 1 + 0.15 * np.cos(2 * np.pi * 0.557 * time)
        seen = np.exp(2j * np.pi * dots) * size * (1 + 0.4 * np.exp(-2j * np.pi * cycles)) + white(rng, 300, 0.004)
        line = follow("camera", seen, time, 1 / 30, cycles, flash=steady_flicker(119.88, 300), expected_hz=120.0)
        turn = 2 * np.mean((line.dots - 120.66 * time) * np.exp(-2j * np.pi * 0.557 * time) * np.hanning(300) * 2)
        assert abs(turn) == pytest.approx(0.03, rel=0.2)

    @pytest.mark.parametrize(("second", "wobble"), [(0.13, 0.0), (0.0, 0.02)])
    def test_a_lamps_second_harmonic_goes_where_a_platters_waves_lie_and_a_wobble_stays(
        self, second: float, wobble: float
    ) -> None:
        """Twice 223.81 flashes in 50 pictures are 2.38 Hz: a line there is the lamp's, a swing of phase only is not."""
        rng = np.random.default_rng(16)
        time = np.arange(500) / 50
        cycles = 223.81 * time
        dots = dots_at(time, 118.7, [(0.74, 0.1, 0.0), (2.38, wobble, 0.5)])
        lamp = 1 + 0.15 * np.exp(-2j * np.pi * cycles) + second * np.exp(-2j * np.pi * (2 * cycles + 0.1))
        seen = np.exp(2j * np.pi * dots) * lamp + white(rng, 500, 0.005)
        line = follow("camera", seen, time, 1 / 50, cycles, flash=steady_flicker(223.81, 500), expected_hz=120.0)
        assert scatter(line.dots - dots, time) < 0.0012

    @pytest.mark.parametrize("turns", [1.0, -1.0])
    def test_faint_frames_let_no_dot_slip(self, turns: float) -> None:
        """Where the dots all but vanish their phase may run round once; the course goes on where it was."""
        rng = np.random.default_rng(9)
        time = np.arange(300) / 30
        dots = dots_at(time, 100.3, [(0.556, 0.05, 0.0), (4.4, 0.01, 0.3)])
        amplitude = np.exp(2j * np.pi * dots)
        amplitude[150:154] *= 0.02 * np.exp(2j * np.pi * turns * np.array([0.2, 0.4, 0.6, 0.8]))
        line = follow("camera", amplitude + white(rng, 300, 0.001), time, 1 / 30, None)
        left = line.dots - dots
        assert abs(np.median(left[154:]) - np.median(left[:150])) < 0.01
        assert line.dot_rate_hz == pytest.approx(np.polyfit(time, dots, 1)[0], abs=0.002)

    @pytest.mark.parametrize(("off_hz", "size"), [(0.06, 0.01), (-0.08, 0.004)])
    def test_what_lies_right_beside_the_lamps_wave_is_said(self, off_hz: float, size: float) -> None:
        """A second lamp, or a wobble, half a cycle in the clip beside the wave of the first: the two mix."""
        rng = np.random.default_rng(8)
        time = np.arange(240) / NTSC * 1.25
        cycles = 99.95 * time + 0.2
        flash = steady_flicker(99.95, 240)
        said = {}
        for beside in (size, 0.0):
            dots = dots_at(time, 100.3, [(0.556, 0.05, 0.0), (6.4, 0.01, 0.3), (4.046 + off_hz, beside, 2.0)])
            amplitude = np.exp(2j * np.pi * dots) * (1 + 0.2 * np.exp(-2j * np.pi * cycles))
            seen = amplitude + white(rng, 240, 0.003)
            line = follow("camera", seen, time, 1.25 / NTSC, cycles, flash=flash)
            said[beside] = max(found for hz, found in line.beside if abs(hz - 4.046) < 0.1)
        assert 0.4 * size < said[size] < 2 * size
        assert said[0.0] < 0.0004

    @pytest.mark.parametrize(("wobble_dots", "least", "most"), [(0.0044, 0.003, 0.006), (0.0, 0.0, 0.0008)])
    def test_a_wobble_that_goes_with_a_high_harmonic_is_said(
        self, wobble_dots: float, least: float, most: float
    ) -> None:
        """The ninth harmonic of 119.98 flashes folds to 4.80 Hz in 25 pictures, where a pulse of 0.185 has nearly none.

        By its neighbours it may be as large as 0.0004 dots, by the first alone as large as 0.001.
        """
        rng = np.random.default_rng(8)
        time = np.arange(250) / 25
        cycles = 119.98 * time + 0.2
        dots = dots_at(time, 121.6, [(0.563, 0.11, 0.0), (4.787, wobble_dots, 2.0)])
        sizes = [0.0105, 0.007, 0.0006, 0.0035, 0.0003, 0.0006, 0.0004, 0.0004, 0.0002]
        swing = sum(size * np.sin(2 * np.pi * h * cycles + h) for h, size in enumerate(sizes, 1))
        seen = np.exp(2j * np.pi * (dots + swing)) + white(rng, 250, 0.003)
        flash = steady_flicker(119.98, 250)
        line = follow("camera", seen, time, 1 / 25, cycles, flash=flash, expected_hz=120.0)
        assert any(abs(hz - 4.82) < 0.05 for hz in line.removed_hz)
        assert least <= max((found for hz, found, _ in line.hidden if abs(hz - 4.82) < 0.05), default=0.0) <= most

    @pytest.mark.parametrize(("wobble_hz", "said"), [(10.07, True), (11.2, False), (3.5, False)])
    def test_a_swing_of_the_phase_alone_at_a_supposed_beat_may_be_the_lamps(self, wobble_hz: float, said: bool) -> None:
        """100 flashes in 29.97 pictures beat 10.09 times a second, by 0.25 more or less: there nothing tells which."""
        rng = np.random.default_rng(9)
        time = np.arange(300) / NTSC
        dots = dots_at(time, 99.14, [(0.745, 0.038, 0.0), (wobble_hz, 0.0025, 0.4)])
        line = follow(
            "lamp", np.exp(2j * np.pi * (dots - 100.0 * time)) + white(rng, 300, 0.002), time, 1 / NTSC, 100 * time
        )
        at_the_beat = [(hz, found) for hz, found in line.beside if abs(hz - 10.09) < 0.3]
        if said:
            assert at_the_beat == [(pytest.approx(10.07, abs=0.03), pytest.approx(0.0025, rel=0.2))]
        else:
            assert not at_the_beat

    @pytest.mark.parametrize("rate_hz", [258.71, 229.3])
    def test_a_dimmed_lamp_that_shows_by_its_second_harmonic_alone(self, rate_hz: float) -> None:
        """258.71 flashes in 60 pictures swing the dots 18.71 times a second; still scenery shows 22.58, twice that."""
        rng = np.random.default_rng(10)
        time = np.arange(600) / 60
        dots = dots_at(time, 99.1, [(0.551, 0.03, 0.0), (7.72, 0.0016, 0.4)])
        swing = 0.036 * np.sin(2 * np.pi * rate_hz * time + 0.3) + 0.004 * np.sin(4 * np.pi * rate_hz * time)
        seen = np.exp(2j * np.pi * (dots + swing)) + white(rng, 600, 0.003)
        line = follow("camera", seen, time, 1 / 60, (2 * rate_hz - 480) * time, dimmed=True)
        assert scatter(line.dots - dots, time) < 0.002
        plain = follow(
            "camera", np.exp(2j * np.pi * dots) + white(rng, 600, 0.003), time, 1 / 60, 22.58 * time, dimmed=True
        )
        assert scatter(plain.dots - dots, time) < 0.002

    def test_noise_of_one_frame(self) -> None:
        """Phase noise of a phasor is sigma / (2 pi) dots; lines and slow courses must not count as noise."""
        rng = np.random.default_rng(1)
        time = np.arange(900) / 30
        dots = dots_at(time, 100.2, [(0.556, 0.1, 0.0), (3.1, 0.02, 0.0)])
        for sigma in (0.003, 0.03):
            line = follow("camera", np.exp(2j * np.pi * dots) + white(rng, time.size, sigma), time, 1 / 30, None)
            assert line.noise_dots == pytest.approx(sigma / (2 * np.pi), rel=0.15)

    def test_mean_rate_near_the_cramer_rao_bound(self) -> None:
        """Variance of the frequency of one complex tone: ``12 s^2 / (b^2 T^2 N (N^2 - 1))`` in rad/s.

        Rife & Boorstyn, IEEE Trans. IT-20 (1974) 591 (value from memory). From 100 draws the estimate is good to
        14 % (1 sigma), hence 0.6 and 1.5.
        """
        rng = np.random.default_rng(2)
        time, sigma = np.arange(300) / 30, 0.05
        tone = np.exp(2j * np.pi * 100.123 * time)
        rates = [follow("camera", tone + white(rng, 300, sigma), time, 1 / 30, None).dot_rate_hz for _ in range(150)]
        bound = 12 * sigma**2 / (1 / 30**2 * 300 * (300**2 - 1)) / (2 * np.pi) ** 2
        assert np.mean(rates) == pytest.approx(100.123, abs=4 * np.sqrt(bound / 100))
        assert 0.6 * bound < np.var(rates) < 1.5 * bound

    @pytest.mark.parametrize("rate", [98.7, 100.31, 103.9])
    def test_against_the_periodogram(self, rate: float) -> None:
        """The peak of `scipy.signal.periodogram` (source: scipy), an independent reference, at the folded frequency."""
        rng = np.random.default_rng(3)
        time = np.arange(300) / 30
        amplitude = np.exp(2j * np.pi * rate * time) + white(rng, 300, 0.1)
        hz, power = periodogram(amplitude, fs=30.0, nfft=1 << 19, return_onesided=False, detrend=False)
        peak = float(hz[np.argmax(power)])
        coarse = find_line(amplitude, time, interval_s=1 / 30, expected_hz=100.0, span=0.12, lamp_cycles=None)
        line = follow("camera", amplitude, time, 1 / 30, None)
        folded = (line.dot_rate_hz + 15) % 30 - 15
        assert folded == pytest.approx(peak, abs=0.001)
        assert coarse.rate_hz == pytest.approx(rate, abs=0.2)
        assert coarse.coherence > 0.9

    def test_coherence_of_noise_is_low(self) -> None:
        rng = np.random.default_rng(4)
        time = np.arange(300) / 30
        noise = find_line(white(rng, 300, 1.0), time, interval_s=1 / 30, expected_hz=100, span=0.12, lamp_cycles=None)
        assert noise.coherence < 0.35

    def test_a_lamp_timed_line_needs_the_lamp(self) -> None:
        time = np.arange(90) / 30
        coarse = find_line(
            np.exp(2j * np.pi * 100 * time), time, interval_s=1 / 30, expected_hz=100, span=0.1, lamp_cycles=None
        )
        with pytest.raises(ValueError, match="phase of the lamp"):
            read_line(
                np.ones(90, complex),
                time,
                interval_s=1 / 30,
                kind="lamp",
                coarse=coarse,
                lamp_cycles=None,
                flash=None,
                height=0.5,
            )

    @pytest.mark.parametrize("seed", range(2))
    @pytest.mark.parametrize("frame_rate", [NTSC, 30.0, 60.0])
    @pytest.mark.parametrize(
        ("exposure_s", "kind"), [(0.001, "camera"), (0.002, "camera"), (0.004, "camera"), (0.0095, "lamp")]
    )
    def test_vote_of_the_swing(self, exposure_s: float, kind: str, frame_rate: float, seed: int) -> None:
        """Half-sine light, the amplitude integrated over the exposure: a short shutter times the dots by the camera,
        one of nearly a whole flash by the lamp. The right reading gets the vote, the other one its opposite."""
        rng = np.random.default_rng(seed)
        time = np.arange(round(10 * frame_rate)) / frame_rate
        flashes, phase, height = 100 * (1 + rng.normal(0, 3e-4)), rng.uniform(), rng.uniform(0.2, 0.8)
        rate, wobbles = 100 * (1 + rng.normal(0, 0.003)), [(0.556, 0.05, 1.0), (4.2, 0.01, 2.0)]
        within = (np.arange(160) + 0.5) / 160 * exposure_s
        moment = time[:, None] + 0.018 * height + within[None, :]
        light = np.abs(np.cos(np.pi * (flashes * moment + phase))) * np.pi / 2 + 0.3
        amplitude = exposed_to(light, moment, rate, wobbles) + white(rng, time.size, 0.004)
        flash = measure_flash_rate(
            brightness_of(time, flashes, rng, exposure_s=exposure_s, phase=phase), time, (100.0, 120.0)
        )
        assert flash is not None
        votes = {}
        for reading in ("camera", "lamp"):
            line = follow(
                reading, amplitude, time, 1 / frame_rate, flash.phase_cycles(time), flash=flash, height=height
            )
            votes[reading] = line.vote
            if reading == kind:
                middle = dots_at(time + 0.018 * height + exposure_s / 2, rate, wobbles)
                assert line.dot_rate_hz == pytest.approx(np.polyfit(time, middle, 1)[0], rel=10 * PPM)
        other = "lamp" if kind == "camera" else "camera"
        assert votes[kind] > 0.5
        assert votes[other] < -0.5

    @pytest.mark.parametrize("at_s", [2.2, 3.3, 6.8])
    @pytest.mark.parametrize("by_hz", [0.5, -0.3, 0.0])
    def test_a_sudden_change_of_speed_is_no_slow_swing_of_the_lamp(self, by_hz: float, at_s: float) -> None:
        """120.04 flashes in 29.97 pictures beat 1.6 times in the clip, and the speed changes by up to half a percent.

        A short shutter shows the lines on either side almost alike, which swings the phase by 0.002 dots; without the
        bend that the change makes, the wave that is taken for the lamp's swings it by 0.14.
        """
        rng = np.random.default_rng(4)
        time = np.arange(300) / NTSC
        moment = time[:, None] + 0.009 + (np.arange(60) + 0.5) / 60 * 0.00075
        light = np.abs(np.cos(np.pi * (120.0396 * moment + 0.56))) * np.pi / 2 + 0.07

        def true_dots(t: Reals) -> Reals:
            after = np.maximum(t - at_s, 0)
            bend = after + 0.3 * np.expm1(-after / 0.3)
            return dots_at(t, 118.2, [(0.547, 0.018, 1.0), (1.09, 0.012, 2.0), (5.75, 0.0024, 0.3)]) + by_hz * bend

        seen = (light * np.exp(2j * np.pi * true_dots(moment))).mean(axis=1)
        flash = measure_flash_rate(
            brightness_of(time, 120.0396, rng, exposure_s=0.00075, phase=0.56), time, (100.0, 120.0)
        )
        assert flash is not None
        seen = seen / np.abs(seen).mean() + white(rng, 300, 0.003)
        votes = {}
        for kind in ("camera", "lamp"):
            cycles = flash.phase_cycles(time)
            line = follow(kind, seen, time, 1 / NTSC, cycles, flash=flash, height=0.5, expected_hz=120.0)
            votes[kind] = line.vote
            if kind == "camera":
                assert scatter(line.dots - true_dots(time + 0.009375), time) < 0.03
        assert votes["camera"] >= 0 >= votes["lamp"]

    def test_no_vote_without_flicker(self) -> None:
        time = np.arange(300) / 30
        line = follow("camera", np.exp(2j * np.pi * 100.2 * time), time, 1 / 30, 100.03 * time)
        assert line.vote == 0


class TestBlocks:
    def test_one_amplitude_from_blocks_of_different_phase(self) -> None:
        """Offsets between the blocks do not cancel in the sum; the motion is kept."""
        rng = np.random.default_rng(1)
        motion = np.exp(2j * np.pi * 0.29 * np.arange(200))
        offsets = np.exp(2j * np.pi * rng.uniform(-0.2, 0.2, 8))
        total, noise = combine_blocks((motion[:, None] * offsets).astype(np.complex64))
        np.testing.assert_allclose(np.abs(total), 8, rtol=1e-3)
        np.testing.assert_allclose(
            np.angle(total * np.conj(motion) * np.conj(total[0] * np.conj(motion[0]))), 0, atol=1e-5
        )
        assert noise < 1e-5

    @pytest.mark.parametrize("blocks", [6, 12])
    def test_noise_from_the_difference_of_the_halves(self, blocks: int) -> None:
        """Independent blocks of phase noise s have s / sqrt(blocks) in the sum; common noise does not show."""
        rng = np.random.default_rng(2)
        private = 0.004 * rng.standard_normal((4000, blocks))
        common = 0.02 * rng.standard_normal((4000, 1))
        total, noise = combine_blocks(np.exp(2j * np.pi * (private + common)).astype(np.complex64))
        assert noise == pytest.approx(0.004 / np.sqrt(blocks), rel=0.06)
        assert np.std(np.angle(total)) / (2 * np.pi) == pytest.approx(0.02, rel=0.06)

    @pytest.mark.parametrize(("rate_hz", "parted"), [(29.3, True), (60.0, False), (30.0, False), (25.0, False)])
    def test_lines_lit_in_different_places_are_parted_unless_the_lamp_keeps_a_simple_step(
        self, rate_hz: float, parted: bool
    ) -> None:
        """Lamp 100 flashes a second; at 60 pictures a second a line one flash rate above falls on the one two below."""
        time_s = np.arange(round(10 * rate_hz)) / rate_hz
        lamp = 100.0 * time_s
        camera = 100.3 * time_s
        by_room, by_lamp = np.linspace(1.0, 0.8, 8), np.linspace(0.05, 0.6, 8)
        lines = np.exp(2j * np.pi * np.stack([camera, camera - lamp], axis=1))
        blocks = lines @ np.stack([by_room, by_lamp])
        found = part_lines(blocks.astype(np.complex64), camera, lamp)
        assert bool(found) == parted
        for part, cycles in zip(found, (camera, camera - lamp), strict=False):
            left = part * np.exp(-2j * np.pi * cycles)
            np.testing.assert_allclose(np.abs(left / np.mean(left) - 1), 0, atol=1e-4)

    def test_a_single_block_tells_no_noise(self) -> None:
        total, noise = combine_blocks(np.ones((20, 1), np.complex64))
        assert np.isnan(noise)
        assert total.shape == (20,)


class TestTurns:
    @staticmethod
    def blocks(
        rng: np.random.Generator, time_s: Reals, rate_hz: float, count: int, *, irregular: float
    ) -> tuple[NDArray[np.complex64], Phasors]:
        """A row of 11 blocks, 4 dots each, of a ring of `count` dots that differ by `irregular`."""
        tape = irregular * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
        away = (np.arange(count) + count // 2) % count - count // 2
        window = np.exp(-0.5 * (away / 2.0) ** 2)
        smooth = np.fft.ifft(np.fft.fft(tape) * np.fft.fft(window / window.sum()))
        dots = dots_at(time_s, rate_hz, [(0.556, 0.1, 0.0)])
        place = (dots[:, None] + 4.0 * np.arange(11)[None, :]) % count
        around, at = np.append(smooth, smooth[0]), np.arange(count + 1)
        departs = np.interp(place, at, around.real) + 1j * np.interp(place, at, around.imag)
        noise = white(rng, place.size, 0.02).reshape(place.shape)
        blocks = (np.exp(2j * np.pi * dots)[:, None] * (1 + departs) + noise).astype(np.complex64)
        return blocks, combine_blocks(blocks)[0]

    @pytest.mark.parametrize("seed", range(3))
    @pytest.mark.parametrize(("count", "rate"), [(180, 100.3), (133, 99.8), (216, 120.4), (77, 100.0), (300, 100.2)])
    def test_time_of_one_turn(self, count: int, rate: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        places = np.setdiff1d(np.arange(450), rng.choice(np.arange(1, 449), 7, replace=False))
        blocks, amplitude = self.blocks(rng, places / 30, rate, count, irregular=0.03)
        turns = find_turns(blocks, amplitude, places, 1 / 30, 100.03 * places / 30)
        assert turns is not None
        period, support = turns.best()
        assert period == pytest.approx(count / rate, rel=0.003)
        assert support > 8
        assert turns.support(count / rate) > 0.9 * support
        assert turns.support(0.93 * count / rate) < 0.5 * support
        assert turns.support(30.0) == 0

    @pytest.mark.parametrize("off", [0.9995, 0.99975, 1.0, 1.00025, 1.0005, 1.001])
    @pytest.mark.parametrize("seconds", [60, 120])
    def test_time_of_one_turn_of_a_long_clip(self, seconds: int, off: float) -> None:
        """Over many turns a period that is a little off falls behind by whole frames, and twice it may not."""
        rng = np.random.default_rng(4)
        rate = 100.0 * off
        time = np.arange(30 * seconds) / 30
        blocks, amplitude = self.blocks(rng, time, rate, 180, irregular=0.03)
        turns = find_turns(blocks, amplitude, np.arange(time.size), 1 / 30, 100.03 * time)
        assert turns is not None
        assert turns.best()[0] == pytest.approx(180 / rate, rel=0.003)
        assert turns.turn_s == pytest.approx(180 / rate, rel=0.0006)

    def test_a_black_picture_hides_nothing(self) -> None:
        """No light at all in a picture of full range gives an amplitude of exactly zero."""
        blocks, _ = self.blocks(np.random.default_rng(3), np.arange(300) / 30, 100.3, 180, irregular=0.03)
        blocks[100:102] = 0
        turns = find_turns(blocks, combine_blocks(blocks)[0], np.arange(300), 1 / 30, None)
        assert turns is not None
        period, support = turns.best()
        assert period == pytest.approx(180 / 100.3, rel=0.003)
        assert support > 8

    @pytest.mark.parametrize(("true_s", "found"), [(0.776, True), (0.7445, False), (1.94, True), (1.293, False)])
    def test_several_turns_may_pass_for_one(self, true_s: float, found: bool) -> None:
        """The best period is 3.88 s: five turns of 0.776 s and two of 1.94 s, both seen a little less well."""
        period_s = np.geomspace(0.6, 4.4, 1500)
        seen = {3.88: 1.0, 0.776: 0.65, 1.94: 0.6, 1.293: 0.4, 0.7445: 0.65}
        likeness = sum(high * np.exp(-0.5 * ((period_s / at / 0.002) - 500) ** 2) for at, high in seen.items())
        turns = TurnSignature(period_s, np.asarray(likeness), 0.1, 3.88)
        assert turns.repeats(true_s) == found
        assert not turns.repeats(3.88)

    def test_noise_gives_no_support(self) -> None:
        """Six sigma somewhere in the whole range is rare, and at one given period never near it."""
        best, given = [], []
        for seed in range(30):
            rng = np.random.default_rng(seed)
            blocks, amplitude = self.blocks(rng, np.arange(300) / 30, 100.3, 180, irregular=0.0)
            turns = find_turns(blocks, amplitude, np.arange(300), 1 / 30, None)
            assert turns is not None
            best.append(turns.best()[1])
            given.append(turns.support(1.8))
        assert max(given) < 4
        assert np.mean(np.array(best) > 6.0) <= 0.15
        assert max(best) < 8

    def test_marks_of_the_lamp_are_not_taken_for_turns(self) -> None:
        """Parts of the row that brighten with the lamp, each in its own way, come round again with every beat."""
        rng = np.random.default_rng(2)
        places = np.arange(300)
        blocks, amplitude = self.blocks(rng, places / 30, 100.3, 180, irregular=0.0)
        cycles = 100.4 * places / 30
        marked = blocks * (1 + 0.1 * np.cos(2 * np.pi * (cycles[:, None] + rng.uniform(size=11)))).astype(np.float32)
        told = find_turns(marked, amplitude, places, 1 / 30, cycles)
        untold = find_turns(marked, amplitude, places, 1 / 30, None)
        assert told is not None
        assert untold is not None
        assert np.std(told.likeness) < 0.25 * np.std(untold.likeness)
        assert told.best()[1] < 7

    def test_black_pictures_and_a_part_without_dots_tell_nothing_and_hide_nothing(self) -> None:
        rng = np.random.default_rng(4)
        places = np.arange(300)
        blocks, _ = self.blocks(rng, places / 30, 100.3, 180, irregular=0.03)
        blocks[::9], blocks[:, 5] = 0, 0
        turns = find_turns(blocks, combine_blocks(blocks)[0], places, 1 / 30, None)
        assert turns is not None
        assert turns.best()[0] == pytest.approx(180 / 100.3, rel=0.003)
        assert turns.best()[1] > 8

    def test_too_short_or_too_narrow(self) -> None:
        rng = np.random.default_rng(1)
        blocks, amplitude = self.blocks(rng, np.arange(300) / 30, 100.3, 180, irregular=0.03)
        assert find_turns(blocks[:35], amplitude[:35], np.arange(35), 1 / 30, None) is None
        assert find_turns(blocks[:, :1], amplitude, np.arange(300), 1 / 30, None) is None

    @pytest.mark.parametrize("seed", range(6))
    def test_what_comes_again_with_a_wobble_is_no_turn(self, seed: int) -> None:
        """A coder that takes slow dots for still errs alike whenever a wobble of 4.3 Hz brings them to the same place:
        nearest to whole frames after 16 of its periods, and nearly so after others."""
        rng = np.random.default_rng(seed)
        time_s = np.arange(250) / 25
        place = np.exp(2j * np.pi * 4.3 * time_s)
        shape = rng.standard_normal((12, 11)) + 1j * rng.standard_normal((12, 11))
        errs = 0.02 * np.stack([place**k for k in range(-6, 7) if k], axis=1) @ shape
        noise = white(rng, 250 * 11, 0.02).reshape(250, 11)
        blocks = (np.exp(2j * np.pi * 0.05 * time_s)[:, None] * (1 + errs) + noise).astype(np.complex64)
        turns = find_turns(blocks, combine_blocks(blocks)[0], np.arange(250), 1 / 25, None)
        assert turns is not None
        assert turns.best()[1] < CLEAR_SUPPORT


@pytest.mark.parametrize("seed", range(4))
def test_a_flicker_that_is_the_same_in_all_rows_has_no_sweep(seed: int) -> None:
    """Eight equal rows go as well with eight cycles down the picture, half a cycle off wherever it is asked for."""
    uneven = 1 + 1e-15 * np.random.default_rng(seed).standard_normal(8)
    rows = np.asarray(0.3 * np.exp(-2.1j) * uneven, np.complex128)
    flash = replace(steady_flicker(99.93, 100), row_flicker=rows)
    for height in (0.0, 0.38, 1.0):
        assert flash.flicker_at(height) == pytest.approx(0.3 * np.exp(-2.1j), abs=1e-3)


@pytest.mark.parametrize("frames", [10, 12, 14])
def test_the_noise_of_a_few_frames(frames: int) -> None:
    """Under a short shutter no more of a turn may have met a flash; the median of 20 runs within a factor of 3."""
    time, sigma = np.arange(frames) / 10, 0.002
    found = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        dots = 1.3 * time + sigma * rng.standard_normal(frames)
        line = read_line(
            np.exp(2j * np.pi * dots),
            time,
            interval_s=0.1,
            kind="camera",
            coarse=CoarseLine(1.3, 1.0),
            lamp_cycles=None,
            flash=None,
            height=None,
        )
        found.append(line.noise_dots)
    assert sigma / 3 < np.median(found) < 3 * sigma


class TestTravel:
    """Irregular dots pass one part of a row after the other, at the true dot rate whatever the frames fold it to."""

    PLACES: ClassVar[Reals] = 4.0 * np.arange(11, dtype=np.float64)

    @pytest.mark.parametrize("frame_rate_hz", [25.0, 30.0])
    @pytest.mark.parametrize(("count", "rate"), [(180, 100.3), (133, 99.8), (216, 120.4), (92, 121.1)])
    def test_rate_without_aliases(self, count: int, rate: float, frame_rate_hz: float) -> None:
        time_s = np.arange(round(10 * frame_rate_hz)) / frame_rate_hz
        blocks, _ = TestTurns.blocks(np.random.default_rng(3), time_s, rate, count, irregular=0.03)
        travel = find_travel(blocks, self.PLACES, time_s, 1 / frame_rate_hz, None)
        assert travel is not None
        assert travel.rate_hz == pytest.approx(rate, rel=0.06)
        assert travel.share(rate) > 0.5
        for alias in (rate - frame_rate_hz, rate + frame_rate_hz, rate * 1.2, rate / 1.2):
            assert travel.share(alias) < 0.3

    def test_noise_and_too_little_tell_nothing(self) -> None:
        time_s = np.arange(300) / 30
        for seed in range(20):
            blocks, _ = TestTurns.blocks(np.random.default_rng(seed), time_s, 100.3, 180, irregular=0.0)
            assert find_travel(blocks, self.PLACES, time_s, 1 / 30, None) is None
        blocks, _ = TestTurns.blocks(np.random.default_rng(3), time_s, 100.3, 180, irregular=0.03)
        assert find_travel(blocks[:50], self.PLACES, time_s[:50], 1 / 30, None) is None
        assert find_travel(blocks[:, :3], self.PLACES[:3], time_s, 1 / 30, None) is None

    @pytest.mark.parametrize(("rate", "frame_rate_hz"), [(28.0, 30.0), (28.0, 60.0), (520.0, 60.0)])
    def test_marks_beyond_the_rates_that_are_tried_are_none(self, rate: float, frame_rate_hz: float) -> None:
        """They look likeliest at the nearest rate that is tried, the first or the last."""
        time_s = np.arange(round(10 * frame_rate_hz)) / frame_rate_hz
        blocks, _ = TestTurns.blocks(np.random.default_rng(3), time_s, rate, 180, irregular=0.03)
        assert find_travel(blocks, self.PLACES, time_s, 1 / frame_rate_hz, None) is None

    def test_marks_that_go_the_other_way_are_none(self) -> None:
        time_s = np.arange(300) / 30
        blocks, _ = TestTurns.blocks(np.random.default_rng(3), time_s, 100.3, 180, irregular=0.03)
        assert find_travel(blocks, -self.PLACES, time_s, 1 / 30, None) is None


def test_time_base_is_a_value() -> None:
    """Results are frozen."""
    base: TimeBase = fit_time_base(np.arange(5) / 30)
    with pytest.raises(AttributeError, match="cannot assign"):
        base.kind = "other"  # type: ignore[misc]  # frozen, and shall raise
    assert replace(base, kind="other").kind == "other"


def test_a_wave_that_alternates_from_frame_to_frame_is_one_to_take_off() -> None:
    """A third half-order of 50 flashes at 60 frames a second: up and down, hardly changing in a clip."""
    time_s = np.arange(480) / 60
    alternating, standing = 29.97 * time_s, 0.03 * time_s
    assert [wave.harmonic for wave in distinct_waves(time_s, 1 / 60, alternating, (1,))] == [1]
    assert distinct_waves(time_s, 1 / 60, standing, (1,)) == []


def test_dots_lit_by_every_other_half_wave_keep_their_wobble() -> None:
    """A shutter of 4 ms over a lamp that is lit by one half of 60 Hz: frames that are dark, and a swing of 0.35 dots.

    The swing is any course along the lit half; what is left of the dots is held to their own, in the lit frames, but
    for a bend: the fifth harmonic creeps by half a cycle in the clip.
    """
    rate_hz, flash_hz, dot_hz = 25.0, 60.011, 119.97
    time_s = np.arange(250) / rate_hz
    wobble = 0.03 * np.sin(2 * np.pi * 0.75 * time_s) + 0.003 * np.sin(2 * np.pi * 8.7 * time_s)
    lobe = np.linspace(-0.5, 0.5, 401)
    light = np.maximum(np.cos(2 * np.pi * (flash_hz * time_s[:, None] + 0.26 * lobe)), 0) + 0.02
    amplitude = np.exp(2j * np.pi * (dot_hz * time_s + wobble)) * (light @ np.exp(2j * np.pi * 0.52 * lobe)) / lobe.size
    rng = np.random.default_rng(4)
    amplitude += 0.001 * (rng.standard_normal(250) + 1j * rng.standard_normal(250))
    nothing = np.zeros(250)
    flash = FlashRate(2 * flash_hz, 1e-3, 120.0, 0.5, 0.5, 0.2, nothing, nothing, np.zeros(8, complex), True, True)
    line = read_line(
        amplitude,
        time_s,
        interval_s=1 / rate_hz,
        kind="camera",
        coarse=CoarseLine(dot_hz, 0.9),
        lamp_cycles=2 * flash_hz * time_s,
        flash=flash,
        height=None,
    )
    assert 0.4 < np.mean(line.lit) < 0.8
    off = (line.dots - dot_hz * time_s - wobble)[line.lit]
    place = time_s[line.lit]
    off -= np.polynomial.Polynomial.fit(place, off, 3)(place)
    assert np.std(off) < 0.002
    assert any(abs(hz - 10.011) < 0.05 for hz in line.removed_hz)


@pytest.mark.parametrize("flash_hz", [59.999, 60.011])
def test_a_lamp_that_lights_one_picture_otherwise_than_the_next(flash_hz: float) -> None:
    """60 flashes a second in 24 pictures: up and down by 0.11 dots, while twice their rate stands still."""
    time_s = np.arange(240) / 24
    dots = 121.03 * time_s + 0.01 * np.sin(2 * np.pi * 5.3 * time_s)
    cycles = 2 * flash_hz * time_s + 0.1
    amplitude = np.exp(2j * np.pi * (dots - cycles)) * (1 + 0.7j * np.sin(np.pi * cycles))
    nothing = np.zeros(240)
    flash = FlashRate(2 * flash_hz, 1e-3, 120.0, 0.1, 0.2, 0.1, nothing, nothing, np.ones(8, complex), True, True)
    rng = np.random.default_rng(2)
    line = follow("lamp", amplitude + white(rng, 240, 0.005), time_s, 1 / 24, cycles, flash=flash, expected_hz=120.0)
    off = line.dots - dots
    assert np.std(off - np.polynomial.Polynomial.fit(time_s, off, 2)(time_s)) < 0.004


def test_the_line_is_found_where_most_of_it_lies_however_few_frames_are_lit() -> None:
    """9 % fast, seen in every other frame and now and then in two: 12 Hz below lies an alias that some frames miss."""
    rng = np.random.default_rng(3)
    time = np.arange(240) / 24
    amplitude = np.exp(2j * np.pi * 109.0 * time) + white(rng, 240, 0.02)
    amplitude[(np.arange(240) % 2 == 1) & (rng.random(240) < 0.7)] *= 1e-3
    found = find_line(amplitude, time, interval_s=1 / 24, expected_hz=100, span=0.13, lamp_cycles=None)
    assert found.rate_hz == pytest.approx(109.0, abs=0.01)
