"""What the lamp may be, from the clip's brightness and from what was said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.refusals import wrong_lamp, wrong_mains
from strobe.pattern import PatternReading, RowSeries
from strobe.phase import (
    FlashRate,
    TimeBase,
    combine_blocks,
    find_flicker,
    folded_hz,
    hann,
    measure_flash_rate,
    share_off_step,
    shows_line,
    swing_along,
)
from strobe.phase.zoom import zoomed

__all__ = ["Lamp", "clearest_dots", "lamps_of", "slow_flicker"]

_MAINS_REACH = 0.005
"""How far, relatively, a mains may be from its nominal rate: a little over four of the largest standard deviations that
`mains_uncertainty_percent` tells of."""
_ONCE_HZ = (40.0, 70.0)
"""Flash rates, given, of lamps that flash once in a cycle of some mains, with a fifth to either side: the usual rings
are made for twice that."""
_STANDS_HZ = 1.0
"""Below this a lamp's flicker may go unseen, which nearly keeps step with the frames."""
_SAME_CREEP, _STEEPEST = 0.01, 1.05
"""How alike the bands of two lamps creep, relative; and how steep those of the slower can be, in cycles of its own that
a picture lasts."""
_OFF_STEP, _SOME_STEPS = 0.02, 0.1
"""Share of the steps between frames that may miss the cadence, by more than so much of an interval, while frames count
as even (by trial)."""
_DEEP_SWING, _WHITE, _AS_ROWS, _OF_FLASHES = 0.25, 255.0, 8, 0.5
"""Of the dots' amplitude, relative; as what it is shown to the measurement of the lamp (levels, picture rows); and the
second harmonic that goes with it: soft light does not swing the dots so."""
_NEARLY_ALL, _MOST, _LAMP_HARMONICS = 0.8, 0.4, 5
"""Share of what the dots' amplitude does that goes with a lamp: of faint swings, and where its rate is unknown."""
_APART_CYCLES, _DRAWN_CYCLES = 2.0, 0.5
"""Cycles in a clip by which the lamp's first two harmonics differ so that neither draws the other's rate aside, and by
how much it is drawn (1 sigma)."""
_LEAST_SLOW_CYCLES, _FASTEST_SLOW_HZ, _STEP_CYCLES, _DEEP_SLOW = 3.0, 4.5, 1.0, 0.08
"""Of a slow flicker: cycles in a clip, its highest frequency, cycles by which it differs from times the turn, and the
swing of the dots' amplitude that no wobble makes."""
_SWINGING, _OWN_HZ, _OWN_CYCLES = 0.025, 0.5, 0.5
"""Of the dots' amplitude, relative, three times what coding and uneven dots make of it; how near the pattern's own rate
or its double that may lie; and how near its own rate, in cycles over the clip, what scenery does is that of dots."""


@dataclass(frozen=True, eq=False)
class Lamp:
    """The lamp as far as it is known.

    Attributes
    ----------
    kind : str
        ``mains``, ``given`` (flash rate known exactly), ``steady``, or ``dimmed``: a flicker whose rate is not known,
        only where it folds to; `cycles` follow that.
    mains_hz : float or None
        Mains frequency, given or shown by the clip.
    rate_hz : float or None
        Best flash rate on the clock of the frame times; ``None`` for a steady lamp or unknown mains.
    nominal_hz : float or None
        The flash rate that it should have.
    source : str or None
        ``measured``, ``nominal``, ``given`` or ``None``.
    flash : FlashRate or None
        The flicker as measured.
    cycles : array of float64 (frames,) or None
        Lamp phase at the frame times.
    scenery_moves : bool
        Whether the camera moves, so that its flicker is seen less well, or may have gone unseen.
    mains_open : bool
        Whether the flicker would show just so under another mains too.
    """

    kind: str
    mains_hz: float | None
    rate_hz: float | None
    nominal_hz: float | None
    source: str | None
    flash: FlashRate | None
    cycles: NDArray[np.float64] | None
    scenery_moves: bool = False
    mains_open: bool = False


