"""Pattern: from frames to rows of dots, a complex amplitude of each part in each frame, and what the scenery shows.

Knows nothing of lamps or speeds. One pass: the first frames are held to find and learn the rows, then each frame is
read and let go.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from strobe.capture import Frame
from strobe.pattern.camera import CameraCourse
from strobe.pattern.disc import DiscFacts, RingPlaces
from strobe.pattern.impression import Impression, impression
from strobe.pattern.learned import HELD, FrameSeen, Learned, learn, unlearned
from strobe.pattern.rim import RimFacts, RowShape
from strobe.pattern.series import PatternReading, RowSeries

__all__ = [
    "CameraCourse",
    "DiscFacts",
    "Impression",
    "PatternReading",
    "RimFacts",
    "RingPlaces",
    "RowSeries",
    "RowShape",
    "read_pattern",
]

_TRIES = 6
"""How often the next held frames are searched while no row has been found, some five seconds of a clip."""


def read_pattern(
    frames: Iterable[Frame],
    *,
    full_scale: float = 255.0,
    sweep: str = "down",
    view: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> PatternReading:
    """Read every frame once.

    Parameters
    ----------
    frames : iterable of Frame
        In order of time.
    full_scale : float
        The value of white in the planes.
    sweep : str
        Which way a rolling shutter sweeps the picture: ``down``, ``up``, ``left``, ``right``, or ``sideways`` for left
        or right.
    view : str or None
        ``rim`` for rows along a rim, ``disc`` for rings seen from above; None to let the first frames decide.
    progress : callable or None
        Called with the time of the frame just read, in seconds.

    Returns
    -------
    PatternReading
        With no rows when none was found in the first seconds.
    """
    held: list[Frame] = []
    learned: Learned | None = None
    times: list[float] = []
    seen: list[FrameSeen] = []
    tries = 0
    look = Impression(0.0, 0.0, 1.0, False, 0.0)
    for frame in frames:
        if progress is not None:
            progress(frame.time_s)
        if learned is not None:
            times.append(frame.time_s)
            seen.append(learned.read(frame))
            continue
        if tries == _TRIES:
            times.append(frame.time_s)
            continue
        held.append(frame)
        if len(held) < HELD:
            continue
        learned = learn(held, full_scale=full_scale, sweep=sweep, view=view)
        if not tries:
            look = impression([one.luma for one in held], full_scale=full_scale)
        tries += 1
        times, seen = _begun(learned, held, times)
        held = []
    if held:
        if not tries and len(held) > 2:
            learned = learn(held, full_scale=full_scale, sweep=sweep, view=view)
            look = impression([one.luma for one in held], full_scale=full_scale)
        times, seen = _begun(learned, held, times)
    if learned is None:
        return unlearned(times, look, sweep_known=sweep != "sideways")
    return learned.reading(times, seen, look, sweep_known=sweep != "sideways")


def _begun(learned: Learned | None, held: Sequence[Frame], before: list[float]) -> tuple[list[float], list[FrameSeen]]:
    """Times and what was read once frames have been searched; those before the rows were found are left out."""
    times = [one.time_s for one in held]
    if learned is None:
        return before + times, []
    return times, [learned.read(one) for one in held]
