"""Benchmark of the live readout: time per frame after decoding, frames a second, latency, and memory.

Run by hand: ``python tests/bench_live.py [--memory-minutes 10] [--keep FOLDER]``. Clips are rendered at 720p and 1080p
and their frames held decoded, so that what is timed is the following alone: first as fast as it goes, then at the
camera's own pace, with the latency from a frame's arrival to the figure on it. Memory is read while a clip is
played round and round, full readings and all.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Self

import numpy as np
from live_scenes import turned_scene

from strobe.capture import ClipTally, Frame, SourceFacts, open_clip
from strobe.live import LiveOptions, LiveRun
from strobe.live.follower import Follower
from strobe.render import Camera, Coding, Wobble, render_clip

RATE_HZ, SECONDS = 60.0, 9
SIZES = ((1280, 720), (1920, 1080))
ROUND_S = 9.0
"""Five whole turns at 33 1/3, so that the clip joins its own beginning."""


def frames_of(folder: Path, width: int, height: int) -> tuple[list[Frame], Path]:
    camera = Camera(width=width, height=height, frame_rate_hz=RATE_HZ, exposure_s=0.011)
    scene = turned_scene((0.0, 0.0), seconds=SECONDS, camera=camera, wobbles=(Wobble(0.2, per_revolution=1.0),))
    scene = replace(scene, coding=Coding(bit_rate=12_000_000, preset="ultrafast"))
    path = folder / f"{height}.mp4"
    if not path.exists():
        render_clip(scene, path, rng=np.random.default_rng(2))
    with open_clip(path) as clip:
        kept = [replace(frame, luma=frame.luma.copy(), cb=None, cr=None) for frame in clip]
    return kept, path


def endless(frames: list[Frame], seconds: float, rate_hz: float = RATE_HZ) -> Iterator[Frame]:
    for number in range(round(seconds * rate_hz)):
        once, place = divmod(number, len(frames))
        yield replace(frames[place], index=number, time_s=frames[place].time_s + once * ROUND_S)


def resident_mb() -> float:
    """Memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


class Held:
    """Decoded frames played round and round as a source; keeps to `FrameSource`."""

    def __init__(self, frames: list[Frame], facts: SourceFacts, seconds: float, rate_hz: float) -> None:
        self.facts = facts
        self._coming = endless(frames, seconds, rate_hz)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        return next(self._coming)

    def close(self) -> None:
        pass

    def tally(self) -> ClipTally:
        return ClipTally.of(np.zeros(0))


def work_a_frame(frames: list[Frame], facts: SourceFacts, name: str) -> None:
    """Time of one frame without waiting, full readings made beside."""
    with ThreadPoolExecutor(1) as beside:
        follower = Follower(facts, LiveOptions(), beside)
        took: list[float] = []
        told: list[float] = []
        began = time.perf_counter()
        for frame in endless(frames, 20.0):
            begin = time.thread_time()
            update = follower.take(frame)
            spent = 1000 * (time.thread_time() - begin)
            if update is None and frame.time_s > 6:
                took.append(spent)
            elif update is not None and update.deviation_percent is not None:
                told.append(spent)
        rate = 20.0 * RATE_HZ / (time.perf_counter() - began)
    figures = f"{np.median(told):.0f} ms more a figure ({len(told)})" if told else "no figure came as fast as this"
    print(
        f"{name}: {np.median(took):.2f} ms of work a frame (median; 95 %: {np.percentile(took, 95):.2f} ms), "
        f"{figures}, {rate:.0f} frames a second",
        flush=True,
    )


def latency(frames: list[Frame], facts: SourceFacts, name: str) -> None:
    """At the camera's own pace: what is left out, and how old a figure is when it is there."""
    with LiveRun(Held(frames, facts, 30.0, RATE_HZ), LiveOptions(), pace=1.0) as run:
        waited = [1000 * one.latency_s for one in run if one.deviation_percent is not None]
        skipped = run.outcome().skipped
    print(
        f"{name} at {RATE_HZ:g} frames a second: frame to figure {np.percentile(waited, 50):.0f} / "
        f"{np.percentile(waited, 95):.0f} / {np.percentile(waited, 99):.0f} ms (50, 95, 99 %; {len(waited)} figures), "
        f"{skipped} of {30 * RATE_HZ:.0f} frames left out",
        flush=True,
    )


def memory(frames: list[Frame], facts: SourceFacts, minutes: float) -> None:
    """Memory by the minute of accelerated play at half the rate, and how far apart after the first minutes."""
    marks: list[float] = []
    print("memory by the minute, MB:", end="", flush=True)
    with LiveRun(Held(frames[::2], facts, 60 * minutes, RATE_HZ / 2), LiveOptions(), pace=0) as run:
        for update in run:
            if update.time_s >= 60 * len(marks):
                marks.append(resident_mb())
                print(f" {marks[-1]:.0f}", end="", flush=True)
    settled = marks[len(marks) // 4 :]
    print(f"; after the first quarter {100 * (max(settled) / min(settled) - 1):.1f} % apart", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--memory-minutes", type=float, default=10.0)
    parser.add_argument("--keep", type=Path, help="folder in which the clips are kept")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = wanted.keep or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        for width, height in SIZES:
            frames, path = frames_of(folder, width, height)
            with open_clip(path) as clip:
                facts = clip.facts
            work_a_frame(frames, facts, f"{height}p")
            latency(frames, facts, f"{height}p")
            if height == SIZES[0][1] and wanted.memory_minutes:
                memory(frames, facts, wanted.memory_minutes)


if __name__ == "__main__":
    main()
