"""Damaged files by the thousand: each must end in a documented exit status, soon, in bounds, and touch nothing else.

``python tests/fuzz_files.py --mutants 5000`` makes small clips in every container that is read, damages copies of them
(bytes flipped, cut off, pieces swapped, sizes and counts in the headers set to extremes), and gives each to the command
line in a process of its own with limits. It prints one line a seed and the faults, which ``--keep FOLDER`` keeps as
files; the exit status is 1 where there was a fault. ``--seed N`` draws other damage. Where `strace` is installed, some
are traced as well, for what the decoder itself opens.
"""

from __future__ import annotations

import argparse
import gc
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from strobe.cli import ExitStatus, run

__all__ = ["Fault", "Ran", "Tally", "faults_of", "make_seeds", "mutated", "run_limited", "survey", "traced"]

LONGEST_S, PATIENCE_S = 20.0, 120.0
"""Processor time that a file may take, and the time by the clock after which it hangs, on a machine however busy."""
MOST_BYTES = 1_000_000_000
DOCUMENTED = (ExitStatus.MEASURED, ExitStatus.REFUSED, ExitStatus.UNREADABLE)
"""What `measure` and `look` may end with on a file, whatever is in it."""

ESCAPED = 99
FRAMES, LONG_FRAMES = 14, 66
# What comes before or after these is a size, a count, a rate or a set of flags.
NAMES = (
    *(b"ftyp", b"moov", b"mvhd", b"trak", b"tkhd", b"edts", b"elst", b"mdia", b"mdhd", b"minf", b"dinf", b"dref"),
    *(b"stbl", b"stsd", b"stts", b"stss", b"ctts", b"stsc", b"stsz", b"stco", b"avc1", b"avcC", b"hvcC", b"mdat"),
    *(b"RIFF", b"LIST", b"hdrl", b"avih", b"strl", b"strh", b"strf", b"movi", b"idx1", b"00dc", b"meta", b"keys"),
    *(b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67", b"\x15\x49\xa9\x66", b"\x16\x54\xae\x6b", b"\xe0", b"\xb0", b"\xba"),
    *(b"\x1f\x43\xb6\x75", b"\xa3", b"\x1c\x53\xbb\x6b", b"\x2a\xd7\xb1", b"\x63\xa2", b"\x86", b"\x00\x00\x01"),
)
EXTREMES = (0, 1, 2, 0x7F, 0xFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFE, 0x00FFFFFF)
SEEDS: dict[str, tuple[str, str, int]] = {
    "h264.mp4": ("libx264", "yuv420p", FRAMES),
    "h264.mov": ("libx264", "yuv420p", FRAMES),
    "hevc.mp4": ("libx265", "yuv420p10le", FRAMES),
    "h264.mkv": ("libx264", "yuv422p", FRAMES),
    "ffv1.mkv": ("ffv1", "yuv420p", FRAMES),
    "mjpeg.avi": ("mjpeg", "yuvj420p", FRAMES),
    "mpeg4.avi": ("mpeg4", "yuv420p", FRAMES),
    "vp8.webm": ("libvpx", "yuv420p", FRAMES),
    "vp9.webm": ("libvpx-vp9", "yuv420p", FRAMES),
    "h264.ts": ("libx264", "yuv420p", FRAMES),
    "mpeg2.mpg": ("mpeg2video", "yuv420p", FRAMES),
    "long.mp4": ("libx264", "yuv420p", LONG_FRAMES),
    "long.mkv": ("libx264", "yuv420p", LONG_FRAMES),
    "long.avi": ("mjpeg", "yuvj420p", LONG_FRAMES),
}
LONG_SHARE = 0.1
COMMANDS = (*(("measure",),) * 4, ("look",), ("coast", "--dots", "180"))


@dataclass(frozen=True)
class Ran:
    """How one run ended: exit status (negative for a signal), processor time, bytes at most, and what was printed."""

    status: int
    seconds: float
    peak_bytes: int
    out: str
    err: str
    touched: tuple[str, ...]


@dataclass(frozen=True)
class Fault:
    """A run that did what it must not."""

    seed: str
    number: int
    what: str


@dataclass
class Tally:
    """What became of the mutants of one seed."""

    statuses: Counter[int] = field(default_factory=Counter)
    longest_s: float = 0.0
    most_bytes: int = 0


def make_seeds(folder: Path, names: Sequence[str] = tuple(SEEDS)) -> dict[str, Path]:
    """Write the small clips: a row of dots that goes by, in every container and by every usual coder."""
    import av

    made = {}
    for name in names:
        coder, pixels, frames = SEEDS[name]
        path = folder / name
        size = (320, 180) if frames == LONG_FRAMES else (160, 96)
        options = {"movflags": "use_metadata_tags"} if name.endswith(("mp4", "mov")) else {}
        with av.open(str(path), "w", options=options) as output:
            if options:
                output.metadata["com.android.capture.fps"] = "30.0"
            quiet = {"x265-params": "log-level=none"} if coder == "libx265" else {}
            stream: Any = output.add_stream(coder, rate=30, options=quiet)
            stream.width, stream.height = size
            stream.pix_fmt, stream.bit_rate = pixels, 400_000
            stream.codec_context.thread_count = 1
            for number in range(frames):
                picture = av.VideoFrame.from_ndarray(_dots(size, number), format="gray").reformat(format=pixels)
                picture.pts = number
                output.mux(stream.encode(picture))
            output.mux(stream.encode())
        made[name] = path
    return made


def _dots(size: tuple[int, int], number: int) -> np.ndarray[Any, Any]:
    """A row of dots as on a rim, and scenery that stands still."""
    width, height = size
    x, y = np.arange(width), np.arange(height)
    angle = np.arcsin(0.8 * (x - width / 2) / (width / 2))
    row = 120 + 70 * np.sin(60 * angle + 2 * np.pi * 0.31 * number)
    levels = np.where(np.abs(y - height / 2)[:, None] < 6, row[None, :], 60 + 40 * np.sin(x / 17 + (y / 9)[:, None]))
    return np.ascontiguousarray(levels.astype(np.uint8))


def mutated(data: bytes, chance: random.Random) -> bytes:
    """A damaged copy."""
    ways: tuple[Callable[[bytearray, random.Random], bytearray], ...] = (
        _flip,
        _flip_head,
        _cut,
        _swap,
        _resize,
        _resize,
    )
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        made = chance.choice(ways)(made, chance)
    return bytes(made)


def _flip(data: bytearray, chance: random.Random) -> bytearray:
    for _ in range(chance.choice((1, 3, 20, 200))):
        data[chance.randrange(len(data))] = chance.randrange(256)
    return data


def _flip_head(data: bytearray, chance: random.Random) -> bytearray:
    """Flips among the first bytes, or the last, where the headers are."""
    reach = min(len(data), 1200)
    begin = chance.choice((0, len(data) - reach))
    for _ in range(chance.choice((1, 2, 8))):
        data[begin + chance.randrange(reach)] ^= 1 << chance.randrange(8)
    return data


def _cut(data: bytearray, chance: random.Random) -> bytearray:
    """Cut off at the end, at the beginning, or a piece taken out."""
    a, b = sorted(chance.randrange(1, len(data)) for _ in range(2)) if len(data) > 2 else (1, 1)
    return chance.choice((data[:a], data[a:], data[:a] + data[b:])) or data


def _swap(data: bytearray, chance: random.Random) -> bytearray:
    """Two pieces in each other's place, or one put in twice."""
    a, b, c = sorted(chance.randrange(len(data)) for _ in range(3))
    return data[:a] + data[b:c] + data[a:b] + data[c:] if chance.random() < 0.7 else data[:c] + data[a:c] + data[c:]


def _resize(data: bytearray, chance: random.Random) -> bytearray:
    """An extreme value where a size or a count stands, beside one of the names."""
    places = [place.start() for name in NAMES for place in re.finditer(re.escape(name), data)]
    if not places:
        return _flip_head(data, chance)
    at = chance.choice(places) + chance.choice((-8, -4, 4, 8, 12, 16, 20, 24, 28))
    width = chance.choice((1, 2, 4))
    if 0 <= at <= len(data) - width:
        data[at : at + width] = (chance.choice(EXTREMES) & (1 << 8 * width) - 1).to_bytes(width, chance.choice(ORDERS))
    return data


ORDERS: tuple[Any, ...] = ("big", "little")


def run_limited(argv: Sequence[str], clip: Path) -> Ran:
    """Run the command line in a child process within the limits.

    Parameters
    ----------
    argv : sequence of str
        Arguments of `strobe`.
    clip : Path
        The one file that may be opened, besides the program's own.
    """
    with tempfile.TemporaryFile() as printed:
        began = time.monotonic()
        child = os.fork()
        if child == 0:
            _child(argv, clip, printed.fileno())
        while True:
            ended, code, used = os.wait4(child, os.WNOHANG)
            if ended:
                break
            if time.monotonic() - began > PATIENCE_S:
                os.kill(child, signal.SIGKILL)
            time.sleep(0.002)
        printed.seek(0)
        text = printed.read().decode("utf-8", "replace")
    status = os.waitstatus_to_exitcode(code)
    said: dict[str, Any] = {"out": "", "err": text, "touched": []}
    if status >= 0:
        said = json.loads(text.splitlines()[-1])
    unasked = text.splitlines()[:-1] if status >= 0 else []
    return Ran(
        status,
        used.ru_utime + used.ru_stime,
        1024 * used.ru_maxrss,
        said["out"],
        said["err"] + "\n".join(unasked),
        tuple(said["touched"]),
    )


def _child(argv: Sequence[str], clip: Path, printed: int) -> None:
    """The rest of a forked process; never returns."""
    status, out, err = ESCAPED, io.StringIO(), io.StringIO()
    touched: list[str] = []
    try:
        os.dup2(printed, 1)
        os.dup2(printed, 2)
        now = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + MOST_BYTES, now + MOST_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_CPU, (int(LONGEST_S), int(LONGEST_S) + 1))
        _watch(clip, touched)
        status = run(argv, out=out, err=err)
    except BaseException as error:
        err.write(f"Traceback: {type(error).__name__}: {error}")
    finally:
        told = {"out": out.getvalue(), "err": err.getvalue(), "touched": touched}
        os.write(printed, f"{json.dumps(told)}\n".encode())
        os._exit(status)


