"""The measurement as frozen dataclasses, and its JSON form ``strobe.measurement/1``.

The shape is a contract: fields may be added, never renamed. `Measurement.to_dict` gives exactly the JSON object.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from strobe.figures.results import Component, ComponentSearch, Event, Fluctuation, SpeedSeries

__all__ = [
    "BudgetEntry",
    "Clip",
    "ClockCalibration",
    "DiscView",
    "Event",
    "IndexMark",
    "Measurement",
    "Note",
    "RecordContext",
    "Refusal",
    "RingSeen",
    "RingShare",
    "Runout",
    "Setup",
    "Speed",
    "Timing",
]


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
    """Which line was read and what the speed rests on (`reference` is ``camera`` or ``lamp``).

    `camera_rate_error_ppm` is what was taken off the camera's clock, positive where it runs fast; None for nothing.
    """

    line: str
    flash_rate_hz: float | None
    flash_rate_source: str | None
    reference: str
    flash_rate_uncertainty_hz: float | None = None
    camera_rate_error_ppm: float | None = None


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
class Runout:
    """Rise and fall (axial) and in and out (radial) of the rim, high to low (TIR), with 95 % half-widths.

    Attributes
    ----------
    axial_mm, axial_uncertainty_mm : float
        Whole swing of the rise and fall, what the camera sees of the radial swing taken off.
    axial_high_time_s : float
        When the highest spot first stands in front of the camera, in the time of the series.
    radial_mm, radial_uncertainty_mm : float or None
        Whole swing towards the camera and away; None where the clip does not tell.
    axial_amplitude_mm : float or None
        Half of `axial_mm`. This and what follows is None in records of older readings.
    tilt_deg, tilt_uncertainty_deg : float or None
        By how much the rim's plane leans, which needs no diameter.
    high_spot_uncertainty_deg : float or None
        Half-width of the high spot's place on the platter.
    high_spot_from_mark_deg : float or None
        How far to the right of the mark that passes the high spot lies as one looks at the rim (anticlockwise seen
        from above); None without a mark.
    rim_mm : float or None
        Diameter that the millimetres rest on; `rim_assumed` where nobody gave it.
    elevation_deg, elevation_uncertainty_deg : float or None
        Height of the camera above the level of the dots.
    near_x_share, near_y_share : float or None
        Where in the picture, as shares of its width and height, the near side of the row is.
    """

    axial_mm: float
    axial_uncertainty_mm: float
    axial_high_time_s: float
    radial_mm: float | None
    radial_uncertainty_mm: float | None
    axial_amplitude_mm: float | None = None
    tilt_deg: float | None = None
    tilt_uncertainty_deg: float | None = None
    high_spot_uncertainty_deg: float | None = None
    high_spot_from_mark_deg: float | None = None
    rim_mm: float | None = None
    rim_assumed: bool = False
    elevation_deg: float | None = None
    elevation_uncertainty_deg: float | None = None
    near_x_share: float | None = None
    near_y_share: float | None = None


@dataclass(frozen=True)
class RingShare:
    """What swings once a turn, the platter's speed and what dots off centre feign, told apart in one clip.

    Peaks in percent of the speed with 95 % half-widths. The ring's part is taken off all other figures.

    Attributes
    ----------
    wobble_percent, wobble_uncertainty_percent : float
        Of the platter's speed.
    ring_percent, ring_uncertainty_percent : float
        Of the ring, with what runout does to the picture of the row.
    dots_percent, dots_phase_deg : float
        The part of it that the dots' own places make: ``dots_percent * cos(angle + phase)`` with the series' angle of
        the platter.
    runout_percent : float
        The other part.
    off_centre_mm, off_centre_uncertainty_mm : float or None
        How far the dots stand off centre along the rim; None where the rim's diameter is not given.
    """

    wobble_percent: float
    wobble_uncertainty_percent: float
    ring_percent: float
    ring_uncertainty_percent: float
    dots_percent: float
    dots_phase_deg: float
    runout_percent: float
    off_centre_mm: float | None
    off_centre_uncertainty_mm: float | None


@dataclass(frozen=True)
class RingSeen:
    """A ring of bars on a disc; `counted` says whether its bars were counted in the picture beyond doubt."""

    bars: int
    counted: bool
    seen_share: float
    radius_mm: float | None


@dataclass(frozen=True)
class DiscView:
    """A disc seen from above; the eccentricity is that of the ring that was read, with 95 % half-widths.

    Attributes
    ----------
    elevation_deg : float
        Height of the camera above the level.
    rings : tuple of RingSeen
        The clearest first.
    eccentricity_percent, eccentricity_uncertainty_percent : float or None
        Distance of the ring's middle from the spindle, in percent of the ring's radius; None where none showed.
    eccentricity_mm, eccentricity_uncertainty_mm : float or None
        The same in millimetres, where the size of the disc is known.
    eccentricity_direction_deg : float or None
        From the index mark on, anticlockwise seen from above; None without a mark.
    """

    elevation_deg: float
    rings: tuple[RingSeen, ...]
    eccentricity_percent: float | None
    eccentricity_uncertainty_percent: float | None
    eccentricity_mm: float | None
    eccentricity_uncertainty_mm: float | None
    eccentricity_direction_deg: float | None


@dataclass(frozen=True)
class IndexMark:
    """A mark that passes once a turn: the platter's angle, and the speed by the mark alone; 95 % half-widths.

    Attributes
    ----------
    angle_rev, angle_uncertainty_rev : float
        Angle of the platter at the time zero of the series, in turns since the mark stood at the near side.
    turn_s, turn_uncertainty_s : float
        Time of one turn.
    turns : float
        Turns over which the mark was followed.
    mean_rpm, deviation_percent, uncertainty_percent : float
        The speed by the mark, against the camera's clock.
    difference_percent : float
        By how much it is above the speed of the reading.
    agrees : bool
        Whether both may be right.
    passes_s : tuple of float
        When the mark passed the near side of a rim.
    """

    angle_rev: float
    angle_uncertainty_rev: float
    turn_s: float
    turn_uncertainty_s: float
    turns: float
    mean_rpm: float
    deviation_percent: float
    uncertainty_percent: float
    difference_percent: float
    agrees: bool
    passes_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class Note:
    """A caution or remark; `code` is stable, `message` is for people."""

    code: str
    message: str


@dataclass(frozen=True)
class BudgetEntry:
    """What one source adds to the half-width of a figure, itself a 95 % half-width.

    The entries of a figure add in square, but for ``lines coincide`` and ``speed assumed``, which add as they are.
    """

    figure: str
    source: str
    percent: float


@dataclass(frozen=True)
class RecordContext:
    """What a record alone would add to a played tone once a turn: hole and groove off each other, at a groove's radius.

    The peak is e / r, before and after the weighting; a figure of the platter holds none of it.
    """

    off_centre_mm: float
    groove_radius_mm: float
    peak_percent: float
    weighted_percent: float


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
    disc: DiscView | None = None
    index: IndexMark | None = None
    budget: tuple[BudgetEntry, ...] = ()
    search: ComponentSearch | None = None
    record: RecordContext | None = None
    ring: RingShare | None = None

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
                "ring": None if self.ring is None else asdict(self.ring),
                "verdict": self.verdict,
                "disc": None if self.disc is None else asdict(self.disc),
                "index": None if self.index is None else asdict(self.index),
                "budget": [asdict(entry) for entry in self.budget],
                "search": None if self.search is None else asdict(self.search),
                "record": None if self.record is None else asdict(self.record),
                "notes": [asdict(n) for n in self.notes],
            }
        )


@dataclass(frozen=True)
class ClockCalibration:
    """What one clip says of its camera's clock; every uncertainty is a 95 % half-width.

    Attributes
    ----------
    path : str
        The clip.
    rate_error_ppm, uncertainty_ppm : float
        Parts per million by which the clock runs fast.
    improves : bool
        Whether the clock is now known better than a camera's is without calibration.
    lamp_hz, lamp_uncertainty_ppm : float
        The lamp as it was given; its uncertainty is part of `uncertainty_ppm`.
    lamp_uncertainty_given : bool
        Whether it was, or what is usual for a quartz was taken.
    flash_rate_hz, flash_rate_uncertainty_hz : float
        The lamp by the camera's clock.
    modulation_percent : float
        Flicker amplitude over mean brightness in the picture.
    duration_s, frame_rate_hz : float
        Of the clip, by the camera's clock.
    """

    path: str
    rate_error_ppm: float
    uncertainty_ppm: float
    improves: bool
    lamp_hz: float
    lamp_uncertainty_ppm: float
    lamp_uncertainty_given: bool
    flash_rate_hz: float
    flash_rate_uncertainty_hz: float
    modulation_percent: float
    duration_s: float
    frame_rate_hz: float

    @property
    def like_mains(self) -> bool:
        """Whether the lamp has one of the rates that mains lamps have."""
        return any(abs(self.lamp_hz / rate - 1) < 0.01 for rate in (50, 60, 100, 120))


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