def lamps_of(
    pattern: PatternReading, rows: Sequence[RowSeries], time: TimeBase, mains: float | None, lamp: str | float
) -> list[Lamp]:
    """What the lamp may be, by scenery and moving rows; several only where the mains is neither given nor shown."""
    if lamp == "steady":
        return [Lamp("steady", mains, None, None, None, None, None)]
    given = None if isinstance(lamp, str) else float(lamp)
    once_given = given is not None and _ONCE_HZ[0] < given < _ONCE_HZ[1]
    # Two dots pass from flash to flash then, as under a lamp of the mains that leaves out every other one.
    exact = 2 * given if given is not None and once_given else given
    candidates = (exact,) if exact is not None else (100.0, 120.0)
    flash = measure_flash_rate(
        pattern.brightness, time.time_s, candidates, downward=pattern.sweep_known, every_other=once_given
    )
    if exact is None and (lamp == "once" or flash is None or not flash.goes_with_sweep(pattern.sweep_known)):
        once = measure_flash_rate(
            pattern.brightness, time.time_s, candidates, downward=pattern.sweep_known, every_other=True
        )
        flash = once if once is not None and once.goes_with_sweep(pattern.sweep_known) else flash
    if flash is None:
        flash = _flash_on_the_dots(rows, time, candidates)
    if given is not None and exact is not None:
        if flash is None:
            shows = folded_hz(given, time.interval_s) > _STANDS_HZ
            seen_hz = _unknown_flicker(pattern, (), time) if shows else None
            if seen_hz is not None and not _folds_near(given, seen_hz, time):
                raise wrong_lamp(given, seen_hz)
            return [Lamp("given", mains, exact, exact, "given", None, exact * time.time_s)]
        return [Lamp("given", mains, flash.rate_hz, exact, "given", flash, flash.phase_cycles(time.time_s))]
    seen = [] if flash is None else _likely(flash, mains)
    if seen:
        if mains is not None and seen[0].candidate_hz != 2 * mains:
            raise wrong_mains(mains, seen[0].rate_hz)
        return [_as_measured(one, pattern, time, once=lamp == "once", mains_open=len(seen) > 1) for one in seen]
    dimmed_hz = _unknown_flicker(pattern, rows, time)
    if dimmed_hz is not None and not any(_folds_near(rate, dimmed_hz, time) for rate in candidates):
        return [Lamp("dimmed", mains, None, None, None, None, dimmed_hz * time.time_s)]
    return [
        Lamp("mains", hz, 2 * hz, 2 * hz, "nominal", None, 2 * hz * time.time_s, scenery_moves=pattern.camera.moved)
        for hz in ((mains,) if mains is not None else (50.0, 60.0))
    ]


def _likely(flash: FlashRate, mains_hz: float | None) -> list[FlashRate]:
    """The flicker by each mains that makes it, as near its nominal rate as one comes where there is such.

    Of several that one which was told; what is of none that was told and not near is no mains' at all.
    """
    alike = [replace(flash, rivals=()), *flash.rivals]
    near = [one for one in alike if _is_near(one)]
    if mains_hz is None:
        return near or alike
    return [one for one in near or alike if one.candidate_hz == 2 * mains_hz] or near


def _as_measured(flash: FlashRate, pattern: PatternReading, time: TimeBase, *, once: bool, mains_open: bool) -> Lamp:
    """The lamp by its flicker; `once` where it was said to leave out every other flash."""
    uneven = (
        flash.uneven
        or once
        or shows_line(pattern.brightness, time.time_s, interval_s=time.interval_s, rate_hz=flash.rate_hz / 2)
    )
    flash = replace(flash, uneven=uneven)
    if not uneven:
        flash = _perhaps_once(flash, time)
    return Lamp(
        "mains",
        flash.candidate_hz / 2,
        flash.rate_hz,
        flash.candidate_hz,
        "measured",
        flash,
        flash.phase_cycles(time.time_s),
        scenery_moves=pattern.camera.moved,
        mains_open=mains_open,
    )


