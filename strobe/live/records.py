"""What the live readout takes and gives: options, what has been recognised, and the updates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from strobe.measurement import Measurement, Refusal
from strobe.phase import FlashRate

__all__ = ["SCHEMA", "LiveOptions", "LiveOutcome", "LiveUpdate", "Lock", "State", "WarmReading", "WarmUp"]

SCHEMA = "strobe.live/1"
"""Name of the JSON form of an update."""
State = Literal["searching", "settling", "steady", "lost"]


@dataclass(frozen=True)
class LiveOptions:
    """What is known beforehand, as for `strobe.measure`, and the band that counts as right (plus or minus)."""

    nominal_rpm: float | None = None
    dots: int | None = None
    mains_hz: float | None = None
    lamp: str | float = "mains"
    mains_default_hz: float | None = None
    camera_rate_error_ppm: float | None = None
    camera_rate_uncertainty_ppm: float | None = None
    band_percent: float = 0.1


@dataclass(frozen=True, eq=False)
class Lock:
    """What has been recognised: which row is read, and what turns its phase into a speed.

    Attributes
    ----------
    row : int
        Place of the row among those that were learned.
    sweep_place : float or None
        Of the row, as in `RowSeries`.
    conjugate : bool
        Whether the pattern runs the other way along it (rows that run up the picture).
    pitch_px : float
        Of the row, to find it again.
    nominal_rpm, dots, reference
        As in `Measurement`.
    line : str
        The line that is followed, of `strobe.phase.LINE_ORDERS`.
    lamp_hz : float or None
        Flash rate on the camera's clock; None where no lamp takes part.
    lamp_nominal_hz : float or None
        The rate that it should have.
    flash : FlashRate or None
        The flicker as last measured.
    scale : float
        Turns speed on the camera's clock into speed by the reference.
    systematic_percent : float
        95 % half-width of what a longer look does not mend: clock, mains, which line.
    mains_hz : float or None
        Of the lamp whose rate the speed rests on as it was measured; None where it rests on none, or on one that no
        mains moves.
    lamp_seen_s : float
        Up to when the lamp was measured, on the clock of the source.
    by_arrival : bool
        Whether the clock is that of pictures arriving, which a busy machine or network holds up.
    interval_s : float
        Spacing of the frames when it was recognised.
    dot_rate_hz : float
        Dots a second when it was recognised.
    measurement : Measurement
        The full reading that it rests on; renewed as more is seen.
    """

    row: int
    sweep_place: float | None
    conjugate: bool
    pitch_px: float
    nominal_rpm: float
    dots: int
    line: str
    reference: str
    lamp_hz: float | None
    lamp_nominal_hz: float | None
    flash: FlashRate | None
    scale: float
    systematic_percent: float
    mains_hz: float | None
    lamp_seen_s: float
    by_arrival: bool
    interval_s: float
    dot_rate_hz: float
    measurement: Measurement

    def same_as(self, other: Lock) -> bool:
        """Whether both say the same of platter and ring."""
        mine = (self.nominal_rpm, self.dots, self.line)
        return mine == (other.nominal_rpm, other.dots, other.line)


@dataclass(frozen=True)
class LiveUpdate:
    """What is known at one moment; figures are None whenever none is current.

    Attributes
    ----------
    time_s : float
        Of the newest frame, on the clock of the source.
    state : str
        ``searching`` (no row or not recognised), ``settling`` (too few even turns), ``steady``, or ``lost``.
    deviation_percent, uncertainty_percent : float or None
        Deviation over the last whole turns and its 95 % half-width.
    creep_dots_per_minute : float or None
        As the eye counts it under the lamp; positive with the rotation.
    instruction : str
        What to do.
    message : str
        Why there is no figure, or what to beware of; empty for nothing.
    nominal_rpm, dots : float, int or None
        What is being read.
    turns : int
        Whole turns that the figure rests on.
    turns_gathered : float
        Turns since the speed was last changed.
    band_percent : float
        What counts as right: as was asked for, or as close as this set-up can tell.
    closest_percent : float or None
        How close this set-up can tell.
    reference : str or None
        ``camera`` or ``lamp``.
    steadiness_percent, steadiness_uncertainty_percent : float or None
        Weighted 2-sigma peak of the settled part so far.
    picture : str
        How good the picture is, in words.
    frames, skipped : int
        Frames read, and left out because they came too fast.
    latency_s : float
        From the arrival of the newest frame to this update.
    """

    time_s: float
    state: State
    deviation_percent: float | None = None
    uncertainty_percent: float | None = None
    creep_dots_per_minute: float | None = None
    instruction: str = "wait"
    message: str = ""
    nominal_rpm: float | None = None
    dots: int | None = None
    turns: int = 0
    turns_gathered: float = 0.0
    band_percent: float = 0.1
    closest_percent: float | None = None
    reference: str | None = None
    steadiness_percent: float | None = None
    steadiness_uncertainty_percent: float | None = None
    picture: str = "not seen"
    frames: int = 0
    skipped: int = 0
    latency_s: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """The JSON object ``strobe.live/1``."""
        return {
            "schema": SCHEMA,
            "time_s": round(self.time_s, 4),
            "state": self.state,
            "deviation_percent": self.deviation_percent,
            "uncertainty_percent": self.uncertainty_percent,
            "creep_dots_per_minute": self.creep_dots_per_minute,
            "instruction": self.instruction,
            "message": self.message,
            "nominal_rpm": self.nominal_rpm,
            "dots": self.dots,
            "turns": self.turns,
            "band_percent": self.band_percent,
        }


@dataclass(frozen=True, eq=False)
class LiveOutcome:
    """How a run ended.

    Attributes
    ----------
    measurement : Measurement or None
        Of the settled part.
    refusal : Refusal or None
        Why there is none.
    ended : str
        ``source`` (no more frames), ``time``, ``stopped``, or what the camera said when it was lost.
    frames, skipped : int
        Frames read and left out.
    duration_s : float
        From the first frame to the last.
    """

    measurement: Measurement | None
    refusal: Refusal | None
    ended: str
    frames: int
    skipped: int
    duration_s: float


@dataclass(frozen=True)
class WarmReading:
    """Mean deviation of one interval that ended at `time_s`, and the half-width (95 %) of a figure in it."""

    time_s: float
    deviation_percent: float
    uncertainty_percent: float
    reference: str | None


@dataclass(frozen=True)
class WarmUp:
    """How the speed came to rest.

    Attributes
    ----------
    readings : tuple of WarmReading
        One for each interval in which there was a figure.
    interval_s, within_s : float
        Length of an interval, and over how long the speed must have stayed alike.
    limit_percent : float
        How alike.
    change_percent : float or None
        By how much the readings of the last `within_s` differ; None as long as there are too few in a row.
    settled_after_s : float or None
        From the first figure until it had settled; None where it has not.
    """

    readings: tuple[WarmReading, ...]
    interval_s: float
    within_s: float
    limit_percent: float
    change_percent: float | None
    settled_after_s: float | None
