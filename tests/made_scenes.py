"""Pictures that no platter makes, drawn with numpy alone, and the writing of any pictures into a video file.

A scene is a generator of luma planes (height, width) of uint8 in video range, one a frame. All randomness comes from
the generator handed in.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "HEIGHT",
    "PLAIN_FACTS",
    "WIDTH",
    "Plane",
    "fence",
    "flicker",
    "keyboard",
    "lettering",
    "panned",
    "room",
    "shown",
    "spokes",
    "still",
    "stripes",
    "texture",
    "write_planes",
]

WIDTH, HEIGHT = 640, 360
TICKS, MANY = 90_000, 1_000

Plane = NDArray[Any]

PLAIN_FACTS: dict[str, Any] = {
    "width": WIDTH,
    "height": HEIGHT,
    "bit_depth": 8,
    "rotation_deg": 0,
    "mirrored": False,
    "flipped": False,
    "sweep": "down",
    "declared_rate_hz": 30.0,
    "duration_s": None,
    "stamps": "container",
    "stamp_s": 1 / TICKS,
    "capture_rate_hz": None,
    "decoder": "none",
}
"""What an ordinary source says of itself, but for its name."""


def write_planes(
    path: Path,
    planes: Iterable[Plane],
    *,
    rate_hz: float = 30.0,
    stamps_s: Callable[[int], float] | None = None,
) -> None:
    """Code planes into a video file, at an even rate or with the stamps given for each frame.

    The file appears under its name only when it is whole.
    """
    import av

    part = path.with_name(f"part-{path.name}")
    rate = Fraction(rate_hz).limit_denominator(1001)
    with av.open(str(part), "w") as output:
        stream: Any = output.add_stream("libx264", rate=rate, options={"preset": "ultrafast", "bf": "0", "g": "30"})
        stream.pix_fmt, stream.bit_rate = "yuv420p", 3_000_000
        stream.time_base = stream.codec_context.time_base = Fraction(1, TICKS)
        stream.codec_context.thread_count = 1
        written = 0

        def put(packets: Sequence[Any]) -> None:
            nonlocal written
            for packet in packets:
                if stamps_s is not None:
                    # In an order of its own, so that stamps may repeat and run backwards.
                    packet.pts, packet.dts = round(stamps_s(written) * TICKS), written - MANY
                output.mux(packet)
                written += 1

        for number, plane in enumerate(planes):
            if number == 0:
                stream.height, stream.width = plane.shape
            grey = np.full((plane.shape[0] // 2, plane.shape[1]), 128, np.uint8)
            picture = av.VideoFrame.from_ndarray(np.concatenate([plane, grey]), format="yuv420p")
            picture.pts, picture.time_base = round(number * TICKS / rate), Fraction(1, TICKS)
            put(stream.encode(picture))
        put(stream.encode())
    os.replace(part, path)


def shown(rng: np.random.Generator, levels: Plane, *, noise: float = 1.5) -> Plane:
    """Levels (16 to 235) as a camera delivers them, with noise."""
    return np.clip(levels + noise * rng.standard_normal(levels.shape), 16, 235).astype(np.uint8)


def room(rng: np.random.Generator) -> Plane:
    """Scenery with edges and grain, in levels."""
    levels = np.full((HEIGHT, WIDTH), 90.0)
    for _ in range(30):
        x, y = rng.integers(0, WIDTH), rng.integers(0, HEIGHT)
        w, h = rng.integers(20, 160), rng.integers(15, 90)
        levels[y : y + h, x : x + w] = rng.uniform(35, 180)
    return levels + texture(rng, (HEIGHT, WIDTH), 3.0) * 6


def texture(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Plane:
    """Smooth noise without any period; zero mean, unit deviation."""
    from scipy.ndimage import gaussian_filter

    made = gaussian_filter(rng.standard_normal(shape), grain_px, mode="wrap")
    return made / made.std()


def still(rng: np.random.Generator, levels: Plane, frames: int, *, noise: float = 1.5) -> Iterator[Plane]:
    """The same picture again and again, with fresh noise."""
    for _ in range(frames):
        yield shown(rng, levels, noise=noise)


def panned(
    rng: np.random.Generator,
    wide: Plane,
    shift_px: Callable[[int], float],
    frames: int,
    *,
    before: Plane | None = None,
    window: tuple[int, int] = (0, HEIGHT),
) -> Iterator[Plane]:
    """A picture wider than the frame that moves by ``shift_px(frame)`` to the left, within rows of `window`; what
    stands still `before` it fills the rest."""
    top, bottom = window
    for number in range(frames):
        shift = shift_px(number)
        whole, part = int(np.floor(shift)), shift - np.floor(shift)
        columns = (np.arange(WIDTH) + whole) % wide.shape[1]
        seen = (1 - part) * wide[:, columns] + part * wide[:, (columns + 1) % wide.shape[1]]
        if before is not None:
            levels = before.copy()
            levels[top:bottom] = seen[top:bottom]
            seen = levels
        yield shown(rng, seen)


def stripes(pitch_px: float, *, low: float = 50, high: float = 180, width: int = 4 * WIDTH) -> Plane:
    """Even upright stripes over the whole height."""
    wave = np.sin(2 * np.pi * np.arange(width) / pitch_px)
    return np.tile((low + high) / 2 + (high - low) / 2 * np.tanh(3 * wave), (HEIGHT, 1))


def fence(rng: np.random.Generator, pitch_px: float, *, uneven: float = 0.04) -> Plane:
    """Slats nearly as even as slats are, each of its own width, place and brightness."""
    levels = np.full((HEIGHT, 4 * WIDTH), 60.0)
    place = 0.0
    while place < levels.shape[1]:
        width = pitch_px * (0.5 + uneven * rng.standard_normal())
        at = place + pitch_px * uneven * rng.standard_normal()
        levels[:, max(0, round(at)) : max(0, round(at + width))] = 150 + 12 * rng.standard_normal()
        place += pitch_px
    return levels


def keyboard(rng: np.random.Generator) -> Plane:
    """Rows of keys, each row set off from the last, with a mark on each key."""
    levels = np.full((HEIGHT, 2 * WIDTH), 40.0)
    for row in range(6):
        offset = row * 11
        for key in range(-1, 2 * WIDTH // 42 + 1):
            x, y = key * 42 + offset, 20 + row * 56
            levels[y : y + 46, max(0, x) : max(0, x + 34)] = 170
            mark_x, mark_y = x + rng.integers(6, 20), y + rng.integers(8, 26)
            levels[mark_y : mark_y + 10, max(0, mark_x) : max(0, mark_x + 7)] = 60
    return levels


def lettering(rng: np.random.Generator) -> Plane:
    """Lines of print: words of letters of much the same width."""
    levels = np.full((HEIGHT, 4 * WIDTH), 200.0)
    for top in range(12, HEIGHT - 16, 26):
        x = 5
        while x < levels.shape[1] - 96:
            for _ in range(int(rng.integers(2, 10))):
                glyph = rng.random((4, 3)) < 0.6
                levels[top : top + 12, x : x + 6] = np.where(np.kron(glyph, np.ones((3, 2))), 40, 200)
                x += 8
            x += 8
    return levels


def flicker(rng: np.random.Generator, levels: Plane, frames: int, *, rate_hz: float, depth: float) -> Iterator[Plane]:
    """A picture under a lamp that flickers, seen through a rolling shutter of 18 ms at 30 frames a second."""
    rows_s = 0.018 * np.arange(HEIGHT) / HEIGHT
    for number in range(frames):
        light = 1 + depth * np.cos(2 * np.pi * rate_hz * (number / 30 + rows_s))
        yield shown(rng, levels * light[:, None])


def spokes(rng: np.random.Generator, count: int, turns_per_s: float, frames: int, scenery: Plane) -> Iterator[Plane]:
    """A spoked wheel seen from the front, turning before still scenery."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    dx, dy = x - WIDTH / 2, y - HEIGHT / 2
    radius, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    wheel = (radius < 150) & (radius > 25)
    for number in range(frames):
        turned = angle + 2 * np.pi * turns_per_s * number / 30
        levels = np.where(wheel, 90 + 80 * np.tanh(4 * np.cos(count * turned)), scenery)
        yield shown(rng, levels)
