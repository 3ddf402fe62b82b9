"""The weighting formula against the table of IEC 60386 (values and tolerances from memory), and its shape.

The table is typed here a second time, so that a slip in either copy shows.
"""

from __future__ import annotations

import numpy as np
import pytest

from strobe.figures.weighting import (
    WEIGHTING_TABLE,
    check_weighting,
    weighting_db,
    weighting_gain,
    weighting_limits_db,
)

# Hz, dB, upper and lower tolerance dB. IEC 60386:1972 Table I = DIN 45507 = AES6; values from memory.
PRINTED = (
    (0.1, -48.0, 10, -4),
    (0.2, -30.6, 10, -4),
    (0.315, -19.7, 4, -4),
    (0.4, -15.0, 4, -4),
    (0.63, -8.4, 2, -2),
    (0.8, -6.0, 2, -2),
    (1.0, -4.2, 2, -2),
    (1.6, -1.8, 2, -2),
    (2.0, -0.9, 2, -2),
    (4.0, 0.0, 0, 0),
    (6.3, -0.9, 2, -2),
    (10.0, -2.1, 2, -2),
    (20.0, -5.9, 2, -2),
    (40.0, -10.4, 2, -2),
    (63.0, -14.2, 2, -2),
    (100.0, -17.3, 2, -2),
    (200.0, -23.0, 2, -2),
)
ROUNDING_DB = 0.001
# Largest distance of the minimax fit from any row, as the fit's own record states it.
FIT_DB = 0.275
OCTAVE_DB = 20 * np.log10(2)


@pytest.mark.parametrize(("frequency_hz", "level_db", "upper_db", "lower_db"), PRINTED)
def test_formula_meets_row(frequency_hz: float, level_db: float, upper_db: float, lower_db: float) -> None:
    error = float(weighting_db(frequency_hz)) - level_db
    assert lower_db - ROUNDING_DB <= error <= upper_db + ROUNDING_DB
    assert abs(error) <= FIT_DB


def test_table_is_the_printed_one() -> None:
    np.testing.assert_array_equal(np.array(WEIGHTING_TABLE), np.array(PRINTED))


def test_reference_is_4_hz() -> None:
    assert float(weighting_db(4.0)) == pytest.approx(0.0, abs=ROUNDING_DB)
    assert float(weighting_gain(4.0)) == pytest.approx(1.0, abs=1e-4)


def test_formula_against_the_pole_zero_form_of_scipy() -> None:
    """Independent evaluation: zeros 0, 0, 0, -200.8910 and the poles in rad/s, by `scipy.signal.freqs_zpk`."""
    from scipy.signal import freqs_zpk

    zeros = [0, 0, 0, -200.8910]
    poles = [-8.975702, -54.418031, -275.636723, -2.265107 + 1.642232j, -2.265107 - 1.642232j]
    frequency = np.geomspace(0.1, 200, 61)
    _, response = freqs_zpk(zeros, poles, 87.356638, worN=2 * np.pi * frequency)
    np.testing.assert_allclose(weighting_gain(frequency), np.abs(response), rtol=1e-5)


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "octaves_db", "within_db"),
    [(0.5, 1.0, OCTAVE_DB, 1.5), (200.0, 100.0, OCTAVE_DB, 0.5), (80.0, 40.0, OCTAVE_DB, 1.5)],
)
def test_slope_about_6_db_per_octave(from_hz: float, to_hz: float, octaves_db: float, within_db: float) -> None:
    """About 6 dB an octave on either side of 4 Hz (AES Standards News 2009-02-16)."""
    assert float(weighting_db(to_hz) - weighting_db(from_hz)) == pytest.approx(octaves_db, abs=within_db)


