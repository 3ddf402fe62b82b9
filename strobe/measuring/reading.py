"""One pass over a clip: all that later steps need of its pictures, kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from strobe.capture import ClipFacts, ClipTally, Frame, open_clip
from strobe.measuring.threads import one_thread
from strobe.pattern import PatternReading, read_pattern

__all__ = ["ClipReading", "read_clip"]


@dataclass(frozen=True, eq=False)
class ClipReading:
    """A clip that has been read to its end.

    Attributes
    ----------
    path : str
        As given.
    facts, tally : ClipFacts, ClipTally
        What the container says, and what was counted.
    pattern : PatternReading
        Rows of dots, brightness and shift of the scenery.
    """

    path: str
    facts: ClipFacts
    tally: ClipTally
    pattern: PatternReading


@one_thread
def read_clip(
    path: str | Path,
    *,
    mirrored: bool = False,
    view: str | None = None,
    watch: Callable[[ClipFacts, Iterable[Frame]], Iterator[Frame]] | None = None,
    progress: Callable[[float, float | None], None] | None = None,
) -> ClipReading:
    """Read a clip once.

    Parameters
    ----------
    path : str or Path
        A video file.
    mirrored : bool
        Whether the clip is a mirror image.
    view : str or None
        ``rim`` or ``disc``; None to let the first frames decide.
    watch : callable or None
        Gets the facts and the frames, and hands the frames on; for whoever wants to see each of them too.
    progress : callable or None
        Called with the seconds read so far and the length of the clip (None when unknown).

    Returns
    -------
    ClipReading

    Raises
    ------
    ClipUnreadable
        When the file is missing, is not a video, or can't be decoded.
    """
    with open_clip(path, flipped=mirrored) as clip:
        facts = clip.facts
        report = None if progress is None else (lambda now: progress(now, facts.duration_s))
        frames = clip if watch is None else watch(facts, clip)
        pattern = read_pattern(frames, full_scale=facts.full_scale, sweep=facts.sweep, view=view, progress=report)
        return ClipReading(str(path), facts, clip.tally(), pattern)
