"""What a measurement costs: its time against decoding the same clip, its memory by the clip's length, its start-up.

``python tests/bench_measure.py`` renders the clips (a few minutes), then prints

- for each format the ratio of `strobe.measure` to a loop that decodes the clip with PyAV and looks at its luma plane,
  and to a loop of OpenCV's ``read()``, by wall clock and by processor time, all in one process: the median over
  repeats that go round the three; good is 1.15 or less, and less than 1;
- the same by processor time with each in a fresh process, imports and all;
- the peak memory of fresh processes that measure 10 s and 60 s of 4K; good is the same for both;
- the start-up of ``strobe --help``, and of ``strobe measure`` on a clip of one frame, which it refuses.

``--folder`` keeps the clips there and uses them again, ``--only`` takes some of the formats. Processor time is the one
to go by on a machine that does other work as well.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import strobe

__all__ = ["main"]

_SEED = 20
_TURN_S = 1.8
"""One turn at 33 1/3 rpm: whole frames at 30, 60 and 240 a second and 180 flashes: turns join without a seam."""


@dataclass(frozen=True)
class _Format:
    width: int
    height: int
    rate_hz: float
    bit_rate: int
    turns: int
    whole: bool = False
    """Whether every turn is rendered: noise of coding that comes round with the dots is taken for theirs."""

    @property
    def seconds(self) -> float:
        return self.turns * _TURN_S


_FORMATS = {
    "720p30": _Format(1280, 720, 30.0, 8_000_000, 6),
    "1080p30": _Format(1920, 1080, 30.0, 17_000_000, 6),
    "1080p30-long": _Format(1920, 1080, 30.0, 17_000_000, 34),
    "1080p60": _Format(1920, 1080, 60.0, 25_000_000, 6),
    "4k30": _Format(3840, 2160, 30.0, 45_000_000, 6),
    "720p240": _Format(1280, 720, 240.0, 30_000_000, 6, whole=True),
}
_LONG_UHD = _Format(3840, 2160, 30.0, 45_000_000, 34)
_ONE_FRAME = "one-frame.mp4"


def _render(path: Path, form: _Format, *, seconds: float) -> None:
    from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

    period_s = 1 / form.rate_hz
    scene = Scene(
        rows=(DotRow(180),),
        # Quite at its speed a whole turn would hold whole flashes and pictures, and coding's noise come round with it.
        speed=Speed(
            100 / 3, 0.2 if form.whole else 0.0, wobbles=(Wobble(0.3, per_revolution=1), Wobble(0.1, per_revolution=3))
        ),
        lamp=Lamp("pulse", 100.0),
        camera=Camera(
            width=form.width, height=form.height, frame_rate_hz=form.rate_hz, readout_s=min(0.018, 0.9 * period_s)
        ),
        coding=Coding(bit_rate=form.bit_rate),
        seconds=seconds,
    )
    render_clip(scene, path, rng=np.random.default_rng(_SEED))


def _clip(folder: Path, form: _Format) -> Path:
    """A clip of whole turns, all of them the one that is rendered unless all are."""
    name = f"{form.height}p{form.rate_hz:.0f}"
    if form.whole:
        path = folder / f"{name}-whole-{form.turns}-turns.mp4"
        if not path.exists():
            _render(path, form, seconds=form.seconds)
        return path
    turn, path = folder / f"{name}-turn.mp4", folder / f"{name}-{form.turns}-turns.mp4"
    if not turn.exists():
        _render(turn, form, seconds=_TURN_S)
    if not path.exists():
        _repeat(turn, path, times=form.turns)
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


def opencv_read(path: Path) -> None:
    """Read all frames as OpenCV hands them out, converted to its colours."""
    import cv2

    capture = cv2.VideoCapture(str(path))
    while capture.read()[0]:
        pass


def measure(path: Path) -> None:
    """Measure the clip as a caller of the package would."""
    strobe.measure(path)


_WORK: dict[str, Callable[[Path], None]] = {"decode": bare_decode, "opencv": opencv_read, "measure": measure}


def _seconds(work: Callable[[Path], None], path: Path) -> tuple[float, float]:
    wall, processor = time.perf_counter(), time.process_time()
    work(path)
    return time.perf_counter() - wall, time.process_time() - processor


def _time_ratios(name: str, path: Path, *, repeats: int) -> None:
    taken: dict[str, list[tuple[float, float]]] = {work: [] for work in _WORK}
    for _ in range(repeats):
        for work, run in _WORK.items():
            taken[work].append(_seconds(run, path))
    for place, kind in enumerate(("wall clock", "processor")):
        _print_ratios(name, kind, {work: [run[place] for run in runs] for work, runs in taken.items()})


def _print_ratios(name: str, kind: str, taken: dict[str, list[float]]) -> None:
    times = "  ".join(f"{work} {statistics.median(runs):6.2f} s" for work, runs in taken.items())
    over = {
        work: [whole / other for whole, other in zip(taken["measure"], taken[work], strict=True)]
        for work in ("decode", "opencv")
    }
    ratios = "  ".join(
        f"over {work} {statistics.median(some):4.2f} ({min(some):.2f} to {max(some):.2f})"
        for work, some in over.items()
    )
    print(f"{name:13}{kind:17}{times}   {ratios}", flush=True)


def _in_a_fresh_process(work: str, path: Path) -> tuple[float, float]:
    """Peak memory in MiB and processor time in seconds of one piece of work."""
    command = [sys.executable, __file__, "--child", work, str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    peak, processor = done.stdout.split()
    return float(peak), float(processor)


def _fresh_ratios(name: str, path: Path) -> None:
    _print_ratios(name, "fresh processor", {work: [_in_a_fresh_process(work, path)[1]] for work in _WORK})


def _peak_mib() -> float:
    """Largest resident memory of this process so far."""
    status = Path("/proc/self/status")
    if status.exists():
        # The resource figure of a fresh process can still be that of the one which started it.
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)


def _memory(folder: Path) -> None:
    peaks: dict[tuple[str, int], float] = {}
    for form in (_FORMATS["4k30"], _LONG_UHD):
        clip = _clip(folder, form)
        for work in ("decode", "measure"):
            peaks[work, form.turns], _ = _in_a_fresh_process(work, clip)
            print(f"{form.seconds:4.1f} s of 4K, peak memory  {work:8}{peaks[work, form.turns]:7.0f} MiB", flush=True)
    ratio = peaks["measure", _LONG_UHD.turns] / peaks["measure", _FORMATS["4k30"].turns]
    print(f"60 s over 10 s, measure       {ratio:12.2f}")


def _start_up(folder: Path, *, repeats: int) -> None:
    clip = folder / _ONE_FRAME
    if not clip.exists():
        _render(clip, _FORMATS["720p30"], seconds=1 / 30)
    for arguments, status in ((["--help"], 0), (["measure", str(clip)], 3)):
        taken = []
        for _ in range(repeats):
            wall, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
            done = subprocess.run([sys.executable, "-m", "strobe", *arguments], capture_output=True, check=False)
            assert done.returncode == status, done.stderr.decode()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            taken.append((time.perf_counter() - wall, processor))
        walls, processors = zip(*taken, strict=True)
        what = "strobe --help" if status == 0 else "strobe measure, one frame"
        print(
            f"{what:28}wall clock {statistics.median(walls):5.2f} s   processor {statistics.median(processors):5.2f} s"
        )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Time and memory of a measurement.")
    parser.add_argument("--repeats", type=int, default=3, help="rounds of each kind")
    parser.add_argument("--folder", type=Path, help="keep the clips here and use them again")
    parser.add_argument("--only", default=",".join(_FORMATS), help="formats, with commas; then times alone are taken")
    parser.add_argument("--child", nargs=2, metavar=("WORK", "CLIP"), help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.child:
        _WORK[options.child[0]](Path(options.child[1]))
        print(_peak_mib(), time.process_time())
        return
    names = options.only.split(",")
    with tempfile.TemporaryDirectory() as spare:
        folder = options.folder or Path(spare)
        folder.mkdir(parents=True, exist_ok=True)
        clips = {name: _clip(folder, _FORMATS[name]) for name in names}
        for run in _WORK.values():
            run(next(iter(clips.values())))
        for name, clip in clips.items():
            _time_ratios(name, clip, repeats=options.repeats)
            _fresh_ratios(name, clip)
        if names == list(_FORMATS):
            _memory(folder)
            _start_up(folder, repeats=options.repeats)


if __name__ == "__main__":
    main()
