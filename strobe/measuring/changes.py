"""Moments at which a clip changes: its light, how that flickers, and the place at which an exposure shows the dots."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.lamps import clearest_dots
from strobe.pattern import PatternReading
from strobe.phase import TimeBase, find_flicker, folded_hz, share_off_step

__all__ = ["GAP", "light_steps"]

_AROUND_S, _LEAST_FRAMES = 0.3, 8
"""Seconds before and after a moment over which the brightness is averaged, and frames at the least (by trial)."""
GAP = 2
"""Frames next to a change on either side that may belong to neither."""
_LIGHT_STEP, _CLEARLY = 0.1, 6.0
"""Relative change of the brightness within some frames, and how far above the usual ones of the clip, for a step."""
_LEAST_FLICKER, _OFF_STEP, _SOME_STEPS = 0.01, 0.02, 0.05
"""Amplitude of a flicker, relative to the brightness, whose changes are looked at; and the share of the steps between
frames that may miss the cadence, by more than so much of an interval, before nothing is looked for (by trial)."""
_AROUND_FLICKER_S, _AROUND_CYCLES, _FLICKER_STEP, _LIT, _FAINT = 0.8, 3.0, 0.15, 0.2, 0.1
"""The same for how the scenery flickers: how unlike it is before and after, of bins that are lit, where it flickers
at least faintly by its strongest."""
_HARMONICS, _TOLD_APART_CYCLES, _BEATS_HZ, _BY_HARMONICS = 4, 1.5, 2.0, 0.25
"""Harmonics of a flicker that are thought of; the cycles in a clip by which one must lie apart to be told, the beat up
to which it passes for a flicker that changes, and the share of the change that is then left without them."""
_SMALL_STEP, _OTHER_SMEAR = 0.015, 0.05
"""Relative changes of the brightness and of the dots' amplitude that together, in one moment, are another exposure."""


def light_steps(pattern: PatternReading, time: TimeBase) -> list[int]:
    """Frames at which light or exposure change for good, in order."""
    return sorted(_light_steps(pattern, time) + _flicker_steps(pattern, time))


def _light_steps(pattern: PatternReading, time: TimeBase) -> list[int]:
    """Frames at which the brightness of the scenery changes for good, or a little and the dots' amplitude with it.

    A camera that changes its exposure and its gain together keeps the picture about as bright as it was, but smears the
    dots otherwise, and shows them where they are at another moment.
    """
    if not pattern.brightness.size:
        return []
    around = max(_LEAST_FRAMES, round(_AROUND_S / time.interval_s))
    jump = _relative_jump(pattern.brightness.mean(axis=1), around)
    smear = _relative_jump(np.abs(clearest_dots(pattern.rows)), around)
    found = _tops(jump, max(_LIGHT_STEP, _CLEARLY * float(np.median(jump))), around)
    together = np.minimum(
        jump / max(_SMALL_STEP, _CLEARLY * float(np.median(jump))),
        smear / max(_OTHER_SMEAR, _CLEARLY * float(np.median(smear))),
    )
    more = _tops(together, 1.0, around)
    return found + [one for one in more if all(abs(one - other) > around for other in found)]


def _relative_jump(level: NDArray[np.float64], around: int) -> NDArray[np.float64]:
    """Change of a level (frames,) from some frames before to as many after each frame, relative to the usual level."""
    before, after = _before_and_after(level, around)
    return np.asarray(np.abs(after - before) / max(float(np.median(level)), 1e-9))


