"""Whether the dots move, and what of the camera's own motion is still in them.

The pattern layer takes off what the scenery moved in the picture. The rim is nearer than the scenery, and under a
rolling shutter a row that is carried down is exposed later; so what is left follows the same motion by other, constant
factors. They are found here, from the motion that is not the platter's: everything but its slow course and its lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.figures.weighting import weighting_gain
from strobe.pattern import PatternReading, RowSeries
from strobe.pattern.camera import SLOW_S, without_slow
from strobe.phase import apparent_hz, without_waves
from strobe.phase.search import LineSearch

__all__ = ["Steadied", "moved_by", "moves", "steadied"]

_NOISE_ALONE, _SURELY_MOVED = 0.5, 0.9
"""Share of a quick motion that is no noise, up to where it tells nothing of the slow one, and from where all of it (by
trial)."""
_FLICKER_CHANGES = 4
"""Degree in time up to which flicker changes what it feigns of a motion (by trial)."""
_LEFT_OF_CREEP = 0.05
"""Share of a slow creep that may be left where no quick motion tells how near the rim is beside the scenery: by choice,
a rim a twentieth nearer than what was followed."""
_MOST_LINES = 10
"""Lines that are fitted beside those of the turn (by trial)."""
_LEVER_PX = 360.0
"""Pixels that turn a slope of the shift into a motion like the others: half of 720 lines. It only scales a column."""
_SURE, _STRONG = 2.0, 0.001
"""Sigmas of what noise adds to the share that is left, 95 %; and power of shake, by its strongest, from which it counts
(by trial)."""
_OTHER_LINES = 3
"""How many of the strongest lines beside those of the turn count as the platter's own (by trial)."""
_FLUCTUATION_HZ, _BESIDE_HZ, _SLOWEST_HZ = (1.0, 8.0), 1.5, 0.5
"""Where the noise among the platter's fluctuation is read; the width over which powers are averaged; and below which no
share of its own is told, because the slow course was left out (by trial)."""
_MOST_BENDS, _TURN_HARMONICS, _DIM = 2, 8, 0.3
"""Courses of the row's own bending that are used; multiples of the turn that are kept out of them; and amplitude, by
the usual one, below which a frame has no say (by trial)."""
_SHAKEN_DOTS, _SHARE_OF_SWING, _MOST_JITTER = 0.05, 0.1, 0.4
"""Dots that shake may leave, or its share; and more than noise moves them, where the lamp swings them from frame to
frame."""
_MOST_SWAY, _SWAY_HARMONICS = 0.5, 3
"""Dots from which what moves is no sway of still stripes in coming and going light, which goes by part of a stripe; and
harmonics of the lamp that such a sway holds (by trial)."""


@dataclass(frozen=True, eq=False)
class Steadied:
    """A row's dots with the camera's motion taken off.

    Attributes
    ----------
    dots : array of float64 (frames,)
        Dots that have passed.
    left_dots : array of float64 (frames,)
        Motion of the camera that may still be in them, a course of its likely size (1-sigma); zero on a stand.
    noise_dots : float
        1-sigma white noise of one frame.
    """

    dots: NDArray[np.float64]
    left_dots: NDArray[np.float64]
    noise_dots: float


def steadied(
    dots: NDArray[np.float64],
    row: RowSeries,
    pattern: PatternReading,
    *,
    noise_dots: float,
    turn_hz: float,
    removed_hz: Sequence[float] = (),
) -> Steadied:
    """Take off what still follows the camera.

    Parameters
    ----------
    dots : array of float64 (frames,)
        Dots that have passed by the reading of `row`.
    row : RowSeries
        The row that was read.
    pattern : PatternReading
        The reading that it belongs to.
    noise_dots : float
        1-sigma white noise of `dots` as far as known without regard to shake.
    turn_hz : float
        Turns of the platter a second.
    removed_hz : sequence of float
        Where waves have been taken off the dots: flicker that the camera's shift feigns there is in them no more.

    Returns
    -------
    Steadied
        The dots themselves where the camera stood still.
    """
    camera, time_s = pattern.camera, pattern.time_s
    if not camera.moved:
        return Steadied(dots, np.zeros_like(dots), noise_dots)
    shift = camera.shift_px - camera.shift_px[0]
    parts = _without_flicker(_parts(pattern), time_s, removed_hz)
    follows, rest = _following(dots, parts, _bends(row, parts, turn_hz, time_s), time_s, turn_hz)
    slow = shift - without_slow(shift, time_s)
    drift = (1 - _told_by_quick(without_slow(shift, time_s))) * (slow - slow[0])
    creep, taken_off = ((one[:, 0] + row.slope * one[:, 1]) / row.mean_pitch_px for one in (drift, shift))
    left, noise = _left(rest, taken_off - follows - creep, time_s)
    return Steadied(dots - follows, left + _LEFT_OF_CREEP * creep, noise)