def _perhaps_once(flash: FlashRate, time: TimeBase) -> FlashRate:
    """The flicker, with room for the other rate where a lamp that flashes once a cycle would make the same bands.

    Both nearly keep step with the frames there, and the bands creep alike; those of the slower lamp are half as steep,
    as they would be behind a shutter that sweeps twice as fast, and no sweep takes longer than a picture.
    """
    seen_hz, half_hz = folded_hz(np.array([flash.rate_hz, flash.rate_hz / 2]), time.interval_s)
    alike = abs(half_hz - seen_hz / 2) < _SAME_CREEP * seen_hz and seen_hz - half_hz < _MAINS_REACH * flash.rate_hz / 2
    if not alike or abs(flash.sweep_cycles) > _STEEPEST * flash.rate_hz / 2 * time.interval_s:
        return flash
    return replace(flash, uncertainty_hz=float(np.hypot(flash.uncertainty_hz, seen_hz / 2)))


def _flash_on_the_dots(rows: Sequence[RowSeries], time: TimeBase, candidates_hz: Sequence[float]) -> FlashRate | None:
    """The flash rate from the dots' own amplitude, where a lamp lights them alone, as a machine's own lamp does.

    A faint swing counts only where the lamp makes nearly all that the amplitude does, and away from the pattern's own
    rate: the dots themselves make a faint one, too.
    """
    if not rows:
        return None
    amplitude = clearest_dots(rows)
    size = np.abs(amplitude)
    alike = np.tile((_WHITE * size / size.max())[:, None], (1, _AS_ROWS))
    flash = measure_flash_rate(alike, time.time_s, candidates_hz, downward=False)
    if flash is None:
        return None
    if flash.modulation < _DEEP_SWING:
        seen_hz = folded_hz(flash.rate_hz, time.interval_s)
        beside_own = np.abs(_own_hz(amplitude, time) - seen_hz).min() < _OWN_HZ
        if beside_own or _share_of_lamp(size, flash.phase_cycles(time.time_s)) < _NEARLY_ALL:
            return None
    # Without bands, a second harmonic that folds beside the first draws the rate aside.
    first_hz, second_hz = folded_hz(flash.rate_hz * np.array([1.0, 2.0]), time.interval_s)
    drawn_hz = 0.0 if abs(first_hz - second_hz) * time.duration_s > _APART_CYCLES else _DRAWN_CYCLES / time.duration_s
    found, *rivals = (
        replace(
            one,
            second=max(one.second, _OF_FLASHES),
            uncertainty_hz=float(np.hypot(one.uncertainty_hz, drawn_hz)),
            rivals=(),
        )
        for one in (flash, *flash.rivals)
    )
    return replace(found, rivals=tuple(rivals))


def _unknown_flicker(pattern: PatternReading, rows: Sequence[RowSeries], time: TimeBase) -> float | None:
    """Where a flicker of unknown rate folds to, by the brightness of what stands still, else by moving rows.

    Scenery that moves past brightens and darkens too, and so do a few large dots that come into the picture and leave
    it; and where the frame rate changes, one flicker looks like two.
    """
    if pattern.camera.moved or not _is_even(time):
        return None
    seen_hz = find_flicker(pattern.brightness, time.time_s, interval_s=time.interval_s)
    own_hz = _own_hz(clearest_dots(rows), time)[0] if rows else np.inf
    if seen_hz is None or abs(own_hz - seen_hz) * time.duration_s < _OWN_CYCLES:
        return _flicker_of_the_dots(rows, time)
    return seen_hz


def _flicker_of_the_dots(rows: Sequence[RowSeries], time: TimeBase) -> float | None:
    """Where a flicker folds to that only the dots show, because the exposure holds a whole number of its flashes.

    What stands still is then lit evenly, but dots that pass are strong and weak by turns. A wobble does not do that,
    and what follows the pattern's own phase is left out.
    """
    if not rows:
        return None
    amplitude = clearest_dots(rows)
    size = np.abs(amplitude)
    seen_hz = find_flicker(size[:, None], time.time_s, interval_s=time.interval_s)
    if seen_hz is None:
        return None
    cycles = seen_hz * time.time_s
    faint = swing_along(size / size.mean(), cycles) < _SWINGING
    if faint or np.abs(_own_hz(amplitude, time) - seen_hz).min() < _OWN_HZ:
        return None
    # Dirt that comes by once a turn makes many lines, none of which stands out.
    return seen_hz if _share_of_lamp(size, cycles) > _MOST else None


