"""What each key of the configuration may hold, and how its value is written."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from strobe.errors import UsageError, did_you_mean, nearest
from strobe.typed import number

__all__ = [
    "CAMERA_KEYS",
    "KEYS",
    "NO_CAMERA",
    "Rule",
    "check_camera_name",
    "is_camera_name",
    "known_keys",
    "must",
    "rule_of",
]

CAMERA_KEYS = ("rate_error_ppm", "uncertainty_ppm", "date")
NO_CAMERA = "none"

_MOST_PPM = 2000.0
"""Parts per million of a clock's error that are believed: crystals have some tens (value from memory), a rate of 29.97
taken for 30 makes 1000. Our own choice."""
_CAMERA_NAME = re.compile(r"[\w][\w \-]{0,39}")


def is_camera_name(name: str) -> bool:
    """Whether a camera may be called so."""
    return _CAMERA_NAME.fullmatch(name) is not None and name != NO_CAMERA


def check_camera_name(name: str) -> None:
    """Refuse a name that could not be a key.

    Raises
    ------
    UsageError
    """
    if not is_camera_name(name):
        raise UsageError(
            f"camera name {name!r}: a name has 1 to 40 letters, digits, spaces, - or _, does not begin "
            f"with a space or -, and is not {NO_CAMERA!r}"
        )


@dataclass(frozen=True)
class Rule:
    """What one key may hold."""

    meaning: str
    parse: Callable[[str], Any]
    check: Callable[[str, Any], None]


def _number(text: str) -> float | int:
    try:
        return int(text)
    except ValueError:
        pass
    return number(text)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is not a date; write it as in 2026-05-31") from None


def must(holds: bool, what: str, rule: str) -> None:
    """Raise `UsageError` with `rule` unless it holds."""
    if not holds:
        raise UsageError(f"{what}: {rule}")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _between(low: float, high: float, unit: str) -> Callable[[str, Any], None]:
    def check(what: str, value: Any) -> None:
        must(_is_number(value) and low <= value <= high, what, f"must be a number from {low:g} to {high:g} ({unit})")

    return check


def _check_mains(what: str, value: Any) -> None:
    must(_is_number(value) and value in (50, 60), what, "must be 50 or 60, the two mains frequencies in Hz")


def _check_name(what: str, value: Any) -> None:
    must(isinstance(value, str) and bool(value), what, 'must be the name of a camera, in quotes: "..."')


def _check_day(what: str, value: Any) -> None:
    is_day = isinstance(value, date) and not isinstance(value, datetime)
    must(is_day, what, "must be a date without quotes, as in 2026-05-31")


KEYS = {
    "mains": Rule("Hz, mains of the region, where a clip can't tell", _number, _check_mains),
    "camera": Rule("the camera that is used when none is named", str, _check_name),
    "limits.speed_percent": Rule("%, usual limit of the speed's error", _number, _between(0.001, 20, "percent")),
    "limits.weighted_peak_percent": Rule(
        "%, usual limit of the weighted 2-sigma peak", _number, _between(0.001, 20, "percent")
    ),
}
_CAMERA_RULES = {
    "rate_error_ppm": Rule(
        "ppm, by which the camera's clock runs fast", _number, _between(-_MOST_PPM, _MOST_PPM, "parts per million")
    ),
    "uncertainty_ppm": Rule("ppm, 95 % half-width of that", _number, _between(0.01, _MOST_PPM, "parts per million")),
    "date": Rule("day of the calibration", _day, _check_day),
}


def rule_of(key: str) -> Rule:
    """The rule of a key; an unknown one raises `UsageError`."""
    if key in KEYS:
        return KEYS[key]
    parts = key.split(".")
    if len(parts) == 3 and parts[0] == "cameras" and parts[2] in _CAMERA_RULES:
        check_camera_name(parts[1])
        return _CAMERA_RULES[parts[2]]
    meant = did_you_mean(nearest(key, KEYS))
    raise UsageError(f"{key!r} is no key of the configuration{f'.{meant} T' if meant else '; t'}{known_keys()[1:]}")


def known_keys() -> str:
    """All keys, for a message."""
    return f"the keys are {', '.join(KEYS)} and cameras.NAME.{{{','.join(CAMERA_KEYS)}}}"