def _watch(clip: Path, touched: list[str]) -> None:
    """Write down what Python opens besides the clip and the program's own files, and any way out of the process."""
    here = str(Path(__file__).resolve().parent.parent)
    own = (sys.prefix, sys.base_prefix, here, "/proc", "/sys", "/usr", os.devnull)
    barred = ("socket.", "subprocess.", "os.system", "os.exec", "os.spawn", "os.posix_spawn", "os.remove", "os.rename")

    def hear(event: str, details: tuple[Any, ...]) -> None:
        if event.startswith(barred):
            touched.append(event)
        elif event == "open" and isinstance(details[0], str | bytes):
            name = os.path.realpath(os.fsdecode(details[0]))
            if name != os.path.realpath(clip) and not (name.startswith(own) and _reads(details)):
                touched.append(f"open {name}")

    sys.addaudithook(hear)


def _reads(details: tuple[Any, ...]) -> bool:
    return not details[2] & (os.O_WRONLY | os.O_RDWR)


def faults_of(ran: Ran) -> Iterator[str]:
    """What is wrong with a run; nothing where all is well."""
    if ran.status < 0:
        kind = "hangs or takes too long" if -ran.status in (signal.SIGKILL, signal.SIGXCPU) else "crash"
        yield f"{kind}: ended by signal {-ran.status} after {ran.seconds:.1f} s: {ran.err[-200:]}"
        return
    if ran.status not in DOCUMENTED:
        yield f"exit status {ran.status}: {ran.err[-300:]}"
    if "Traceback" in ran.err:
        yield f"traceback: {ran.err[-300:]}"
    if "Warning:" in ran.err:
        yield f"warning: {ran.err[-300:]}"
    if ran.peak_bytes > MOST_BYTES:
        yield f"{ran.peak_bytes / 1e6:.0f} MB"
    if ran.touched:
        yield f"touched {', '.join(ran.touched[:4])}"
    lines = ran.out.splitlines()
    if ran.status == ExitStatus.UNREADABLE:
        if lines or not ran.err.strip():
            yield "unreadable, but not said on standard error alone"
    elif ran.status in DOCUMENTED and (len(lines) != 1 or "schema" not in json.loads(lines[0])):
        yield f"{len(lines)} lines on standard output where one JSON object was to be"


