"""Bar counts, still speeds and drift against published strobe-disc lists and plain arithmetic."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobe.errors import UsageError
from strobe.figures.rings import (
    BARS_USED,
    NOMINAL_RPM,
    bars_for,
    drift_dots_per_minute,
    nearest_nominal_rpm,
    parse_rpm,
    still_deviation_percent,
    still_dots_hz,
    still_rpm,
)

# Mains Hz, speed asked for, bars, rpm at which they stand still, percent off the speed asked for: published
# strobe-disc lists (133, 77 and 92 bars as 45.11, 77.92 = 3000/38.5 and 78.26 = 3600/46); the rest is 60 F / N.
DISCS = (
    (50.0, 50 / 3, 360, 16.66667, 0.0),
    (50.0, 100 / 3, 180, 33.33333, 0.0),
    (50.0, 45.0, 133, 45.11278, 0.2506),
    (50.0, 78.0, 77, 77.92208, -0.0999),
    (60.0, 50 / 3, 432, 16.66667, 0.0),
    (60.0, 100 / 3, 216, 33.33333, 0.0),
    (60.0, 45.0, 160, 45.00000, 0.0),
    (60.0, 78.0, 92, 78.26087, 0.3344),
)
# Speed error in percent, bars a minute at 100 and at 120 flashes a second: 60 F |error|, arithmetic.
DRIFTS = ((0.1, 6.0, 7.2), (0.2, 12.0, 14.4), (0.3, 18.0, 21.6), (0.5, 30, 36), (1.0, 60, 72), (1.5, 90, 108))


@pytest.mark.parametrize(("mains_hz", "rpm", "bars", "still", "off_percent"), DISCS)
def test_disc(mains_hz: float, rpm: float, bars: int, still: float, off_percent: float) -> None:
    assert bars_for(mains_hz, rpm) == bars
    assert still_rpm(2 * mains_hz, bars) == pytest.approx(still, abs=5e-6)
    assert still_deviation_percent(2 * mains_hz, bars, rpm) == pytest.approx(off_percent, abs=5e-5)


@pytest.mark.parametrize(
    ("flash_rate_hz", "bars", "still"),
    [(100.0, 134, 44.77612), (300.0, 400, 45.0), (50.0, 90, 33.33333), (60.0, 108, 33.33333)],
)
def test_other_rings(flash_rate_hz: float, bars: int, still: float) -> None:
    """134 bars, a 300/s lamp, and lamps that flash once a mains cycle: 60 F / N."""
    assert still_rpm(flash_rate_hz, bars) == pytest.approx(still, abs=5e-6)


@pytest.mark.parametrize("mains_hz", [50, 60])
def test_bars_used_are_the_whole_numbers_nearest(mains_hz: int) -> None:
    exact = [120 * mains_hz / rpm for rpm in NOMINAL_RPM]
    assert list(BARS_USED[mains_hz]) == [round(bars) for bars in exact]


@pytest.mark.parametrize(
    ("mains_hz", "rpm", "bars"),
    [
        (50.0, 33.0, 180),
        (50.0, 34.9, 180),
        (50.0, 35.1, 171),
        (60.0, 44.0, 160),
        (50.0, 60.0, 100),
        (40.0, 100 / 3, 144),
        (50.0, 1e6, 1),
    ],
)
def test_bars_near_and_away_from_nominal(mains_hz: float, rpm: float, bars: int) -> None:
    """The usual ring within 5 % of a nominal speed; the nearest whole number of 120 mains / rpm elsewhere."""
    assert bars_for(mains_hz, rpm) == bars


@pytest.mark.parametrize(("error_percent", "at_100", "at_120"), DRIFTS)
@pytest.mark.parametrize("sign", [1, -1])
def test_drift_per_minute(error_percent: float, at_100: float, at_120: float, sign: int) -> None:
    factor = 1 + sign * error_percent / 100
    assert drift_dots_per_minute(100 / 3 * factor, 100.0, 180) == pytest.approx(sign * at_100, abs=1e-9)
    assert drift_dots_per_minute(100 / 3 * factor, 120.0, 216) == pytest.approx(sign * at_120, abs=1e-9)
    assert drift_dots_per_minute(45 * factor, 120.0, 160) == pytest.approx(sign * at_120, abs=1e-9)


def test_exact_45_on_133_bars_creeps_back() -> None:
    """133 x 45 - 60 x 100 = -15 bars a minute."""
    assert drift_dots_per_minute(45.0, 100.0, 133) == pytest.approx(-15.0, abs=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(flash=st.floats(10, 400), bars=st.integers(1, 1000), error=st.floats(-0.2, 0.2))
def test_drift_is_the_speed_error_times_flashes(flash: float, bars: int, error: float) -> None:
    drift = drift_dots_per_minute(still_rpm(flash, bars) * (1 + error), flash, bars)
    assert drift == pytest.approx(60 * flash * error, abs=1e-9 * 60 * flash)


@pytest.mark.parametrize(
    ("bars", "flash_rate_hz", "bars_a_flash"),
    [
        (180, 100.0, 1.0),
        (186, 100.0, 1.0),
        (170, 100.0, 1.0),
        (360, 100.0, 2.0),
        (216, 60.0, 2.0),
        (180, 50.0, 2.0),
        (90, 50.0, 1.0),
        (270, 50.0, 3.0),
        (180, 1000.0, 1.0),
    ],
)
@pytest.mark.parametrize("error", [-0.03, 0.0, 0.004])
def test_bars_stand_still_at_multiples_too(bars: int, flash_rate_hz: float, bars_a_flash: float, error: float) -> None:
    """Near 33 1/3 rpm, 5 N / 9 bars pass in a second; they stand where that is k F, and drift by N n / 60 - k F."""
    rpm = 100 / 3 * (1 + error)
    still_hz = still_dots_hz(bars * rpm / 60, flash_rate_hz)
    assert still_hz == bars_a_flash * flash_rate_hz
    drift = drift_dots_per_minute(rpm, still_hz, bars)
    assert drift == pytest.approx(bars * rpm - 60 * bars_a_flash * flash_rate_hz, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "rpm"),
    [
        ("16", 50 / 3),
        ("16.7", 50 / 3),
        ("16 2/3", 50 / 3),
        ("16⅔", 50 / 3),
        ("33", 100 / 3),
        (33, 100 / 3),
        (33.0, 100 / 3),
        (33.3, 100 / 3),
        (" 33.33 ", 100 / 3),
        ("33,3", 100 / 3),
        ("33 1/3", 100 / 3),
        ("33⅓", 100 / 3),
        ("45", 45.0),
        ("45.0", 45.0),
        ("78", 3600 / 46),
        (78.0, 3600 / 46),
        ("78.26", 3600 / 46),
        ("77.92", 77.92),
        ("33.4", 33.4),
        ("80", 80.0),
        (100 / 3, 100 / 3),
    ],
)
def test_parse_rpm(text: str | float, rpm: float) -> None:
    assert parse_rpm(text) == pytest.approx(rpm, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "rpm"), [("33,33", 100 / 3), ("33,333", 100 / 3), ("77,92", 77.92), ("45,1", 45.1), ("16,7", 50 / 3)]
)
def test_parse_rpm_with_a_decimal_comma(text: str, rpm: float) -> None:
    assert parse_rpm(text) == pytest.approx(rpm, rel=1e-12)


@pytest.mark.parametrize("text", ["33,45", "45,33", "33,78", "16,33"])
def test_parse_rpm_of_two_speeds(text: str) -> None:
    with pytest.raises(UsageError, match=f"may be two speeds; .* as in {text.replace(',', '.')}"):
        parse_rpm(text)


@pytest.mark.parametrize("text", ["", "fast", "33 rpm", "1/3", "33.3.3"])
def test_parse_rpm_no_number(text: str) -> None:
    with pytest.raises(UsageError, match="is not a number; give 16, 33, 45, 78"):
        parse_rpm(text)


@pytest.mark.parametrize("text", ["0", "-33", "nan", "inf", -45.0, math.nan, "1e-320", "0.99", 1000.1, "1e300"])
def test_parse_rpm_no_speed(text: str | float) -> None:
    told = f"rpm {re.escape(repr(text))} is not between 1 and 1000 turns a minute, .*; give 16, 33, 45, 78 or"
    with pytest.raises(UsageError, match=told):
        parse_rpm(text)


@pytest.mark.parametrize("text", ["1", 1000])
def test_parse_rpm_slowest_and_fastest(text: str | float) -> None:
    assert parse_rpm(text) == float(text)


@pytest.mark.parametrize(
    ("rpm", "nominal"),
    [
        (17.0, 50 / 3),
        (30.0, 100 / 3),
        (38.0, 100 / 3),
        (39.0, 45.0),
        (59.0, 45.0),
        (60.0, 3600 / 46),
        (0.1, 50 / 3),
    ],
)
def test_nearest_nominal(rpm: float, nominal: float) -> None:
    """Nearest by ratio: the borders are the geometric means, 38.73 and 59.34 rpm."""
    assert nearest_nominal_rpm(rpm) == pytest.approx(nominal, rel=1e-12)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_figures_of_nothing(bad: float) -> None:
    with pytest.raises(UsageError, match="mains_hz is"):
        bars_for(bad, 45.0)
    with pytest.raises(UsageError, match="rpm is"):
        bars_for(50.0, bad)
    with pytest.raises(UsageError, match="rpm is"):
        nearest_nominal_rpm(bad)
    with pytest.raises(UsageError, match="flash_rate_hz is"):
        still_rpm(bad, 180)
    with pytest.raises(UsageError, match="nominal_rpm is"):
        still_deviation_percent(100.0, 180, bad)
    with pytest.raises(UsageError, match="rpm is"):
        drift_dots_per_minute(bad, 100.0, 180)
    with pytest.raises(UsageError, match="dots_hz is"):
        still_dots_hz(bad, 100.0)
    with pytest.raises(UsageError, match="flash_rate_hz is"):
        still_dots_hz(100.0, bad)


@pytest.mark.parametrize("bars", [0, -180])
def test_no_bars(bars: int) -> None:
    with pytest.raises(UsageError, match="bars is"):
        still_rpm(100.0, bars)


def test_usage_error_is_a_value_error() -> None:
    with pytest.raises(ValueError, match="is not a number"):
        parse_rpm("slow")
