"""Measurements to and from what the log and its export files hold: JSON and a compressed speed series.

Whatever comes back in is checked field by field against the dataclasses of `strobe.measurement`, so that a damaged or
hostile file is refused with the place where it is wrong.
"""

from __future__ import annotations

import json
import math
import types
import zlib
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np

from strobe.bench.records import LONGEST_TEXT
from strobe.figures.results import SpeedSeries
from strobe.figures.rings import LEAST_RPM, MOST_RPM
from strobe.measurement import Measurement

__all__ = ["load_json", "pack_checked", "pack_series", "revive", "revive_measurement", "unpack_series"]

_COLUMNS = ("time_s", "angle_rev", "deviation_percent")
_MOST_SAMPLES = 300_000
"""Samples of a series, 7 MB: 83 minutes at 60 pictures a second. A guard against what is no reading; our own choice."""
_MOST_TURNS = 100_000
"""Turns of a series: 21 hours at 78 rpm; our own choice."""
_LEAST_SAMPLES = 14
"""`strobe.figures.evaluate` asks for 16 samples, up to a tenth closer than stated: 15 steps / 1.1, rounded."""
_MOST_ITEMS = 10_000
"""Items of one list of a measurement, such as the passes of a mark; our own choice."""
_LARGEST = 1e9
"""Above any number that a reading gives, whatever its unit (seconds, turns, percent, pixels, frames); our own
choice."""
_UNEVEN = 1e-3
"""Share of the mean step by which the steps of an even grid may differ: rounding leaves far less. Our own choice."""
_SCHEMA = "strobe.measurement/1"


def pack_series(series: SpeedSeries) -> bytes:
    """The three columns as little-endian float64, bytes of equal weight together, through zlib; exact."""
    stacked = np.stack([getattr(series, name) for name in _COLUMNS]).astype("<f8")
    return zlib.compress(np.ascontiguousarray(stacked.view(np.uint8).reshape(-1, 8).T).tobytes(), 6)


def pack_checked(measurement: Measurement) -> bytes:
    """The packed series of a measurement that, with its JSON, can be read back.

    Raises
    ------
    ValueError
        If it cannot; the message says why.
    """
    packed = pack_series(measurement.series)
    series = unpack_series(packed, measurement.series.time_s.size)
    data = load_json(json.dumps(measurement.to_dict(), allow_nan=False))
    revive_measurement(data, series, dot_pitch_px=measurement.dot_pitch_px)
    return packed


def unpack_series(packed: bytes, count: int) -> SpeedSeries:
    """The inverse of `pack_series`.

    Raises
    ------
    ValueError
        If it does not hold `count` samples of finite numbers on an even, growing time grid.
    """
    if not _LEAST_SAMPLES <= count <= _MOST_SAMPLES:
        raise ValueError(f"the series has {count} samples; {_LEAST_SAMPLES} to {_MOST_SAMPLES} can be")
    size = count * 8 * len(_COLUMNS)
    inflate = zlib.decompressobj()
    try:
        raw = inflate.decompress(packed, size + 1)
    except zlib.error as error:
        raise ValueError(f"the series cannot be unpacked ({error})") from None
    if len(raw) != size or not inflate.eof:
        raise ValueError(f"the series does not hold the {count} samples that it should")
    planes = np.frombuffer(raw, np.uint8).reshape(8, -1)
    columns = np.ascontiguousarray(planes.T).view("<f8").reshape(len(_COLUMNS), count).astype(np.float64)
    if not np.all(np.abs(columns) < _LARGEST):
        raise ValueError("the series holds numbers that no clip gives")
    steps = np.diff(columns[0])
    if steps.min() <= 0 or np.ptp(steps) > _UNEVEN * steps.mean():
        raise ValueError("the times of the series are not evenly spaced")
    if columns[1, -1] <= columns[1, 0] or np.ptp(columns[1]) > _MOST_TURNS:
        raise ValueError(f"the platter of the series does not turn forwards, by up to {_MOST_TURNS} turns")
    columns.flags.writeable = False
    return SpeedSeries(*columns)


