"""What a measurement costs: its time against bare decoding of the same clip, and its memory by the clip's length.

``python tests/bench_measure.py`` renders the clips (a few minutes), then prints

- the ratio of `strobe.measure` to a loop that decodes the same 10 s 1080p clip and looks at its luma plane, as the
  median over repeats that alternate between the two; good is 1.25 or less;
- the peak memory of fresh processes that measure 10 s and 60 s of 4K; good is the same for both.

``--folder`` keeps the clips there and uses them again.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import strobe
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

__all__ = ["main"]

_SEED = 20
_TURN_S = 1.8
"""One turn at 33 1/3 rpm: 54 frames at 30 a second and 180 flashes, so that turns can be joined without a seam."""


def _scene(width: int, height: int, *, seconds: float, bit_rate: int) -> Scene:
    return Scene(
        rows=(DotRow(180),),
        speed=Speed(100 / 3, wobbles=(Wobble(0.3, per_revolution=1), Wobble(0.1, per_revolution=3))),
        lamp=Lamp("pulse", 100.0),
        camera=Camera(width=width, height=height),
        coding=Coding(bit_rate=bit_rate),
        seconds=seconds,
    )


def _full_hd_clip(folder: Path) -> Path:
    path = folder / "full-hd-10s.mp4"
    if not path.exists():
        scene = _scene(1920, 1080, seconds=10.0, bit_rate=17_000_000)
        render_clip(scene, path, rng=np.random.default_rng(_SEED))
    return path


def _uhd_clip(folder: Path, *, turns: int) -> Path:
    """A 4K clip of whole turns, all of them the one that is rendered."""
    turn, path = folder / "uhd-turn.mp4", folder / f"uhd-{turns}-turns.mp4"
    if not turn.exists():
        scene = _scene(3840, 2160, seconds=_TURN_S, bit_rate=45_000_000)
        render_clip(scene, turn, rng=np.random.default_rng(_SEED))
    if not path.exists():
        _repeat(turn, path, times=turns)
    return path


def _repeat(source: Path, target: Path, *, times: int) -> None:
    """Write the coded frames of a clip several times in a row, without coding them again."""
    import av

    with av.open(str(target), "w") as output:
        copy = None
        for place in range(times):
            with av.open(str(source)) as clip:
                stream = clip.streams.video[0]
                if copy is None:
                    copy = output.add_stream_from_template(stream)
                assert stream.time_base is not None
                shift = round(place * _TURN_S / stream.time_base)
                for packet in clip.demux(stream):
                    if packet.dts is not None and packet.pts is not None:
                        packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
                        packet.stream = copy
                        output.mux(packet)


def bare_decode(path: Path) -> None:
    """Decode all frames and look at each luma plane."""
    import av

    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        for picture in container.decode(stream):
            luma = np.frombuffer(picture.planes[0], np.uint8).reshape(picture.height, -1)
            luma[::16, ::16].max()


def measure(path: Path) -> None:
    """Measure the clip as a caller of the package would."""
    strobe.measure(path)


_WORK: dict[str, Callable[[Path], None]] = {"decode": bare_decode, "measure": measure}


def _seconds(work: Callable[[Path], None], path: Path) -> tuple[float, float]:
    wall, processor = time.perf_counter(), time.process_time()
    work(path)
    return time.perf_counter() - wall, time.process_time() - processor


def _time_ratio(path: Path, *, repeats: int) -> None:
    for work in _WORK.values():
        work(path)
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in _WORK}
    for _ in range(repeats):
        for name, work in _WORK.items():
            taken[name].append(_seconds(work, path))
    for place, kind in enumerate(("wall clock", "processor")):
        decode, whole = ([run[place] for run in taken[name]] for name in ("decode", "measure"))
        ratios = [b / a for a, b in zip(decode, whole, strict=True)]
        print(
            f"10 s 1080p, {kind:10}  decode {statistics.median(decode):6.2f} s   "
            f"measure {statistics.median(whole):6.2f} s   ratio {statistics.median(ratios):5.2f} "
            f"({min(ratios):.2f} to {max(ratios):.2f} in {repeats})"
        )


def _peak_mib() -> float:
    """Largest resident memory of this process so far."""
    status = Path("/proc/self/status")
    if status.exists():
        # The resource figure of a fresh process can still be that of the one which started it.
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)


def _memory(folder: Path) -> None:
    peaks: dict[tuple[str, int], float] = {}
    for turns in (6, 36):
        clip = _uhd_clip(folder, turns=turns)
        for name in _WORK:
            command = [sys.executable, __file__, "--child", name, str(clip)]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            peaks[name, turns] = float(done.stdout)
            print(f"{turns * _TURN_S:4.1f} s of 4K, peak memory  {name:8}{peaks[name, turns]:7.0f} MiB")
    print(f"60 s over 10 s, measure       {peaks['measure', 36] / peaks['measure', 6]:12.2f}")


def main(arguments: list[str] | None = None) -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Time and memory of a measurement.")
    parser.add_argument("--repeats", type=int, default=5, help="alternating runs of each kind")
    parser.add_argument("--folder", type=Path, help="keep the clips here and use them again")
    parser.add_argument("--child", nargs=2, metavar=("WORK", "CLIP"), help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.child:
        _WORK[options.child[0]](Path(options.child[1]))
        print(_peak_mib())
        return
    with tempfile.TemporaryDirectory() as spare:
        folder = options.folder or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        _time_ratio(_full_hd_clip(folder), repeats=options.repeats)
        _memory(folder)


if __name__ == "__main__":
    main()