def _parts(pattern: PatternReading) -> NDArray[np.float64]:
    """What the dots may follow (frames, n): shift, its rate, turn, stretch and parallax of the picture."""
    camera = pattern.camera
    rate = np.gradient(camera.shift_px, pattern.time_s, axis=0)
    parts = np.concatenate([camera.shift_px, _LEVER_PX * camera.slopes, rate, camera.parallax_px], axis=1)
    parts = parts - parts[0]
    return parts[:, np.std(parts, axis=0) > 1e-9]


def _without_flicker(
    parts: NDArray[np.float64], time_s: NDArray[np.float64], flicker_hz: Sequence[float]
) -> NDArray[np.float64]:
    """Motions (frames, n) without what comes and goes with a flicker, as the scenery moves through its light."""
    if not flicker_hz:
        return parts
    slow = np.polynomial.legendre.legvander(2 * (time_s - time_s[0]) / np.ptp(time_s) - 1, _FLICKER_CHANGES)
    angle = 2 * np.pi * np.outer(time_s, flicker_hz)
    waves = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    basis = (waves[:, :, None] * slow[:, None, :]).reshape(time_s.size, -1)
    basis = basis[:, : time_s.size // 2]
    return np.asarray(parts - basis @ np.linalg.lstsq(basis, parts, rcond=1e-6)[0])


def _bends(
    row: RowSeries, parts: NDArray[np.float64], turn_hz: float, time_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How pieces of the row moved against each other (frames, n), in dots, beyond what follows the scenery's `parts`.

    No two dots are quite alike, and they come round again; what repeats with the turn is no shake and is left out.
    """
    blocks = row.blocks.astype(np.complex128)
    if blocks.shape[1] <= _MOST_BENDS:
        return np.zeros((len(blocks), 0))
    total = blocks.sum(axis=1)
    turned = blocks * (np.conj(total) / (np.abs(total) + 1e-12))[:, None]
    mean = turned.mean(axis=0)
    apart = np.angle(turned * np.conj(mean)) / (2 * np.pi) * np.sqrt(np.abs(mean) / np.abs(mean).sum())
    apart[np.abs(total) < _DIM * np.median(np.abs(total))] = 0
    turn = 2 * np.pi * turn_hz * np.outer(time_s, np.arange(1, 1 + min(_TURN_HARMONICS, time_s.size // 24)))
    known = np.concatenate([np.ones((time_s.size, 1)), np.cos(turn), np.sin(turn), parts], axis=1)
    known /= np.linalg.norm(known, axis=0)
    apart = apart - known @ np.linalg.lstsq(known, apart, rcond=1e-8)[0]
    courses, strength, _ = np.linalg.svd(apart, full_matrices=False)
    bends: NDArray[np.float64] = courses[:, :_MOST_BENDS] * strength[:_MOST_BENDS]
    return bends


def _following(
    dots: NDArray[np.float64],
    parts: NDArray[np.float64],
    bends: NDArray[np.float64],
    time_s: NDArray[np.float64],
    turn_hz: float | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What of `dots` follows the scenery's `parts` and the row's own `bends`; and the quick rest without the platter's.

    Lines of the platter are fitted along, so that they are not taken for shake nor shake for them: those of the turn,
    and others that show. These are looked for in the dots as they came and in what the shake leaves of them; the
    better fit counts. Lines of the turn and the first few others are taken for the platter's; further ones are more
    likely shake and stay in the rest.
    """
    known = np.concatenate([parts, bends], axis=1)
    known = known / (np.std(known, axis=0) + 1e-12)
    quick = without_slow(known, time_s)
    u = 2 * (time_s - time_s[0]) / np.ptp(time_s) - 1
    even = np.polynomial.polynomial.polyval(u, np.polynomial.polynomial.polyfit(u, dots, 1))
    target = without_slow(dots - even, time_s)
    course = without_slow(np.stack([u, u**2, u**3], axis=1), time_s)
    shake = np.concatenate([quick, course], axis=1)
    of_turn = [] if turn_hz is None else [k * turn_hz for k in range(1, 1 + min(_TURN_HARMONICS, dots.size // 48))]
    platter = shake.shape[1] + 2 * (len(of_turn) + _OTHER_LINES)
    best: tuple[float, NDArray[np.float64], NDArray[np.float64]] | None = None
    for first in (course, shake):
        lines = _lines_beside(target, first, of_turn, time_s)
        basis = np.concatenate([shake, *(_wave(hz, time_s) for hz in lines)], axis=1)
        solution, *_ = np.linalg.lstsq(basis, target, rcond=1e-8)
        unexplained = float(np.sum((target - basis @ solution) ** 2)) / (dots.size - basis.shape[1])
        if best is None or unexplained < best[0]:
            best = (unexplained, solution, target - basis[:, :platter] @ solution[:platter])
    assert best is not None
    # What is measured of a motion is taken off with its noise, which follows by a factor of its own.
    follows = (quick + _told_by_quick(quick) * (known - quick)) @ best[1][: known.shape[1]]
    return follows - follows[0], best[2]


def _told_by_quick(quick: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far the quick part of motions (frames, n) tells the factor of their slow one, 0 to 1: not where it is noise.

    Noise is as strong over all frequencies, and a hand hardly moves at the upper quarter of them.
    """
    power = np.abs(np.fft.rfft(np.hanning(len(quick) + 2)[1:-1, None] * quick, axis=0)) ** 2
    white = np.median(power[3 * len(power) // 4 :], axis=0) / np.log(2)
    moved = 1 - white * len(power) / (power.sum(axis=0) + 1e-30)
    return np.asarray(np.clip((moved - _NOISE_ALONE) / (_SURELY_MOVED - _NOISE_ALONE), 0.0, 1.0))


def _lines_beside(
    target: NDArray[np.float64], basis: NDArray[np.float64], of_turn: list[float], time_s: NDArray[np.float64]
) -> list[float]:
    """Frequencies of lines, those of the turn first, that stand out of `target` once `basis` is fitted too."""
    duration = float(np.ptp(time_s))
    place = _places(time_s)
    size = 4 << int(np.ceil(np.log2(place[-1] + 1)))
    search = LineSearch(place, duration / float(place[-1]), size, above_hz=1 / (2 * np.pi * SLOW_S))
    lines = list(of_turn)
    basis = np.concatenate([basis, *(_wave(hz, time_s) for hz in lines)], axis=1)
    for _ in range(min(_MOST_LINES, target.size // 24)):
        solution, *_ = np.linalg.lstsq(basis, target, rcond=1e-8)
        line, _ = search.strongest(target - basis @ solution)
        if line is None:
            break
        lines.append(line)
        basis = np.concatenate([basis, _wave(line, time_s)], axis=1)
        search.leave_out(line, 0.5 / duration)
    return lines


def _wave(hz: float, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    turn = 2 * np.pi * hz * time_s
    return without_slow(np.stack([np.cos(turn), np.sin(turn)], axis=1), time_s)


def _left(
    rest: NDArray[np.float64], shake: NDArray[np.float64], time_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """What of the shake the rest may still hold, as a course of its likely size; and its noise as if it were white.

    The share that is left is taken from the frequencies of a fluctuation together, and near each one by itself, the
    larger of the two.
    """
    place = _places(time_s)
    even_s = np.linspace(time_s[0], time_s[-1], int(place[-1]) + 1)
    rest, of_quick, shake = (np.interp(even_s, time_s, one) for one in (rest, without_slow(shake, time_s), shake))
    window = np.hanning(rest.size + 2)[1:-1]
    power, of_shake = (np.abs(np.fft.rfft(window * one)) ** 2 for one in (rest, of_quick))
    white = float(np.median(power[power.size * 2 // 3 :])) / np.log(2)
    step_s = float(np.ptp(time_s)) / (rest.size - 1)
    hz: NDArray[np.float64] = np.fft.rfftfreq(rest.size, step_s).astype(np.float64)
    weight = (hz * weighting_gain(np.maximum(hz, hz[1]))) ** 2
    usual = _mean_beside(of_shake, hz)
    strong = usual > _STRONG * usual.max()
    beyond = float(np.sum((weight * (power - white))[strong]))
    among = (hz > _FLUCTUATION_HZ[0]) & (hz < _FLUCTUATION_HZ[1])
    noise = max(white, float(np.median(power[among])) / np.log(2))
    unsure = _SURE * noise * float(np.linalg.norm(weight[strong]))
    share = (max(beyond, 0.0) + unsure) / float(np.sum((weight * usual)[strong]))
    shares = np.sqrt(np.clip(_mean_beside(power - white, hz) / usual, share, 1.0))
    shares[hz < _SLOWEST_HZ] = np.sqrt(share)
    there_and_back = np.concatenate([shake, shake[::-1]])
    shares = np.interp(np.fft.rfftfreq(there_and_back.size, step_s), hz, shares)
    left = np.fft.irfft(np.fft.rfft(there_and_back) * shares, there_and_back.size)[: shake.size]
    return np.interp(time_s, even_s, left), float(np.sqrt(noise / np.sum(window**2)))


def _places(time_s: NDArray[np.float64]) -> NDArray[np.int_]:
    """Places of the frames on their cadence, of which some may be missing."""
    step = np.diff(time_s)
    return np.concatenate([[0], np.cumsum(np.maximum(1, np.rint(step / np.median(step))))]).astype(int)


def _mean_beside(power: NDArray[np.float64], hz: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.ndimage import uniform_filter1d

    mean: NDArray[np.float64] = uniform_filter1d(power, max(3, round(_BESIDE_HZ / float(hz[1]))), mode="nearest")
    return mean


def moves(row: RowSeries, pattern: PatternReading) -> bool:
    """Whether the row's dots move against the scenery."""
    return moved_by(row, pattern) > 1


def moved_by(row: RowSeries, pattern: PatternReading, lamp_cycles: NDArray[np.float64] | None = None) -> float:
    """How far the row's dots move, in times what noise, what is left of shake, and a lamp's light may feign.

    What a grey level or two of other things in the band can move the phase by grows as the pattern gets fainter.
    Stripes that stand still seem to sway where light comes and goes along them: by part of a stripe, and in step with
    the lamp (`lamp_cycles` (frames,), where its phase is known).
    """
    total = row.blocks.astype(np.complex128).sum(axis=1)
    moved = np.unwrap(np.angle(total)) / (2 * np.pi)
    jitter = 1.4826 * float(np.median(np.abs(np.diff(moved, 2)))) / np.sqrt(6)
    least = max(0.006, min(10 * jitter, _MOST_JITTER), 0.4 / row.amplitude)
    if pattern.camera.moved:
        parts = _parts(pattern)
        moved = moved - _following(moved, parts, parts[:, :0], pattern.time_s)[0]
        swing = float(np.ptp(pattern.camera.shift_px[:, 0])) / row.mean_pitch_px
        least = max(least, _SHAKEN_DOTS, _SHARE_OF_SWING * swing)
    if lamp_cycles is not None and float(np.ptp(moved)) < _MOST_SWAY:
        orders = [h * lamp_cycles for h in range(1, _SWAY_HARMONICS + 1)]
        seen = [one for one in orders if apparent_hz(one, pattern.time_s) * float(np.ptp(pattern.time_s)) > 1]
        moved = without_waves(moved, seen)
    return float(np.ptp(moved)) / least