def slow_flicker(size: NDArray[np.float64], time: TimeBase, turn_hz: float) -> NDArray[np.float64] | None:
    """Cycles (frames,) of a lamp of unknown rate that folds so low that a platter might make it; None without one.

    A wobble moves the dots and hardly changes their amplitude `size` (frames,). What makes that swing deeply, in one
    line and not in step with the turns at `turn_hz`, is light.
    """
    duration = float(np.ptp(time.time_s))
    slow = _slow_course(size.size)
    relative = size / size.mean()
    relative = relative - slow @ np.linalg.lstsq(slow, relative, rcond=None)[0]
    grid_hz = np.arange(_LEAST_SLOW_CYCLES / duration, _FASTEST_SLOW_HZ, 0.1 / duration)
    if grid_hz.size < _LEAST_SLOW_CYCLES:
        return None
    bare = (hann(size.size) * relative)[:, None]
    swing = 2 * np.abs(zoomed(bare, time.time_s, grid_hz, interval_s=time.interval_s)[:, 0])
    hz = float(grid_hz[int(np.argmax(swing))])
    in_step = abs(hz / turn_hz - round(hz / turn_hz)) * turn_hz < _STEP_CYCLES / duration
    if in_step or swing.max() < _DEEP_SLOW or _share_of_lamp(size, hz * time.time_s) < _NEARLY_ALL:
        return None
    return hz * time.time_s


def _own_hz(amplitude: NDArray[np.complex128], time: TimeBase) -> NDArray[np.float64]:
    """Where the rate of the pattern as it moves in the picture, and its double, show in a row's amplitude (frames,)."""
    step = float(np.angle(np.sum(amplitude[1:] * np.conj(amplitude[:-1])))) / (2 * np.pi)
    return folded_hz(np.array([1.0, 2.0]) * step / time.interval_s, time.interval_s)


def _share_of_lamp(size: NDArray[np.float64], cycles: NDArray[np.float64]) -> float:
    """Share of what an amplitude (frames,) does, but for a slow course, that a lamp of these cycles makes."""
    slow = _slow_course(size.size)
    turns = np.exp(2j * np.pi * np.outer(cycles, np.arange(1, _LAMP_HARMONICS + 1)))
    left, rest = (
        size - basis @ np.linalg.lstsq(basis, size, rcond=1e-8)[0]
        for basis in (slow, np.concatenate([slow, turns.real, turns.imag], axis=1))
    )
    return 1 - float(np.sum(rest**2) / np.sum(left**2))


def clearest_dots(rows: Sequence[RowSeries]) -> NDArray[np.complex128]:
    """Amplitude (frames,) of the clearest of some rows."""
    return combine_blocks(max(rows, key=lambda row: row.amplitude).blocks)[0]


def _slow_course(frames: int) -> NDArray[np.float64]:
    """Basis (frames, 4) of what light or camera do slowly over a clip."""
    return np.asarray(np.polynomial.legendre.legvander(np.linspace(-1, 1, frames), 3))


def _is_even(time: TimeBase) -> bool:
    """Whether nearly all frames lie on one cadence, however many are missing."""
    return share_off_step(time.time_s, time.interval_s, _OFF_STEP) < _SOME_STEPS


def _is_near(flash: FlashRate) -> bool:
    """Whether a flicker lies as near its nominal rate as a mains comes, to speak against one that was given."""
    return abs(flash.rate_hz / flash.candidate_hz - 1) < _MAINS_REACH


def _folds_near(rate_hz: float, seen_hz: float, time: TimeBase) -> bool:
    """Whether a mains lamp's flashes, or half of them, may show at a frequency."""
    flashes_hz = np.array([rate_hz, rate_hz / 2])
    return bool(np.any(np.abs(folded_hz(flashes_hz, time.interval_s) - seen_hz) < _MAINS_REACH * flashes_hz))
