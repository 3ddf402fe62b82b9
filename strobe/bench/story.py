"""The story of the sample clips, replayed into a job: an idler-driven machine that never existed.

At 33 1/3 rpm as found and as left are read three times each, started anew between, so that the comparison of the two
can be called real; after the first repair there is one reading, to show how far that goes.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from strobe.bench.many import Progress
from strobe.bench.records import AS_FOUND, Conditions
from strobe.bench.store import BenchLog, clip_digest
from strobe.errors import UsageError
from strobe.measurement import Measurement

__all__ = ["MACHINE", "STORY_CLIPS", "replay_story"]

MACHINE = """\
name = "Bench deck 7 (invented)"
drive = "idler"
speeds_rpm = [33, 45]
idler_mm = 45
driven_mm = 280
dots = [180, 133]
"""
REPORTED = "Plays a little fast, and long notes waver. (This machine and its owner are invented.)"
REMARK = "This job is an example: machine, owner, repairs and clips are invented."
CONDITIONS = Conditions(10.0, "bare", "up", "centre", "the machine's own strobe lamp", "front")
CLEANED = "idler cleaned"
OILED = "bearing oiled, pitch trimmed"
STORY_CLIPS = {
    "01-as-found-33.mp4": (AS_FOUND, CONDITIONS),
    "01b-as-found-again-33.mp4": (AS_FOUND, replace(CONDITIONS, running_min=12.0)),
    "01c-as-found-third-33.mp4": (AS_FOUND, replace(CONDITIONS, running_min=15.0)),
    "02-idler-cleaned-33.mp4": (CLEANED, replace(CONDITIONS, running_min=12.0)),
    "05-filament-lamp-33.mp4": (OILED, replace(CONDITIONS, running_min=11.0, light="a filament lamp")),
    "03-oiled-and-trimmed-33.mp4": (OILED, replace(CONDITIONS, running_min=12.0)),
    "03b-oiled-and-trimmed-again-33.mp4": (OILED, replace(CONDITIONS, running_min=14.0)),
    "03c-oiled-and-trimmed-third-33.mp4": (OILED, replace(CONDITIONS, running_min=16.0)),
    "04-oiled-and-trimmed-45.mp4": (OILED, replace(CONDITIONS, running_min=18.0)),
}
"""The clips of the story in the order of filing; the repair before each, and its conditions."""


def replay_story(
    log: BenchLog,
    folder: Path,
    *,
    name: str,
    measure: Callable[..., Measurement] | None = None,
    progress: Progress | None = None,
) -> None:
    """Open a job and file the sample clips in it.

    Parameters
    ----------
    log : BenchLog
    folder : Path
        Holds the sample clips.
    name : str
        Of the job.
    measure : callable, optional
        Takes the place of `strobe.measure`.
    progress : callable, optional
        Told the clips done and in all.

    Raises
    ------
    UsageError
        If a clip is missing, or there is a job of that name.
    """
    log.check_new(name)
    for clip in STORY_CLIPS:
        if not os.path.isfile(folder / clip):
            raise UsageError(
                f"{folder} does not hold the sample clip {clip}; name their folder, or make them: "
                "strobe render --samples sample_clips"
            )
    if measure is None:
        from strobe.measuring import measure as measure_file

        measure = measure_file
    readings = []
    for place, clip in enumerate(STORY_CLIPS):
        if progress is not None:
            progress(place, len(STORY_CLIPS))
        readings.append(measure(folder / clip, progress=None))
    log.open_job(name, machine=MACHINE, reported=REPORTED)
    log.note(name, REMARK)
    for (clip, (after, conditions)), reading in zip(STORY_CLIPS.items(), readings, strict=True):
        log.file_reading(name, reading, clip_sha256=clip_digest(folder / clip), after=after, conditions=conditions)
