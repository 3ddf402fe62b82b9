"""The plot: speed deviation over time, its amplitude spectrum with the periodic components marked, and the turn map.

Blue and vermilion are told apart by all kinds of colour vision; every mark also has a shape or a label. The turn map's
colours are even to the eye and grow lighter with the speed, so that it reads in grey as well.
"""

from __future__ import annotations

import math
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from strobe.drive.locking import FEWEST_TURNS, locked_share_of, turn_map
from strobe.drive.naming import reading_of
from strobe.files import check_target, write_whole
from strobe.looks import own_looks
from strobe.measurement import Measurement
from strobe.report.words import how_often, printable, rounded, rpm_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BLUE",
    "GREY",
    "LABEL_SWITCH",
    "PLOT_SUFFIXES",
    "TURN_MAP_COLOURS",
    "VERMILION",
    "amplitude_spectrum",
    "check_plot_target",
    "draw",
    "write_plot",
]

PLOT_SUFFIXES = (".png", ".svg")
SIZE_INCHES = (9.0, 6.5)
TURN_MAP_INCHES = 3.0
TURN_MAP_COLOURS = "cividis"
PNG_DPI = 120
BLUE, VERMILION, GREY = "#0072B2", "#D55E00", "#555555"
MOST_LABELS = 5
LEAST_LABELLED = 0.04
"""Peak of a component, as a share of the strongest one's, above which it gets a label; our own choice."""
# Labels go to the left of their mark from this factor above the middle of the frequency axis (in square).
LABEL_SWITCH = 9.0


def check_plot_target(path: Path) -> None:
    """Refuse a name that is neither PNG nor SVG, or that could not be written.

    Raises
    ------
    UsageError
    """
    check_target(path, option="--plot", suffixes=PLOT_SUFFIXES)


def write_plot(measurement: Measurement, path: Path) -> None:
    """Draw the plot into a PNG or SVG file.

    Raises
    ------
    UsageError
        If the suffix is another, or the file cannot be written.
    """
    check_plot_target(path)
    kind = path.suffix.lower().lstrip(".")
    maker = f"strobe {version('strobe')}"
    metadata: dict[str, Any] = {"Title": printable(measurement.clip.path)}
    metadata |= {"Software": maker} if kind == "png" else {"Creator": maker, "Date": None}
    with own_looks():
        figure = draw(measurement)
        write_whole(path, lambda file: figure.savefig(file, format=kind, dpi=PNG_DPI, metadata=metadata))


def draw(measurement: Measurement) -> Figure:
    """The plot as a figure of two panels, three from three turns on, not shown anywhere."""
    from matplotlib.figure import Figure

    series = measurement.series
    mapped = float(series.angle_rev[-1] - series.angle_rev[0]) >= FEWEST_TURNS
    width, height = SIZE_INCHES
    figure = Figure(figsize=(width, height + TURN_MAP_INCHES * mapped), layout="constrained")
    over_time, spectrum, *below = figure.subplots(3 if mapped else 2, 1)
    for axes in below:
        _draw_turns(axes, measurement)
    setup = measurement.setup
    name = Path(printable(measurement.clip.path)).name
    title = f"{name}: speed against {rpm_words(setup.nominal_rpm)} rpm, {setup.dots} dots"
    figure.suptitle(title, fontsize=12, parse_math=False)
    _draw_time(over_time, measurement)
    _draw_spectrum(spectrum, measurement)
    for axes in (over_time, spectrum):
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(True, which="major", color="0.88", linewidth=0.8)
        axes.set_axisbelow(True)
    return figure