def survey(folder: Path, *, mutants: int, seed: int, keep: Path | None = None) -> tuple[dict[str, Tally], list[Fault]]:
    """Run so many damaged files, and tell what became of those of each seed, and the faults."""
    os.environ["STROBE_CONFIG"] = os.devnull
    seeds = make_seeds(folder)
    _warm_up(seeds)
    short = [name for name in seeds if not name.startswith("long")]
    long = [name for name in seeds if name.startswith("long")]
    tallies: dict[str, Tally] = {name: Tally() for name in seeds}
    faults = []
    for number in range(mutants):
        chance = random.Random(f"{seed} {number}")
        name = chance.choice(long if chance.random() < LONG_SHARE else short)
        path = folder / f"mutant-{number}{Path(name).suffix}"
        path.write_bytes(mutated(seeds[name].read_bytes(), chance))
        argv = [*chance.choice(COMMANDS), str(path), "--json"]
        ran = run_limited(argv, path)
        tally = tallies[name]
        tally.statuses[ran.status] += 1
        tally.longest_s = max(tally.longest_s, ran.seconds)
        tally.most_bytes = max(tally.most_bytes, ran.peak_bytes)
        found = [Fault(name, number, f"{argv[0]}: {what}") for what in faults_of(ran)]
        if found and keep is not None:
            shutil.copy(path, keep / path.name)
        faults += found
        path.unlink()
    return tallies, faults