def load_json(text: str) -> Any:
    """Parsed JSON; NaN, infinities, numbers too large for a float, doubled keys and nesting without end are errors.

    Raises
    ------
    ValueError
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) != len(pairs):
            raise ValueError("a key stands twice in one object")
        return made

    def no_constant(name: str) -> Any:
        raise ValueError(f"{name} is not a number of JSON")

    def finite(digits: str) -> float:
        value = float(digits)
        if not math.isfinite(value):
            raise ValueError(f"the number {digits[:40]} is too large")
        return value

    try:
        return json.loads(text, object_pairs_hook=once, parse_constant=no_constant, parse_float=finite)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def revive_measurement(data: Any, series: SpeedSeries, *, dot_pitch_px: float) -> Measurement:
    """A `Measurement` from its JSON object, its series and the pitch of its dots.

    Raises
    ------
    ValueError
        If a field is missing, of the wrong type, or holds what no clip gives; the message names the field.
    """
    if not isinstance(data, Mapping) or data.get("schema") != _SCHEMA:
        raise ValueError(f"measurement: its schema is not {_SCHEMA}")
    known = {each.name for each in fields(Measurement)}
    given = {name: value for name, value in data.items() if name in known - {"series", "dot_pitch_px"}}
    hints = {name: hint for name, hint in get_type_hints(Measurement).items() if name != "series"}
    values = _fields(Measurement, {**given, "dot_pitch_px": dot_pitch_px}, hints, "measurement")
    measurement = Measurement(**values, series=series)
    _check_plausible(measurement)
    return measurement


def revive(kind: Any, value: Any, where: str) -> Any:
    """`value` from JSON as the annotated type `kind`: numbers, truths, text, tuples, optional values, dataclasses.

    Raises
    ------
    ValueError
        If it does not fit; `where` begins the message.
    """
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        if value is None and type(None) in get_args(kind):
            return None
        (inner,) = (each for each in get_args(kind) if each is not type(None))
        return revive(inner, value, where)
    if origin is tuple:
        return _tuple(get_args(kind), value, where)
    if origin is dict:
        if not isinstance(value, dict):
            raise ValueError(f"{where} is not an object")
        return value
    if is_dataclass(kind):
        if not isinstance(value, Mapping):
            raise ValueError(f"{where} is not an object")
        known = {each.name for each in fields(kind)}
        values = {name: item for name, item in value.items() if name in known}
        # Not typed: kind is a dataclass here.
        return kind(**_fields(kind, values, get_type_hints(kind), where))  # type: ignore[operator]  # a dataclass
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
        if not (math.isfinite(value) and abs(value) < _LARGEST):
            raise ValueError(f"{where} is {value!r}, which no clip gives")
        return float(value)
    if kind is bool and isinstance(value, bool):
        return value
    if kind is int and isinstance(value, int) and not isinstance(value, bool) and abs(value) < _LARGEST:
        return value
    if kind is str and isinstance(value, str) and len(value) <= LONGEST_TEXT:
        return value.encode("utf-8", "replace").decode("utf-8")
    raise ValueError(f"{where} is not a usable {getattr(kind, '__name__', kind)}")


def _fields(owner: Any, given: Mapping[str, Any], hints: Mapping[str, Any], where: str) -> dict[str, Any]:
    values = {}
    for each in fields(owner):
        if each.name not in hints:
            continue
        if each.name in given:
            values[each.name] = revive(hints[each.name], given[each.name], f"{where}.{each.name}")
        elif each.default is MISSING:
            raise ValueError(f"{where}.{each.name} is missing")
    return values


def _tuple(kinds: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list) or len(value) > _MOST_ITEMS:
        raise ValueError(f"{where} is not a list of at most {_MOST_ITEMS}")
    if kinds[-1] is Ellipsis:
        kinds = kinds[:1] * len(value)
    if len(kinds) != len(value):
        raise ValueError(f"{where} has {len(value)} values, not {len(kinds)}")
    return tuple(
        revive(kind, item, f"{where}[{place}]") for place, (kind, item) in enumerate(zip(kinds, value, strict=True))
    )


def _check_plausible(measurement: Measurement) -> None:
    low, high = measurement.fluctuation.band_hz
    speed, setup, clip = measurement.speed, measurement.setup, measurement.clip
    rules = {
        f"setup.nominal_rpm lies between {LEAST_RPM:g} and {MOST_RPM:g}": LEAST_RPM <= setup.nominal_rpm <= MOST_RPM,
        "setup.dots lies between 1 and 100000": 1 <= setup.dots <= 100_000,
        "speed.mean_rpm lies between 0.1 and 10000": 0.1 <= speed.mean_rpm <= 10_000,
        "clip.duration_s is above 0": clip.duration_s > 0,
        "clip.frame_rate_hz and capture_rate_hz are above 0": min(clip.frame_rate_hz, clip.capture_rate_hz) > 0,
        "fluctuation.band_hz rises from above 0": 0 < low < high,
        "speed.uncertainty_percent is 0 or more": speed.uncertainty_percent >= 0,
        "verdict.result is pass, fail or undecided": (
            measurement.verdict is None or measurement.verdict.get("result") in ("pass", "fail", "undecided")
        ),
        "fluctuation figures are 0 or more": all(
            value >= 0
            for name, value in vars(measurement.fluctuation).items()
            if name.endswith("_percent") and value is not None
        ),
        "components have a period and a frequency above 0": all(
            part.frequency_hz > 0 and part.period_s > 0 and min(part.peak_percent, part.uncertainty_percent) >= 0
            for part in measurement.components
        ),
    }
    for rule, holds in rules.items():
        if not holds:
            raise ValueError(f"measurement: {rule}; here it is not so")
