"""The measurement as frozen dataclasses, and its JSON form ``strobe.measurement/1``.

The shape is a contract: fields may be added, never renamed. `Measurement.to_dict` gives exactly the JSON object.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from strobe.figures.results import Component, Fluctuation, SpeedSeries

__all__ = ["Clip", "Event", "Measurement", "Note", "Refusal", "Runout", "Setup", "Speed", "Timing"]


@dataclass(frozen=True)
class Clip:
    """The file as it was read. `capture_rate_hz` is the rate of the sensor (differs for slow motion)."""

    path: str
    frames: int
    duration_s: float
    frame_rate_hz: float
    capture_rate_hz: float


@dataclass(frozen=True)
class Setup:
    """What was measured against. `assumed` names the values neither given nor shown by the clip."""

    nominal_rpm: float
    dots: int
    mains_hz: float | None
    lamp: str
    view: str
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class Timing:
    """Which line was read and what the speed rests on (`reference` is ``camera`` or ``lamp``)."""

    line: str
    flash_rate_hz: float | None
    flash_rate_source: str | None
    reference: str
    flash_rate_uncertainty_hz: float | None = None


@dataclass(frozen=True)
class Speed:
    """Mean speed over whole revolutions; percentages relative to nominal, positive = fast.

    `drift_dots_per_minute` is what the eye would count: positive = the pattern moves with the rotation.
    `end_to_end_deviation_percent` is the mean from the first frame to the last instead, the incomplete turn included.
    """

    mean_rpm: float
    deviation_percent: float
    uncertainty_percent: float
    deviation_to_lamp_percent: float | None
    deviation_to_camera_percent: float | None
    still_deviation_percent: float
    drift_dots_per_minute: float
    revolutions: float
    end_to_end_deviation_percent: float | None = None


@dataclass(frozen=True)
class Event:
    """Something sudden: its time, kind and size."""

    time_s: float
    kind: str
    size_percent: float


@dataclass(frozen=True)
class Runout:
    """Rise and fall (axial) and in and out (radial) of the rim, peak to peak, with 95 % half-widths."""

    axial_mm: float
    axial_uncertainty_mm: float
    axial_high_time_s: float
    radial_mm: float
    radial_uncertainty_mm: float


@dataclass(frozen=True)
class Note:
    """A caution or remark; `code` is stable, `message` is for people."""

    code: str
    message: str


@dataclass(frozen=True, eq=False)
class Measurement:
    """One clip measured."""

    clip: Clip
    setup: Setup
    timing: Timing
    speed: Speed
    fluctuation: Fluctuation
    components: tuple[Component, ...]
    trend_percent_per_minute: float
    trend_uncertainty_percent_per_minute: float
    series: SpeedSeries
    dot_pitch_px: float
    events: tuple[Event, ...] = ()
    runout: Runout | None = None
    verdict: dict[str, Any] | None = None
    notes: tuple[Note, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON object ``strobe.measurement/1``; plain numbers, no NaN, the series left out."""
        named = {name: asdict(getattr(self, name)) for name in ("clip", "setup", "timing", "speed", "fluctuation")}
        return _plain(
            {
                "schema": "strobe.measurement/1",
                **named,
                "components": [asdict(c) for c in self.components],
                "trend_percent_per_minute": self.trend_percent_per_minute,
                "trend_uncertainty_percent_per_minute": self.trend_uncertainty_percent_per_minute,
                "events": [asdict(e) for e in self.events],
                "runout": None if self.runout is None else asdict(self.runout),
                "verdict": self.verdict,
                "notes": [asdict(n) for n in self.notes],
            }
        )


@dataclass(frozen=True)
class Refusal:
    """A clip that was read but not measured, as ``strobe.refusal/1``."""

    path: str
    reason: str
    message: str
    advice: str

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the refusal."""
        return {
            "schema": "strobe.refusal/1",
            "clip": {"path": self.path},
            "reason": self.reason,
            "message": self.message,
            "advice": self.advice,
        }


def _plain(value: Any) -> Any:
    """Numpy scalars and tuples to what JSON knows; a number that is not finite is a fault, not a figure."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a measurement holds a figure that is not finite")
    return value
