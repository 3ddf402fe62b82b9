"""The pictures of the hand-over sheet, each with the words that stand for it where it cannot be seen.

Blue and vermilion are told apart by all kinds of colour vision; as found is dashed besides, as left drawn through.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strobe.drive.locking import FEWEST_TURNS, locked_share_of, turn_map
from strobe.drive.naming import reading_of
from strobe.figures.results import Component
from strobe.measurement import Measurement
from strobe.report.plot import BLUE, GREY, LABEL_SWITCH, TURN_MAP_COLOURS, VERMILION, amplitude_spectrum
from strobe.report.words import bound_words, how_often, period_words, printable, rpm_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Picture", "spectrum_picture", "trace_picture", "turns_picture"]

SIZE_INCHES = (5.8, 2.15)
"""Four of them with their captions fill a page of the PDF; wider ones would have too small words on a phone."""
STYLES = ((VERMILION, "--", 1.0), (BLUE, "-", 1.2))
MOST_NAMED = 4
LEAST_NAMED = 0.08
"""Peak of a part, as a share of the strongest one's, from which it is named in the spectrum; our own choice."""
LONGEST_NAME = 40
TICKS_HZ = (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)

Labelled = Sequence[tuple[str, Measurement]]


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture that draws itself: its caption, what stands for it in words, and the drawing."""

    caption: str
    alt: str
    draw: Callable[[], Figure]


def trace_picture(readings: Labelled) -> Picture:
    """Speed deviation over time, one line a labelled reading."""
    nominal = rpm_words(readings[0][1].setup.nominal_rpm)
    told = "; ".join(f"{label}, {_swing(measurement)}" for label, measurement in readings)
    return Picture(
        caption=f"Speed over time at {nominal} rpm, in percent of the nominal speed (0 is right, up is fast)",
        alt=f"Curve of the speed deviation over time at {nominal} rpm: {told}.",
        draw=lambda: _drawn(lambda axes: _draw_trace(axes, readings)),
    )


def spectrum_picture(readings: Labelled) -> Picture:
    """Amplitude over frequency, the strongest parts named by what makes them, or by how often they come."""
    nominal = rpm_words(readings[0][1].setup.nominal_rpm)
    told = "; ".join(f"{label}, {_parts(measurement)}" for label, measurement in readings)
    return Picture(
        caption=f"What the wavering is made of at {nominal} rpm: how far the speed goes, by how often a second",
        alt=f"Spectrum of the speed at {nominal} rpm. Strongest parts: {told}.",
        draw=lambda: _drawn(lambda axes: _draw_spectrum(axes, readings)),
    )


def turns_picture(readings: Labelled) -> Picture | None:
    """The turn maps beside each other in one scale of colour; ``None`` where a clip holds too few turns."""
    if any(np.ptp(measurement.series.angle_rev) < FEWEST_TURNS for _, measurement in readings):
        return None
    nominal = rpm_words(readings[0][1].setup.nominal_rpm)
    told = "; ".join(f"{label}, {_locked(measurement)}" for label, measurement in readings)
    return Picture(
        caption=(
            f"Turn map at {nominal} rpm: one line a turn, lighter is faster. Upright stripes are tied to the platter, "
            "slanting ones are not."
        ),
        alt=f"Turn map, the deviation by turn and platter angle, at {nominal} rpm: {told}.",
        draw=lambda: _draw_turns(readings),
    )


def _draw_turns(readings: Labelled) -> Figure:
    from matplotlib.figure import Figure

    maps = [turn_map(measurement.series) for _, measurement in readings]
    low = min(float(np.percentile(each.deviation_percent, 1)) for each in maps)
    high = max(float(np.percentile(each.deviation_percent, 99)) for each in maps)
    figure = Figure(figsize=SIZE_INCHES, layout="constrained")
    panels = figure.subplots(1, len(maps), squeeze=False)[0]
    for axes, turns, (label, _) in zip(panels, maps, readings, strict=True):
        edges = np.linspace(0, 360, turns.sectors + 1)
        shown = axes.pcolormesh(
            *(edges, np.arange(turns.turns + 1) + 0.5, turns.deviation_percent),
            cmap=TURN_MAP_COLOURS,
            vmin=low,
            vmax=high,
            rasterized=True,
        )
        axes.invert_yaxis()
        axes.yaxis.get_major_locator().set_params(integer=True)
        axes.set_xticks(range(0, 361, 90))
        axes.set_xlabel("platter angle in degrees")
        axes.set_ylabel("turn")
        axes.set_title(label, fontsize=10, loc="left", parse_math=False)
    figure.colorbar(shown, ax=list(panels), pad=0.02).set_label("deviation from\nthe mean in %")
    return figure


def _locked(measurement: Measurement) -> str:
    share = locked_share_of(reading_of(measurement))
    if share is None:
        return "how much of it is tied to the platter cannot be said"
    return f"{100 * share.share:.0f} percent of it tied to the platter"


def _drawn(draw: Callable[[Axes], None]) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_INCHES, layout="constrained")
    axes = figure.subplots()
    draw(axes)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, which="major", color="0.88", linewidth=0.8)
    axes.set_axisbelow(True)
    return figure


def _draw_trace(axes: Axes, readings: Labelled) -> None:
    for (label, measurement), (colour, dash, width) in zip(readings, _styles(readings), strict=True):
        series = measurement.series
        time_s = series.time_s - series.time_s[0]
        axes.plot(time_s, series.deviation_percent, dash, color=colour, linewidth=width, label=label)
    axes.axhline(0.0, color=GREY, linewidth=1.0, linestyle=":")
    axes.set_xlabel("time in seconds")
    axes.set_ylabel("deviation in %")
    _name_lines(axes, readings)


def _draw_spectrum(axes: Axes, readings: Labelled) -> None:
    low = max(measurement.fluctuation.band_hz[0] for _, measurement in readings)
    high = max(measurement.fluctuation.band_hz[1] for _, measurement in readings)
    highest = 1e-9
    for (label, measurement), (colour, dash, width) in zip(readings, _styles(readings), strict=True):
        series = measurement.series
        step_s = (series.time_s[-1] - series.time_s[0]) / (series.time_s.size - 1)
        frequency_hz, peak_percent = amplitude_spectrum(series.deviation_percent, sample_rate_hz=1 / step_s)
        inside = (frequency_hz >= low) & (frequency_hz <= measurement.fluctuation.band_hz[1])
        axes.plot(frequency_hz[inside], peak_percent[inside], dash, color=colour, linewidth=width, label=label)
        highest = max(highest, float(np.max(peak_percent[inside], initial=0.0)))
    named = max((measurement for _, measurement in readings), key=_strongest)
    for part in named.components[:MOST_NAMED]:
        if part.peak_percent < LEAST_NAMED * _strongest(named) or not low <= part.frequency_hz <= high:
            continue
        highest = max(highest, part.peak_percent)
        left = part.frequency_hz**2 > low * high * LABEL_SWITCH
        axes.annotate(
            _name(part.suspect) or how_often(part, turn_rate_hz=named.speed.mean_rpm / 60),
            (part.frequency_hz, part.peak_percent),
            xytext=(-5 if left else 5, 3),
            textcoords="offset points",
            horizontalalignment="right" if left else "left",
            fontsize=9,
            parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
        )
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, 1.18 * highest)
    ticks = [tick for tick in TICKS_HZ if low <= tick <= high]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_xlabel("frequency in Hz (times a second)")
    axes.set_ylabel("amplitude ±%")
    _name_lines(axes, readings)


def _name_lines(axes: Axes, readings: Labelled) -> None:
    """Above the drawing, where it covers nothing."""
    if len(readings) == 1:
        axes.set_title(readings[0][0], fontsize=10, loc="left", parse_math=False)
        return
    legend = axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2, ncols=len(readings), frameon=False, fontsize=10
    )
    for label in legend.get_texts():
        label.set_parse_math(False)


def _styles(readings: Labelled) -> tuple[tuple[str, str, float], ...]:
    return STYLES[-len(readings) :]


def _strongest(measurement: Measurement) -> float:
    return measurement.components[0].peak_percent if measurement.components else 0.0


def _name(suspect: str | None) -> str:
    return "" if suspect is None else printable(suspect)[:LONGEST_NAME]


def _swing(measurement: Measurement) -> str:
    low, high = np.quantile(measurement.series.deviation_percent, (0.025, 0.975))
    return f"mostly between {low:+.2f} and {high:+.2f} percent"


def _size(part: Component) -> str:
    if part.told:
        return f"plus or minus {part.peak_percent:.2g}"
    return f"below plus or minus {bound_words(part.peak_percent, part.uncertainty_percent)}"


def _parts(measurement: Measurement) -> str:
    turn_rate_hz = measurement.speed.mean_rpm / 60
    parts = [
        f"{_size(part)} percent "
        f"{_name(part.suspect) or how_often(part, turn_rate_hz=turn_rate_hz)} (every {period_words(part.period_s)})"
        for part in measurement.components[:3]
    ]
    return ", ".join(parts) if parts else "none stands clear of the noise"