def amplitude_spectrum(
    deviation_percent: NDArray[np.float64], *, sample_rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Amplitudes of the sinusoids in a series, through a Hann window after a straight line is taken out.

    Parameters
    ----------
    deviation_percent : array of float64, shape (n,)
        Uniformly sampled, at least four samples.
    sample_rate_hz : float

    Returns
    -------
    frequency_hz, peak_percent : array of float64
        A steady sinusoid reads its amplitude at its own frequency; the first bin (a constant) is left out.
    """
    count = deviation_percent.size
    place = np.linspace(-1.0, 1.0, count)
    slope, level = np.polyfit(place, deviation_percent, 1)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(count) / count)
    padded = 8 * count
    transform = np.fft.rfft((deviation_percent - level - slope * place) * window, padded)
    frequency_hz = np.asarray(np.fft.rfftfreq(padded, 1 / sample_rate_hz), dtype=np.float64)
    return frequency_hz[1:], 2 * np.abs(transform[1:]) / window.sum()


def _draw_time(axes: Axes, measurement: Measurement) -> None:
    series, speed = measurement.series, measurement.speed
    spread = rounded(speed.uncertainty_percent)
    axes.plot(series.time_s, series.deviation_percent, color=BLUE, linewidth=1.0)
    axes.axhline(0.0, color=GREY, linewidth=1.0, linestyle=":")
    axes.axhline(speed.deviation_percent, color=VERMILION, linewidth=1.3, linestyle="--")
    axes.set_title(
        f"mean {speed.deviation_percent:+.{spread}f} % (±{speed.uncertainty_percent:.{spread}f}), dashed; "
        "nominal dotted",
        fontsize=10,
        loc="left",
    )
    axes.set_xlabel("time in seconds")
    axes.set_ylabel("speed deviation in %\n(positive = fast)")
    axes.set_xlim(series.time_s[0], series.time_s[-1])


def _draw_turns(axes: Axes, measurement: Measurement) -> None:
    turns = turn_map(measurement.series)
    value = turns.deviation_percent
    low, high = np.percentile(value, [1, 99])
    edges = np.linspace(0, 360, turns.sectors + 1)
    shown = axes.pcolormesh(
        edges, np.arange(turns.turns + 1) + 0.5, value, cmap=TURN_MAP_COLOURS, vmin=low, vmax=high, rasterized=True
    )
    axes.invert_yaxis()
    axes.set_xticks(range(0, 361, 45))
    axes.set_xlabel("angle of the platter in degrees, from the first frame on")
    axes.set_ylabel("turn")
    locked = locked_share_of(reading_of(measurement))
    said = "" if locked is None else f"{100 * locked.share:.0f} % (±{100 * locked.uncertainty:.0f}) tied to it; "
    axes.set_title(f"turn map: upright is tied to the platter, {said}slanting is not", fontsize=10, loc="left")
    bar = axes.figure.colorbar(shown, ax=axes, pad=0.01)
    bar.set_label("deviation from the mean in %")


def _draw_spectrum(axes: Axes, measurement: Measurement) -> None:
    series, fluctuation = measurement.series, measurement.fluctuation
    low, high = fluctuation.band_hz
    step_s = (series.time_s[-1] - series.time_s[0]) / (series.time_s.size - 1)
    frequency_hz, peak_percent = amplitude_spectrum(series.deviation_percent, sample_rate_hz=1 / step_s)
    inside = (frequency_hz >= low) & (frequency_hz <= high)
    axes.plot(frequency_hz[inside], peak_percent[inside], color=BLUE, linewidth=1.0)
    turn_rate_hz = measurement.speed.mean_rpm / 60
    for place, component in enumerate(measurement.components):
        axes.plot(component.frequency_hz, component.peak_percent, "D", color=VERMILION, markersize=6)
        if place < MOST_LABELS and component.peak_percent > LEAST_LABELLED * measurement.components[0].peak_percent:
            left = component.frequency_hz**2 > low * high * LABEL_SWITCH
            axes.annotate(
                how_often(component, turn_rate_hz=turn_rate_hz),
                (component.frequency_hz, component.peak_percent),
                xytext=(-6 if left else 6, 4),
                textcoords="offset points",
                horizontalalignment="right" if left else "left",
                fontsize=9,
            )
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    highest = max([float(np.max(peak_percent[inside], initial=0.0)), *(c.peak_percent for c in measurement.components)])
    axes.set_ylim(0.0, 1.15 * highest if highest > 0 else 1.0)
    ticks = _ticks(low, high)
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_title("diamonds: periodic components that stand clear of the noise", fontsize=10, loc="left")
    axes.set_xlabel(f"frequency in Hz (band {low:.3g}-{high:.3g} Hz)")
    axes.set_ylabel("amplitude ±%\n(not weighted)")


def _ticks(low_hz: float, high_hz: float) -> list[float]:
    decades = range(math.floor(math.log10(low_hz)), math.ceil(math.log10(high_hz)) + 1)
    candidates = [factor * 10.0**decade for decade in decades for factor in (1, 2, 5)]
    return [tick for tick in candidates if low_hz <= tick <= high_hz * 1.001]