def _warm_up(seeds: dict[str, Path]) -> None:
    """Import all that a run imports, so that the children need not; without threads, which a fork leaves behind."""
    import cv2

    cv2.setNumThreads(0)
    for command in ("measure", "look"):
        for name in ("long.mp4", "vp8.webm"):
            run([command, str(seeds[name]), "--json"], out=io.StringIO(), err=io.StringIO())
    # PyAV 12 ends a decoder's threads only when its container is collected; a child that did so would wait for ever.
    gc.collect()


def traced(path: Path) -> list[str]:
    """What the program opens for writing, reads besides its own files, and its sockets, as `strace` sees it."""
    log = path.with_suffix(".strace")
    command = ["strace", "-f", "-qq", "-e", "trace=open,openat,creat,unlink,rename,socket,connect", "-o", str(log)]
    own = (sys.prefix, sys.base_prefix, "/usr", "/lib", "/etc", "/proc", "/sys", "/dev", os.getcwd())
    subprocess.run([*command, sys.executable, "-m", "strobe", "measure", str(path), "--json"], capture_output=True)
    seen = []
    for line in log.read_text(errors="replace").splitlines():
        if " = -1 " in line:
            continue
        named = re.search(r'"([^"]*)"', line)
        name = os.path.realpath(named[1]) if named else ""
        writes = re.search(r"O_WRONLY|O_RDWR|creat\(|unlink|rename|connect\(|socket\(", line)
        if writes or not (name.startswith(own) or name == os.path.realpath(path)):
            seen.append(line.split(maxsplit=1)[-1])
    log.unlink()
    return seen


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mutants", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--traced", type=int, default=20)
    asked = parser.parse_args()
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as passing:
        folder = Path(passing)
        tallies, faults = survey(folder, mutants=asked.mutants, seed=asked.seed, keep=asked.keep)
        print(f"{'seed':12s} mutants measured refused unreadable  other  longest s  most MB")
        for name, one in tallies.items():
            known = [one.statuses[status] for status in DOCUMENTED]
            numbers = f"{known[0]:8d} {known[1]:7d} {known[2]:10d} {one.statuses.total() - sum(known):6d}"
            print(f"{name:12s} {one.statuses.total():7d} {numbers} {one.longest_s:10.2f} {one.most_bytes / 1e6:8.0f}")
        for fault in faults:
            print(f"FAULT  {fault.seed} #{fault.number}: {fault.what}")
        seen = _trace_some(folder, asked.traced, asked.seed) if shutil.which("strace") else None
    traced_words = f"traced {asked.traced}: {len(seen or ())} reaches beyond the clip"
    print("not traced: strace is not installed" if seen is None else traced_words)
    for line in seen or ():
        print(f"FAULT  {line}")
    print(f"{asked.mutants} mutants, {len(faults)} faults")
    if faults or seen:
        raise SystemExit(1)


def _trace_some(folder: Path, count: int, seed: int) -> list[str]:
    seen = []
    for number in range(count):
        chance = random.Random(f"traced {seed} {number}")
        name = chance.choice(sorted(SEEDS))
        path = folder / f"traced-{number}{Path(name).suffix}"
        path.write_bytes(mutated((folder / name).read_bytes(), chance))
        seen += traced(path)
    return seen


if __name__ == "__main__":
    main()