def _before_and_after(series: NDArray[Any], around: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """Means of a series (frames, ...) over `around` frames before and as many after each frame that has as many."""
    total = np.concatenate([np.zeros_like(series[:1]), np.cumsum(series, axis=0)])
    mean = (total[around:] - total[:-around]) / around
    return mean[: -around - GAP], mean[around + GAP :]


def _flicker_steps(pattern: PatternReading, time: TimeBase) -> list[int]:
    """Frames at which the scenery begins to flicker otherwise, as under another lamp of the same brightness.

    Where the frame rate changes, one lamp flickers in two ways, where frames wander in many, and scenery that moves
    flickers as it goes; nothing is looked for then.
    """
    if pattern.camera.moved or time.kind == "stamps":
        return []
    if share_off_step(time.time_s, time.interval_s, _OFF_STEP) > _SOME_STEPS:
        return []
    flicker_hz = find_flicker(pattern.brightness, time.time_s, interval_s=time.interval_s)
    if flicker_hz is None:
        return []
    # Near half the frame rate it goes up and down, and by how much comes and goes at twice what it lacks of that.
    slowest_hz = max(min(flicker_hz, 1 / time.interval_s - 2 * flicker_hz), 1e-9)
    around = max(_LEAST_FRAMES, round(max(_AROUND_FLICKER_S, _AROUND_CYCLES / slowest_hz) / time.interval_s))
    if time.time_s.size < 3 * around:
        return []
    level = pattern.brightness.mean(axis=0)
    bins = pattern.brightness[:, level > _LIT * level.max()]
    total = np.concatenate([np.zeros((1, bins.shape[1])), np.cumsum(bins, axis=0)])
    edges = np.clip(np.arange(len(bins))[:, None] + np.array([-around // 2, around - around // 2]), 0, len(bins))
    slow = (total[edges[:, 1]] - total[edges[:, 0]]) / np.diff(edges, axis=1)
    flicker = bins / slow - 1
    jump = _unlike(flicker, time, flicker_hz, around)
    tops = _tops(jump - _beside(jump, around + GAP), _FLICKER_STEP, around)
    if tops:
        alone = _unlike(_without_harmonics(flicker, time, flicker_hz), time, flicker_hz, around)
        tops = tops if alone.max() > _BY_HARMONICS * jump.max() else []
    return [top + side * (around // 4) for top in tops for side in (-1, 1)]


def _unlike(flicker: NDArray[np.float64], time: TimeBase, flicker_hz: float, around: int) -> NDArray[np.float64]:
    """How unlike a flicker (frames, bins) is in `around` frames before and after a frame; zero where it is faint."""
    turned = flicker * np.exp(-2j * np.pi * flicker_hz * time.time_s)[:, None]
    before, after = _before_and_after(turned, around)
    product = np.conj(before) * after
    drift = np.median(np.angle(product.sum(axis=1)))
    turn = np.exp(-0.5j * drift)
    apart = np.abs(before * np.conj(turn) - after * turn) ** 2 / 2
    power = (np.abs(before) ** 2 + np.abs(after) ** 2) / 2
    if 2 * np.sqrt(np.median(power.max(axis=0))) < _LEAST_FLICKER:
        return np.zeros(len(power))
    return np.asarray(np.median(apart / (power + _FAINT * power.max(axis=0) + 1e-12), axis=1))


def _without_harmonics(flicker: NDArray[np.float64], time: TimeBase, rate_hz: float) -> NDArray[np.float64]:
    """A flicker (frames, bins) without those of its harmonics that fold beside it: the two together come and go.

    Under one lamp only; where another takes its place, what is taken off makes changes of its own.
    """
    rates_hz = rate_hz * np.arange(1.0, 1 + _HARMONICS)
    apart_hz = np.abs(folded_hz(rates_hz, time.interval_s) - folded_hz(rate_hz, time.interval_s))
    kept = rates_hz[(apart_hz == 0) | ((apart_hz * time.duration_s > _TOLD_APART_CYCLES) & (apart_hz < _BEATS_HZ))]
    cycles = np.outer(time.time_s, kept)
    waves = np.concatenate([np.cos(2 * np.pi * cycles), np.sin(2 * np.pi * cycles)], axis=1)
    solution = np.linalg.lstsq(waves, flicker, rcond=1e-8)[0]
    solution[[0, kept.size]] = 0.0
    return np.asarray(flicker - waves @ solution)


def _beside(jump: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """The largest of `jump` between one and two `reach` away, on either side."""
    padded = np.pad(jump, 2 * reach)
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach + 1).max(axis=1)
    most: NDArray[np.float64] = np.maximum(windows[: jump.size], windows[3 * reach : 3 * reach + jump.size])
    return most


def _tops(jump: NDArray[np.float64], least: float, around: int) -> list[int]:
    """Frames of the steps whose `jump` between the means of `around` frames before and after stands out."""
    found: list[int] = []
    jump = jump.copy()
    while jump.size and jump.max() > least:
        top = int(np.argmax(jump))
        found.append(top + around)
        jump[max(0, top - around - GAP) : top + around + GAP] = 0
    return found
