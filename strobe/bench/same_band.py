"""Readings made comparable: fluctuation figures in a band that all have, and the amplitude of a line in any of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.errors import UsageError
from strobe.figures import LEAST_SAMPLES, evaluate
from strobe.figures.fluctuation import BAND_LOW_HZ, TOP_SHARE, band_gain
from strobe.figures.results import COVERAGE, Component, Fluctuation, SpeedSeries
from strobe.measurement import Measurement

__all__ = ["FIGURES", "SAME_TOP_SHARE", "fluctuation_up_to", "line_amplitude", "listed_at"]

FIGURES = ("weighted_peak", "weighted_rms", "unweighted_peak", "unweighted_rms")
SAME_TOP_SHARE = 0.01
"""Tops of two bands that differ by less than this share are one and the same."""

_SAME_ORDER = 0.02
"""Relative distance up to which two lines are one: belts stretch and motors slip by about as much from clip to clip
(common practice)."""
_LEAST_NOISE_REV = 1e-9
"""Turns; `evaluate` asks for noise above 0. A row of 180 dots read to a thousandth of their gap has 6e-6."""
_OWN_BINS, _REACH_BINS = 2, 12
"""Bins to either side of a line, each one over the length: so far it reaches through the Hann taper (closed form), and
so far what is beside it is looked at (by trial)."""
_FINER = 4
"""Points for each step that a cubic is drawn through, so that it follows the fastest motion in the band; by trial."""

Array = NDArray[np.float64]


@lru_cache(maxsize=64)
def fluctuation_up_to(measurement: Measurement, top_hz: float) -> Fluctuation:
    """The fluctuation of a reading in the band that ends at `top_hz`, which is not above its own.

    The stored speed is freed of what lies above, integrated, and sampled as coarsely as a slower camera would have; the
    figures are then computed anew. What the whole measurement knew beyond them (exposure, coding, a ring off centre) is
    carried over from the reading's own band: the figures by the difference of the squares, the half-widths by theirs.

    Raises
    ------
    ValueError
        If `top_hz` is above the reading's own band, or not above the band's lower end.
    UsageError
        If the reading is too short to tell its fluctuation in that band.
    """
    stated = measurement.fluctuation
    own_top_hz = stated.band_hz[1]
    if abs(top_hz / own_top_hz - 1) <= SAME_TOP_SHARE:
        return stated
    if not BAND_LOW_HZ < top_hz < own_top_hz:
        raise ValueError(f"a band up to {top_hz:g} Hz is not inside the reading's own, {own_top_hz:g} Hz")
    step_s = _step_s(measurement.series)
    new_step_s = TOP_SHARE * 0.5 / top_hz
    length_s = float(np.ptp(measurement.series.time_s))
    if length_s < LEAST_SAMPLES * new_step_s:
        raise UsageError(
            f"the reading of {Path(measurement.clip.path).name} lasts {length_s:.1f} s, too little for its fluctuation "
            f"up to {top_hz:.1f} Hz, as far as another reading goes; leave it out, or film 10 s and more"
        )
    noise_rev = _angle_noise_rev(measurement, step_s)
    all_of_it = _angle(measurement, step_s, top_hz=0.5 / step_s, end_hz=1 / step_s, new_step_s=step_s)
    wide = _figures(measurement, *all_of_it, noise_rev, step_s)
    part = _angle(measurement, step_s, top_hz=top_hz, end_hz=top_hz / TOP_SHARE, new_step_s=new_step_s)
    narrow = _figures(measurement, *part, noise_rev * np.sqrt(step_s / new_step_s), new_step_s)
    values: dict[str, Any] = {"parts": narrow.parts, "longer": None, "weighting_checked_hz": None}
    for name in FIGURES:
        value, width = f"{name}_percent", f"{name}_uncertainty_percent"
        square = getattr(stated, value) ** 2 + getattr(narrow, value) ** 2 - getattr(wide, value) ** 2
        beyond = getattr(stated, width) ** 2 - getattr(wide, width) ** 2
        values[value] = float(np.sqrt(max(square, 0.0)))
        values[width] = float(np.sqrt(getattr(narrow, width) ** 2 + max(beyond, 0.0)))
    floors = {name: getattr(narrow, name) for name in ("weighted_floor_percent", "unweighted_floor_percent")}
    return replace(stated, band_hz=(stated.band_hz[0], top_hz), **values, **floors).with_upper_limits()


def listed_at(components: Iterable[Component], *, per_revolution: float, frequency_hz: float) -> Component | None:
    """Which of the listed components is the line that stood at a place in another reading.

    It comes as often in a turn, or as often in a second, within its uncertainty and 2 %.

    Parameters
    ----------
    components : iterable of Component
        Of one reading.
    per_revolution, frequency_hz : float
        As for `line_amplitude`.

    Returns
    -------
    Component or None
        The nearest, where there are several.
    """

    def distance_hz(part: Component) -> float:
        in_turns = abs(part.per_revolution - per_revolution) * part.frequency_hz / part.per_revolution
        return min(in_turns, abs(part.frequency_hz - frequency_hz))

    near = [
        part
        for part in components
        if distance_hz(part) <= max(_SAME_ORDER * frequency_hz, 2 * part.frequency_uncertainty_hz)
    ]
    return min(near, key=distance_hz, default=None)


def line_amplitude(
    measurement: Measurement, *, per_revolution: float, frequency_hz: float
) -> tuple[float, float] | None:
    """How far the speed goes at one place of the spectrum, in percent, with its 95 % half-width.

    The listed component that is this line (`listed_at`) gives its own. Where none is listed, the amplitude is fitted to
    the stored series together with all listed components, and freed of what its surroundings show, which gives the
    half-width.

    Parameters
    ----------
    measurement : Measurement
    per_revolution, frequency_hz : float
        Where the line stood in another reading: a part locked to the platter keeps the first, one locked to the mains
        the second; where none is listed, the larger of the two is taken.

    Returns
    -------
    (float, float) or None
        ``None`` above the reading's band.
    """
    turn_hz = measurement.speed.mean_rpm / 60
    series = measurement.series
    length_s = float(series.time_s[-1] - series.time_s[0])
    places = {per_revolution * turn_hz, frequency_hz}
    if min(places) > measurement.fluctuation.band_hz[1]:
        return None
    part = listed_at(measurement.components, per_revolution=per_revolution, frequency_hz=frequency_hz)
    if part is not None:
        return part.peak_percent, part.uncertainty_percent
    return max(_fitted(measurement, place, length_s) for place in places if place <= measurement.fluctuation.band_hz[1])


def _fitted(measurement: Measurement, frequency_hz: float, length_s: float) -> tuple[float, float]:
    series = measurement.series
    place = (series.time_s - series.time_s.mean()) / length_s
    known = [part.frequency_hz for part in measurement.components]
    turn = 2 * np.pi * np.outer(series.time_s, known)
    design = np.column_stack([np.ones_like(place), place, place**2, np.cos(turn), np.sin(turn)])
    rest = series.deviation_percent - design @ np.linalg.lstsq(design, series.deviation_percent, rcond=None)[0]
    taper = np.sin(np.pi * (np.arange(rest.size) + 0.5) / rest.size) ** 2
    offset = np.arange(-_REACH_BINS, _REACH_BINS + 1)
    around = frequency_hz + offset / length_s
    wave = np.exp(-2j * np.pi * np.outer(around, series.time_s))
    amplitude = 2 * np.abs(wave @ (taper * rest)) / taper.sum()
    beside = (np.abs(offset) > _OWN_BINS) & (around > 1 / length_s)
    noise = float(np.sqrt(np.mean(amplitude[beside] ** 2)))
    own = float(amplitude[_REACH_BINS])
    return float(np.sqrt(max(own**2 - noise**2, 0.0))), COVERAGE * noise / np.sqrt(2)


def _figures(measurement: Measurement, time_s: Array, angle_rev: Array, noise_rev: float, step_s: float) -> Fluctuation:
    return evaluate(
        time_s,
        angle_rev,
        nominal_rpm=measurement.setup.nominal_rpm,
        angle_noise_rev=noise_rev,
        frame_interval_s=step_s,
    ).fluctuation


def _step_s(series: SpeedSeries) -> float:
    return float(series.time_s[-1] - series.time_s[0]) / (series.time_s.size - 1)


def _angle_noise_rev(measurement: Measurement, step_s: float) -> float:
    """The angle noise whose unweighted floor the reading states: the inverse of what the figures subtract."""
    fluctuation = measurement.fluctuation
    bins = np.linspace(0.0, 0.5 / step_s, 4001)
    gain = band_gain(bins, top_hz=fluctuation.band_hz[1], end_hz=0.5 / step_s, weighted=False)
    passed = np.sum((2 * np.pi * bins * gain) ** 2) * bins[1] * 2 * step_s
    turn_hz = measurement.speed.mean_rpm / 60
    noise = fluctuation.unweighted_floor_percent / 100 * turn_hz / np.sqrt(passed)
    return max(float(noise), _LEAST_NOISE_REV)


def _angle(
    measurement: Measurement, step_s: float, *, top_hz: float, end_hz: float, new_step_s: float
) -> tuple[Array, Array]:
    """Times `new_step_s` apart and the angle there, integrated from the stored speed without what lies above a band.

    The speed is continued evenly about both ends, filtered (full to `top_hz`, nothing from `end_hz`) and integrated on
    the bins of its spectrum; the stored angle itself is drawn straight between the pictures and lacks fast motion.
    """
    from scipy.interpolate import CubicSpline

    series = measurement.series
    relative = series.deviation_percent / 100
    mean = float(relative.mean())
    ring = np.concatenate([relative - mean, (relative - mean)[::-1]])
    bins = np.fft.rfftfreq(ring.size, step_s)
    gain = 0.5 + 0.5 * np.cos(np.pi * np.clip((bins - top_hz) / (end_hz - top_hz), 0.0, 1.0))
    spectrum = np.fft.rfft(ring) * gain
    spectrum[1:] /= 2j * np.pi * bins[1:]
    spectrum[0] = 0.0
    fine = np.fft.irfft(spectrum, _FINER * ring.size) * _FINER
    fine = fine[: _FINER * (series.time_s.size - 1) + 1]
    fine_time = series.time_s[0] + step_s / _FINER * np.arange(fine.size)
    count = int(np.floor((fine_time[-1] - fine_time[0]) / new_step_s + 1e-6)) + 1
    grid = series.time_s[0] + new_step_s * np.arange(count)
    nominal_hz = measurement.setup.nominal_rpm / 60
    return grid, nominal_hz * ((1 + mean) * (grid - grid[0]) + CubicSpline(fine_time, fine)(grid))
