"""Stroboscope arithmetic: bar counts, the speed at which bars stand still, and how fast they creep otherwise.

`N` bars under `F` flashes a second stand still at ``60 F / N`` rpm. A lamp on the mains is taken to flash twice in each
mains cycle. Positive drift means that the pattern moves with the rotation: the platter is faster than the still speed.
"""

from __future__ import annotations

import math

from strobe.errors import UsageError
from strobe.typed import number

__all__ = [
    "BARS_USED",
    "LEAST_RPM",
    "MOST_RPM",
    "NOMINAL_RPM",
    "bars_for",
    "drift_dots_per_minute",
    "nearest_nominal_rpm",
    "parse_rpm",
    "still_deviation_percent",
    "still_dots_hz",
    "still_rpm",
]

# Nominal speeds: 16 2/3, 33 1/3, 45 and 3600/46 = 78.26 rpm (IEC 98, coarse groove at 60 Hz; value from memory).
NOMINAL_RPM: tuple[float, float, float, float] = (50.0 / 3.0, 100.0 / 3.0, 45.0, 3600.0 / 46.0)

# Bars in use for each nominal speed of NOMINAL_RPM: the whole number nearest to 60 F / rpm.
BARS_USED: dict[int, tuple[int, int, int, int]] = {50: (360, 180, 133, 77), 60: (432, 216, 160, 92)}

LEAST_RPM, MOST_RPM = 1.0, 1000.0
"""Speeds that a platter may be told to have, far beyond all that are in use; anything else is a slip of the pen or of
the unit. Our own choice."""

_SHORT_NAMES = {
    "16": 50.0 / 3.0,
    "16.6": 50.0 / 3.0,
    "16.66": 50.0 / 3.0,
    "16.67": 50.0 / 3.0,
    "16.7": 50.0 / 3.0,
    "16 2/3": 50.0 / 3.0,
    "16⅔": 50.0 / 3.0,
    "33": 100.0 / 3.0,
    "33.3": 100.0 / 3.0,
    "33.33": 100.0 / 3.0,
    "33.333": 100.0 / 3.0,
    "33 1/3": 100.0 / 3.0,
    "33⅓": 100.0 / 3.0,
    "78": 3600.0 / 46.0,
    "78.26": 3600.0 / 46.0,
}
_WHOLE_NAMES = ("16", "33", "45", "78")
"""What a person means by one of them alone is a speed, so that two with a comma between may be two."""
_SAME_SPEED_RATIO = 0.05
"""How far from a nominal speed its usual ring is still meant; the nominal speeds lie 35 % and more apart. Our own
choice."""


def parse_rpm(text: str | float) -> float:
    """Speed in rpm from what a person writes.

    16 and 16.7 mean 16 2/3; 33, 33.3 and 33.33 mean 33 1/3; 78 means 3600/46 = 78.26. Any other number is
    taken as it is.

    Raises
    ------
    UsageError
        If it is no number from `LEAST_RPM` to `MOST_RPM`, or may be two speeds with a comma between.
    """
    typed = str(text).strip()
    first, comma, second = typed.partition(",")
    if comma and first != second and {first, second} <= set(_WHOLE_NAMES):
        raise UsageError(
            f"rpm {text!r} may be two speeds; give each speed by its own --rpm, and use a point for decimals, as in "
            f"{first}.{second}"
        )
    name = typed.replace(",", ".")
    if name.endswith(".0"):
        name = name[:-2]
    if name in _SHORT_NAMES:
        return _SHORT_NAMES[name]
    try:
        value = number(typed)
    except UsageError as error:
        raise UsageError(f"rpm {error}; give 16, 33, 45, 78 or any speed in rpm") from None
    if not LEAST_RPM <= value <= MOST_RPM:
        raise UsageError(
            f"rpm {text!r} is not between {LEAST_RPM:g} and {MOST_RPM:g} turns a minute, and no platter turns so; give "
            "16, 33, 45, 78 or the speed in rpm"
        )
    return value


def nearest_nominal_rpm(rpm: float) -> float:
    """The nominal speed nearest to `rpm` by ratio; UsageError unless `rpm` is finite and positive."""
    _require_positive("rpm", rpm)
    return min(NOMINAL_RPM, key=lambda nominal: abs(math.log(rpm / nominal)))


def bars_for(mains_hz: float, rpm: float) -> int:
    """Number of bars of the usual ring for a mains lamp (two flashes a cycle) and a speed.

    The table `BARS_USED` within 5 % of a nominal speed at 50 or 60 Hz; the whole number nearest to ``120 mains / rpm``
    otherwise.

    Raises
    ------
    UsageError
        If an argument is not finite or not positive.
    """
    _require_positive("mains_hz", mains_hz)
    nominal = nearest_nominal_rpm(rpm)
    if mains_hz in BARS_USED and abs(rpm / nominal - 1.0) <= _SAME_SPEED_RATIO:
        return BARS_USED[int(mains_hz)][NOMINAL_RPM.index(nominal)]
    return max(1, round(120.0 * mains_hz / rpm))


def still_rpm(flash_rate_hz: float, bars: int) -> float:
    """Speed in rpm at which `bars` bars stand still: ``60 F / N``; UsageError unless both are positive."""
    _require_positive("flash_rate_hz", flash_rate_hz)
    _require_positive("bars", bars)
    return 60.0 * flash_rate_hz / bars


def still_dots_hz(dots_hz: float, flash_rate_hz: float) -> float:
    """The rate nearest to that of bars which pass, `dots_hz`, at which they stand still: ``k F``.

    A whole number k of bars goes by from flash to flash, 1 for the usual ring. Raises UsageError unless both are
    positive.

    Notes
    -----
    A ring of half as many bars stands still too under a lamp that leaves out every other flash; and where it leaves out
    none, twice as many bars show, which stand. Where that is not known, half of the flashes is the rate to give.
    """
    _require_positive("dots_hz", dots_hz)
    _require_positive("flash_rate_hz", flash_rate_hz)
    return max(1, math.floor(dots_hz / flash_rate_hz + 0.5)) * flash_rate_hz


def still_deviation_percent(flash_rate_hz: float, bars: int, nominal_rpm: float) -> float:
    """How far off nominal the platter runs, in percent, while the bars stand still (positive = fast)."""
    _require_positive("nominal_rpm", nominal_rpm)
    return 100.0 * (still_rpm(flash_rate_hz, bars) / nominal_rpm - 1.0)


def drift_dots_per_minute(rpm: float, flash_rate_hz: float, bars: int) -> float:
    """Bars that pass a fixed point in a minute as the eye counts them: ``N rpm - 60 F``, positive with the rotation."""
    _require_positive("rpm", rpm)
    return bars * (rpm - still_rpm(flash_rate_hz, bars))


def _require_positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise UsageError(f"{name} is {value!r}; it must be a finite number greater than 0")
