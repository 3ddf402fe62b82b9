"""Benchmark of the live readout: time per frame after decoding, frames a second, latency, and memory.

Run by hand: ``python tests/bench_live.py [--memory-minutes 10]``. Clips are rendered at 720p and 1080p and their frames
held decoded, so that what is timed is the following alone; memory is read while they are played round and round.
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

import numpy as np
from live_scenes import turned_scene

from strobe.capture import Frame, open_clip
from strobe.live import LiveOptions
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
    render_clip(scene, path, rng=np.random.default_rng(2))
    with open_clip(path) as clip:
        kept = [replace(frame, luma=frame.luma.copy(), cb=None, cr=None) for frame in clip]
    return kept, path


def endless(frames: list[Frame], seconds: float) -> Iterator[Frame]:
    for number in range(round(seconds * RATE_HZ)):
        once, place = divmod(number, len(frames))
        yield replace(frames[place], index=number, time_s=frames[place].time_s + once * ROUND_S)


def resident_mb() -> float:
    """Memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--memory-minutes", type=float, default=10.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for width, height in SIZES:
            frames, path = frames_of(Path(folder), width, height)
            with open_clip(path) as clip, ThreadPoolExecutor(1) as beside:
                follower = Follower(clip.facts, LiveOptions(), beside)
                took: list[float] = []
                latency: list[float] = []
                for frame in endless(frames, 30.0):
                    begin = time.perf_counter()
                    update = follower.take(frame)
                    spent = time.perf_counter() - begin
                    if frame.time_s > 6:
                        if update is None:
                            took.append(1000 * spent)
                        elif update.deviation_percent is not None:
                            latency.append(1000 * spent)
            print(
                f"{height}p: {np.median(took):.2f} ms a frame (median; 95 %: {np.percentile(took, 95):.2f} ms), "
                f"{1000 / np.mean(took + latency):.0f} frames a second; frame to figure "
                f"{np.median(latency):.1f} / {np.percentile(latency, 95):.1f} / {np.percentile(latency, 99):.1f} ms "
                f"(50, 95, 99 %; {len(latency)} figures)",
                flush=True,
            )
            if height != SIZES[0][1] or not wanted.memory_minutes:
                continue
            with open_clip(path) as clip, ThreadPoolExecutor(1) as beside:
                follower = Follower(clip.facts, LiveOptions(), beside)
                marks: list[float] = []
                for frame in endless(frames, 60 * wanted.memory_minutes):
                    follower.take(frame)
                    if frame.index % round(60 * RATE_HZ) == 0:
                        marks.append(resident_mb())
            settled = marks[len(marks) // 3 :]
            print(
                f"memory by the minute: {', '.join(f'{one:.0f}' for one in marks)} MB; "
                f"of the last two thirds {100 * (max(settled) / min(settled) - 1):.1f} % apart"
            )


if __name__ == "__main__":
    main()