def test_extra_drop_below_half_a_hertz() -> None:
    """AES Standards News 2009-02-16: steeper than 6 dB an octave below 0.5 Hz; the formula ends at 18."""
    octave = weighting_db([0.5, 0.25, 0.125, 0.0625])
    steps = -np.diff(octave)
    assert np.all(steps > 1.5 * OCTAVE_DB)
    assert np.all(np.diff(steps) > 0)
    low = weighting_db([1e-3, 5e-4])
    assert low[0] - low[1] == pytest.approx(3 * OCTAVE_DB, abs=0.01)


def test_rises_to_about_4_hz_and_falls_after() -> None:
    frequency = np.geomspace(0.05, 400, 2001)
    gain = weighting_gain(frequency)
    top = int(np.argmax(gain))
    assert 3.0 < frequency[top] < 4.5
    assert np.all(np.diff(gain[: top + 1]) > 0)
    assert np.all(np.diff(gain[top:]) < 0)


def test_zero_frequency_and_shape() -> None:
    gain = weighting_gain([[0.0, 4.0], [1.0, 10.0]])
    assert gain.shape == (2, 2)
    assert gain[0, 0] == 0.0
    assert weighting_db(0.0) == -np.inf


@pytest.mark.parametrize("bad", [-0.1, np.nan, np.inf])
def test_bad_frequency(bad: float) -> None:
    with pytest.raises(ValueError, match="finite and not negative"):
        weighting_gain([1.0, bad])


def test_limits_at_a_row_and_between_rows() -> None:
    lowest, highest = weighting_limits_db([0.2, 4.0, 200.0, np.sqrt(4.0 * 6.3)])
    np.testing.assert_allclose(lowest, [-34.6, 0.0, -25.0, -2.45], atol=1e-9)
    np.testing.assert_allclose(highest, [-20.6, 0.0, -21.0, 1.55], atol=1e-9)


@pytest.mark.parametrize("frequency_hz", [0.0999, 200.1])
def test_limits_outside_the_table(frequency_hz: float) -> None:
    with pytest.raises(ValueError, match=r"0\.1 to 200 Hz only"):
        weighting_limits_db(frequency_hz)


@pytest.mark.parametrize(
    ("frequency_hz", "level_db", "message"),
    [
        (10.0, -2.1 + 2.01, r"at 10 Hz is outside -4\.10 to -0\.10 dB"),
        (10.0, -2.1 - 2.01, r"at 10 Hz is outside"),
        (0.1, -48 - 4.01, r"at 0\.1 Hz is outside"),
        (4.0, 0.002, r"at 4 Hz is outside"),
        (4.0, -0.002, r"at 4 Hz is outside"),
        (1.0, np.nan, r"at 1 Hz is outside"),
    ],
)
def test_check_refuses(frequency_hz: float, level_db: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        check_weighting([2.0, frequency_hz], [10 ** (-0.9 / 20), 10 ** (level_db / 20)])


def test_check_accepts_the_tolerance_and_ignores_what_the_table_leaves_out() -> None:
    check_weighting([10.0, 0.1, 4.0], 10 ** (np.array([-2.1 + 1.99, -48 + 9.99, 0.0009]) / 20))
    check_weighting([0.05, 300.0], [5.0, 5.0])


@pytest.mark.parametrize(("rpm", "counts"), [(100 / 3, 0.314), (45.0, 0.468)])
def test_what_once_a_turn_counts(rpm: float, counts: float) -> None:
    """The factors that the reading tells, so that two speeds are not compared as if alike."""
    from strobe.report.terminal import TURN_GAINS

    assert float(weighting_gain(rpm / 60)) == pytest.approx(counts, abs=5e-4)
    assert TURN_GAINS["45" if rpm == 45 else "33 1/3"] == counts


def test_what_a_record_adds() -> None:
    """0.2 mm at 60 mm: e / r = 0.333 %, weighted 0.105 % at 33 1/3 (computed)."""
    from strobe.measuring.assembly import record_context

    record = record_context(100 / 3)
    assert record.peak_percent == pytest.approx(0.333, abs=5e-4)
    assert record.weighted_percent == pytest.approx(0.105, abs=5e-4)
