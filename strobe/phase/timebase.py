"""The times at which a camera really exposed its frames, from the stamps in the file.

A sensor runs at a steady cadence; containers round its stamps and programs add jitter. On the camera-timed line a
millisecond is a tenth of a dot, so the cadence is fitted under the stamps. Frames that were dropped keep their place
on it; where the camera truly changes its rate, each piece has a cadence of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.phase.cadence import (
    EXACT_S,
    ROUNDED,
    Cadence,
    find_cadence,
    line_through,
    line_within,
    slope_uncertainty,
    unexplained_gaps,
    wanders,
)
from strobe.phase.stamps import trust_stamps

__all__ = ["TimeBase", "fit_time_base"]


@dataclass(frozen=True, eq=False)
class TimeBase:
    """Frame times and what they are worth.

    Attributes
    ----------
    time_s : array of float64 (used,)
        Best times of the frames that are used, strictly increasing.
    stamp_s : array of float64 (used,)
        Their stamps as they stood in the file.
    index : array of int (used,)
        Place of each frame on a grid of `interval_s`; dropped frames leave gaps.
    interval_s : float
        Spacing of the cadence; of its fastest piece where the rate changes.
    interval_uncertainty : float
        Relative 1-sigma uncertainty of the time from first to last frame that rounding or jitter leaves.
    grid_s : float
        The grid that the stamps lie on (0 when none shows).
    noise_s : float
        1-sigma scatter of the stamps about the cadence beyond rounding.
    kind : str
        ``exact`` (stamps on the cadence), ``cadence`` (fitted under rounded or jittered stamps), ``pieces`` (the same,
        but the rate changes), ``stamps`` (too uneven, or the frames themselves wander; taken as they are) or ``lamp``
        (each set right by the lamp's flicker).
    dropped : int
        Frames missing on the cadence.
    used : array of int (used,)
        Which frames of the clip these are.
    mended : int
        Frames whose stamps could not be right and were set by their count.
    left_out : int
        Frames on the way whose time can't be told.
    breaks : int
        How often the clip's clock breaks; only the longest part between the breaks is used.
    piece : array of int (used,)
        Number of the piece of even cadence that each frame belongs to.
    """

    time_s: NDArray[np.float64]
    stamp_s: NDArray[np.float64]
    index: NDArray[np.int_]
    interval_s: float
    interval_uncertainty: float
    grid_s: float
    noise_s: float
    kind: str
    dropped: int
    used: NDArray[np.int_]
    mended: int
    left_out: int
    breaks: int
    piece: NDArray[np.int_]

    @property
    def duration_s(self) -> float:
        """From the first frame to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def rates_hz(self) -> tuple[float, ...]:
        """Frame rate of each piece."""
        turns = np.flatnonzero(np.diff(self.piece)) + 1
        return tuple(float(1 / np.median(np.diff(part))) for part in np.split(self.time_s, turns) if part.size > 1)

    def shifted(self, later_s: NDArray[np.float64]) -> TimeBase:
        """The same frames with each time moved by what something better than the stamp says of it."""
        return replace(self, time_s=np.asarray(self.time_s + later_s, np.float64), kind="lamp")

    def only(self, frames: NDArray[np.int_]) -> TimeBase:
        """Some of the frames alone; `used` still names frames of the clip."""
        return replace(
            self,
            time_s=self.time_s[frames],
            stamp_s=self.stamp_s[frames],
            index=self.index[frames],
            used=self.used[frames],
            piece=self.piece[frames],
        )

    def on_cadence(self) -> TimeBase:
        """The same frames at even spacing, for stamps whose unevenness is jitter and not the sensor's own."""
        offset, slope, error = line_through(self.index, self.stamp_s)
        return replace(
            self,
            time_s=np.asarray(offset + slope * self.index, np.float64),
            interval_s=slope,
            interval_uncertainty=slope_uncertainty(self.index, float(error.std()), slope),
            noise_s=float(error.std()),
            kind="cadence",
            piece=np.zeros_like(self.piece),
        )

    def on_stamps(self) -> TimeBase:
        """The same frames at their stamps, for unevenness that is the sensor's own."""
        least = np.arange(self.stamp_s.size) * EXACT_S
        time_s = np.maximum.accumulate(self.stamp_s - least) + least
        return replace(self, time_s=np.asarray(time_s, np.float64), kind="stamps")


def fit_time_base(
    stamp_s: NDArray[np.float64], *, grid_s: float = 0.0, repeats: NDArray[np.bool_] | None = None
) -> TimeBase:
    """Fit the camera's cadence to the stamps of a clip.

    Parameters
    ----------
    stamp_s : array of float64 (frames,)
        Presentation times in the order in which the frames were taken, at least three; they may jump or run backwards.
    grid_s : float
        Unit of the container's stamps, to which they are rounded at least; 0 where it is not known.
    repeats : array of bool (frames,) or None
        Frames that show the picture before them once more, and are left out.

    Returns
    -------
    TimeBase

    Raises
    ------
    ValueError
        When the stamps are not finite, or fewer than three.
    Refused
        ``bad-timing`` when the stamps jump so often that no part of useful length is left.
    """
    stamp_s = np.asarray(stamp_s, np.float64)
    fresh = np.arange(stamp_s.size) if repeats is None else np.flatnonzero(~repeats)
    if fresh.size < 3 or not np.all(np.isfinite(stamp_s)):
        raise ValueError("frame times must be finite, and at least three")
    trusted = trust_stamps(stamp_s[fresh])
    grid = max(grid_s, _grid(stamp_s[fresh[trusted.frame[trusted.believed]]]))
    cadence = None
    while True:
        used, number, believed = fresh[trusted.frame], trusted.number, trusted.believed
        stamp = stamp_s[used]
        cadence = find_cadence(stamp[believed], number[believed], grid_s=grid)
        gaps = np.zeros(0, int) if cadence is None else unexplained_gaps(cadence, grid)
        if gaps.size == 0:
            break
        trusted = trusted.longest_between(np.flatnonzero(believed)[gaps])
    repeated = 0 if repeats is None else int(np.sum(repeats[used[0] : used[-1]]))
    if cadence is None or wanders(cadence, stamp[believed]):
        return _as_stamped(stamp, number, believed, used, grid, trusted.left_out, trusted.breaks)
    piece = np.searchsorted(np.flatnonzero(believed)[cadence.first], np.arange(used.size), side="right") - 1
    place = np.zeros(used.size, int)
    place[believed] = cadence.place
    last = np.maximum.accumulate(np.where(believed, np.arange(used.size), 0))
    place += np.where(believed, 0, place[last] + number - number[last])
    kind, interval, uncertainty, time_s = _timed(cadence, stamp, believed, place, piece, grid, grid_s)
    if np.any(np.diff(time_s) <= 0):
        return _as_stamped(stamp, number, believed, used, grid, trusted.left_out, trusted.breaks)
    index = np.floor((time_s - time_s[0]) / interval + 0.5).astype(int) if kind == "pieces" else place
    strays = int(np.sum(cadence.stray))
    return TimeBase(
        time_s=time_s,
        stamp_s=stamp,
        index=index,
        interval_s=interval,
        interval_uncertainty=uncertainty,
        grid_s=grid,
        noise_s=cadence.jitter_s if kind != "exact" else 0.0,
        kind=kind,
        dropped=max(0, int(place[-1] + 1 - used.size) - repeated - trusted.left_out),
        used=used,
        mended=int(np.sum(~believed)) + strays,
        left_out=trusted.left_out,
        breaks=trusted.breaks,
        piece=piece,
    )


def _timed(
    cadence: Cadence,
    stamp: NDArray[np.float64],
    believed: NDArray[np.bool_],
    place: NDArray[np.int_],
    piece: NDArray[np.int_],
    grid: float,
    unit: float,
) -> tuple[str, float, float, NDArray[np.float64]]:
    """Kind of the time base, interval, its relative 1-sigma uncertainty, and the times."""
    good = np.flatnonzero(believed)[~cadence.stray]
    rounded = cadence.jitter_s == 0
    if cadence.first.size == 1:
        slope, error = float(cadence.interval_s[0]), cadence.error_s[~cadence.stray]
        worst = float(np.max(np.abs(error)))
        exact = worst <= EXACT_S or worst <= 0.02 * grid
        widths = (unit,) if exact else tuple(share * grid for share in (1.0, (1 + ROUNDED) / 2, ROUNDED))
        within = None
        if rounded and widths[0] > 0:
            tries = (line_within(place[good], stamp[good], slope, width + EXACT_S) for width in widths)
            within = next((one for one in tries if one is not None), None)
        if exact:
            return "exact", slope, 0.0 if within is None else within[2], cadence.time_s(place, piece)
        if within is not None:
            offset, slope, uncertainty = within
            return "cadence", slope, uncertainty, np.asarray(offset + slope * place, np.float64)
        uncertainty = slope_uncertainty(place[good], max(float(error.std()), grid / np.sqrt(12)), slope)
        return "cadence", slope, uncertainty, cadence.time_s(place, piece)
    time_s = cadence.time_s(place, piece)
    ends = [int(np.sum(piece[good] == which)) for which in (piece[0], piece[-1])]
    loose = [max(2 * cadence.jitter_s / np.sqrt(max(count, 1)), 0.5 * grid / np.sqrt(12)) for count in ends]
    uncertainty = float(np.hypot(*loose) / (time_s[-1] - time_s[0]))
    return "pieces", float(cadence.interval_s.min()), uncertainty, time_s


def _as_stamped(
    stamp: NDArray[np.float64],
    number: NDArray[np.int_],
    believed: NDArray[np.bool_],
    used: NDArray[np.int_],
    grid: float,
    left_out: int,
    breaks: int,
) -> TimeBase:
    """Stamps as they are; those that can't be believed are put evenly between their neighbours."""
    time_s = np.interp(number, number[believed], stamp[believed])
    step = np.diff(time_s)
    typical = float(np.mean(step[np.abs(step / np.median(step) - 1) < 0.5]))
    place = np.concatenate([[0], np.cumsum(np.maximum(1, np.rint(step / typical)))]).astype(int)
    _, slope, error = line_through(place, time_s)
    return TimeBase(
        time_s=time_s,
        stamp_s=stamp,
        index=place,
        interval_s=slope,
        interval_uncertainty=slope_uncertainty(place, float(error.std()), slope),
        grid_s=grid,
        noise_s=float(error.std()),
        kind="stamps",
        dropped=int(place[-1] + 1 - used.size),
        used=used,
        mended=int(np.sum(~believed)),
        left_out=left_out,
        breaks=breaks,
        piece=np.zeros(used.size, int),
    )


def _grid(stamp_s: NDArray[np.float64]) -> float:
    """The coarsest usual grid on which every stamp lies, in seconds; 0 for none."""
    for rate in (100.0, 600.0, 1000.0, 1200.0, 2400.0, 10000.0, 90000.0):
        for origin in (0.0, float(stamp_s[0])):
            off = (stamp_s - origin) * rate
            if np.max(np.abs(off - np.rint(off))) < 0.02:
                return 1.0 / rate
    return 0.0
