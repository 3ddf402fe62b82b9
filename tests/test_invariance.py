"""What must not change the figures, and what must change them in step, over random machines."""

from __future__ import annotations

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from strobe.figures import evaluate
from strobe.figures.results import FIGURES, Figures

RPM = 100 / 3
RATE_HZ = RPM / 60
FRAME_S = 1 / 30
QUIET_REV = 1e-9
TIME_S = np.arange(300) * FRAME_S

Array = NDArray[np.float64]
Lines = tuple[tuple[float, float, float], ...]

few = settings(max_examples=5, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])


@st.composite
def machines(draw: st.DrawFn) -> Lines:
    """Three lines, half a hertz or more apart: frequency, peak in percent, phase."""
    places = draw(st.lists(st.integers(1, 18), min_size=3, max_size=3, unique=True))
    jitter = draw(st.floats(0, 0.2))
    peaks = draw(st.lists(st.floats(0.03, 0.3), min_size=3, max_size=3))
    phases = draw(st.lists(st.floats(0, 6), min_size=3, max_size=3))
    return tuple((0.5 * k + jitter, peak, phase) for k, peak, phase in zip(places, peaks, phases, strict=True))


def angle(lines: Lines, share: float = 1.0) -> Array:
    """Angle of the machine in turns, with a little noise; `share` scales all that is not steady."""
    swing = np.zeros_like(TIME_S)
    for hz, peak, phase in lines:
        turn = 2 * np.pi * hz
        swing -= RATE_HZ * peak / 100 / turn * np.cos(turn * TIME_S + phase)
    swing += np.random.default_rng(5).normal(0, QUIET_REV, TIME_S.size)
    return np.asarray(RATE_HZ * TIME_S + share * swing)


def read(time_s: ArrayLike, angle_rev: ArrayLike, *, scale: float = 1.0) -> Figures:
    return evaluate(
        time_s, angle_rev, nominal_rpm=RPM * scale, angle_noise_rev=QUIET_REV * scale, frame_interval_s=FRAME_S
    )


def shown(found: Figures) -> Array:
    """Peaks and rms of the whole and of wow and flutter by both splits, percent."""
    whole = [getattr(found.fluctuation, f"{figure}_percent") for figure in FIGURES]
    parts = [value for part in found.fluctuation.parts for value in (part.peak_percent, part.rms_percent)]
    assert len(parts) == 8
    return np.array([*whole, *parts])


def peaks(found: Figures) -> Array:
    """Peaks of the components by frequency, percent."""
    return np.array([one.peak_percent for one in sorted(found.components, key=lambda one: one.frequency_hz)])


# What rounding leaves of an angle of 6 turns (1e-15) beside swings of 1e-5 turns and noise of 1e-9 is far below 1e-5
# of each figure; a part that holds next to nothing is held to 1e-6 points.
ROUNDING, NOTHING_PERCENT = 1e-5, 1e-6


@few
@given(lines=machines(), later_s=st.floats(-1e4, 1e4), turned=st.floats(-100, 100))
def test_a_shift_in_time_changes_nothing(lines: Lines, later_s: float, turned: float) -> None:
    here, there = read(TIME_S, angle(lines)), read(TIME_S + later_s, angle(lines) + turned)
    np.testing.assert_allclose(shown(there), shown(here), rtol=10 * ROUNDING, atol=NOTHING_PERCENT)
    np.testing.assert_allclose(peaks(there), peaks(here), rtol=10 * ROUNDING)


@few
@given(lines=machines(), scale=st.floats(0.4, 2.5))
def test_percent_know_no_scale(lines: Lines, scale: float) -> None:
    """The same machine on another gear: angle, noise and nominal speed times the same."""
    one, other = read(TIME_S, angle(lines)), read(TIME_S, scale * angle(lines), scale=scale)
    np.testing.assert_allclose(shown(other), shown(one), rtol=ROUNDING, atol=NOTHING_PERCENT)
    np.testing.assert_allclose(peaks(other), peaks(one), rtol=ROUNDING)
    assert abs(other.deviation_percent - one.deviation_percent) < NOTHING_PERCENT


@few
@given(lines=machines())
def test_backwards_reads_the_same(lines: Lines) -> None:
    there = angle(lines)
    forward, backward = read(TIME_S, there), read(TIME_S[-1] - TIME_S[::-1], there[-1] - there[::-1])
    np.testing.assert_allclose(shown(backward), shown(forward), rtol=ROUNDING, atol=NOTHING_PERCENT)
    np.testing.assert_allclose(peaks(backward), peaks(forward), rtol=ROUNDING)


@few
@given(lines=machines(), error_percent=st.floats(-3, 3))
def test_a_mean_error_leaves_the_fluctuation(lines: Lines, error_percent: float) -> None:
    """The swing itself stays; as it is told in percent of the mean, it falls as that rises."""
    faster = 1 + error_percent / 100
    plain, off = read(TIME_S, angle(lines)), read(TIME_S, angle(lines) + RATE_HZ * error_percent / 100 * TIME_S)
    np.testing.assert_allclose(faster * shown(off), shown(plain), rtol=10 * ROUNDING, atol=NOTHING_PERCENT)
    np.testing.assert_allclose(faster * peaks(off), peaks(plain), rtol=10 * ROUNDING)


@few
@given(lines=machines(), share=st.sampled_from([0.5, 2.0, 3.0]))
def test_twice_the_swing_reads_twice(lines: Lines, share: float) -> None:
    once = read(TIME_S, angle(lines))
    more = evaluate(
        TIME_S, angle(lines, share), nominal_rpm=RPM, angle_noise_rev=share * QUIET_REV, frame_interval_s=FRAME_S
    )
    np.testing.assert_allclose(shown(more), share * shown(once), rtol=10 * ROUNDING, atol=NOTHING_PERCENT)
    np.testing.assert_allclose(peaks(more), share * peaks(once), rtol=10 * ROUNDING)
