"""Between a measurement and the drive layer: what it takes of one, and the suspects put beside its components."""

from __future__ import annotations

from dataclasses import replace

from strobe.drive.diagnosis import Diagnosis
from strobe.drive.features import Reading
from strobe.measurement import Measurement

__all__ = ["reading_of", "with_suspects"]


def reading_of(measurement: Measurement) -> Reading:
    """What the drive layer takes of a measured clip."""
    return Reading(
        nominal_rpm=measurement.setup.nominal_rpm,
        mean_rpm=measurement.speed.mean_rpm,
        revolutions=measurement.speed.revolutions,
        frame_rate_hz=measurement.clip.capture_rate_hz,
        fluctuation=measurement.fluctuation,
        components=measurement.components,
        series=measurement.series,
        flash_rate_hz=measurement.timing.flash_rate_hz,
    )


def with_suspects(measurement: Measurement, diagnosis: Diagnosis) -> Measurement:
    """The measurement with the part named that each component was put down to; none where more film is needed."""
    if diagnosis.film_seconds is not None:
        return measurement
    named = []
    for component in measurement.components:
        owners = [
            suspect
            for suspect in diagnosis.suspects
            if any(one.sharp and one.frequency_hz == component.frequency_hz for one in suspect.features)
        ]
        named.append(replace(component, suspect=owners[0].part.short) if len(owners) == 1 else component)
    return replace(measurement, components=tuple(named))
