"""Small clips, written through PyAV into a temporary folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

WIDTH, HEIGHT = 102, 58
QUIET = {"libx265": {"x265-params": "log-level=none"}}


def brightness(index: int, bit_depth: int) -> int:
    """Mean luma of picture `index` of every clip made here: its number can be read off the picture."""
    return (40 + 5 * (index % 32)) << (bit_depth - 8)


def patterns(index: int, sizes: Sequence[tuple[int, int]], bit_depth: int) -> list[NDArray[Any]]:
    """Smooth, asymmetric planes of the given (height, width): a step up to the right, a slope downwards."""
    scale = 1 << (bit_depth - 8)
    made = []
    for place, (height, width) in enumerate(sizes):
        rows, columns = np.mgrid[0:height, 0:width]
        wave = 12 * (rows / height - 0.5) + 24 * (columns >= width // 2) - 12
        level = brightness(index, bit_depth) if place == 0 else (110 + 20 * place) * scale
        made.append(np.rint(level + scale * wave).astype(np.uint8 if bit_depth == 8 else np.uint16))
    return made


@pytest.fixture(autouse=True, scope="session")
def _linear_algebra_in_one_thread() -> Iterator[None]:
    """The tests run in as many processes as there are cores; threads beside them would only wait for each other."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


@pytest.fixture(autouse=True)
def _nothing_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """What somebody keeps here changes no test, and no test changes it: an empty configuration, no place for logs."""
    monkeypatch.setenv("STROBE_CONFIG", os.devnull)
    monkeypatch.setenv("XDG_DATA_HOME", os.devnull)


@pytest.fixture
def write_clip(tmp_path: Path) -> Callable[..., Path]:
    """Gives a function that writes a clip and returns its path."""
    import av

    def write(
        name: str,
        *,
        frames: int = 6,
        codec: str = "libx264",
        pixel_format: str = "yuv420p",
        size: tuple[int, int] = (WIDTH, HEIGHT),
        stamps: Sequence[int] | None = None,
        time_base: Fraction = Fraction(1, 30),
        options: Mapping[str, str] | None = None,
        container_options: Mapping[str, str] | None = None,
        metadata: Mapping[str, str] | None = None,
        change_packet: Callable[[int, Any], Any] | None = None,
    ) -> Path:
        path = tmp_path / name
        written = 0
        with av.open(str(path), "w", options=dict(container_options or {})) as container:
            container.metadata.update(metadata or {})
            stream: Any = container.add_stream(codec, rate=30)
            stream.width, stream.height = size
            stream.pix_fmt = pixel_format
            stream.time_base = stream.codec_context.time_base = time_base
            stream.options = dict(options or QUIET.get(codec, {}))

            def put(packets: Sequence[Any]) -> None:
                nonlocal written
                for packet in packets:
                    container.mux(packet if change_packet is None else change_packet(written, packet))
                    written += 1

            for index in range(frames):
                picture = av.VideoFrame(*size, pixel_format)
                fill(picture, index)
                picture.pts = index if stamps is None else stamps[index]
                picture.time_base = time_base
                put(stream.encode(picture))
            put(stream.encode())
        return path

    return write


def fill(picture: Any, index: int) -> None:
    """Put `patterns` into a picture; in packed formats every component gets the same value."""
    bit_depth = picture.format.components[0].bits
    sizes = [(plane.height, plane.width) for plane in picture.planes]
    for plane, values in zip(picture.planes, patterns(index, sizes, bit_depth), strict=True):
        per_line = plane.line_size // values.itemsize
        packed = max(1, per_line // plane.width) if len(picture.planes) < 3 else 1
        memory = np.zeros((plane.height, per_line), values.dtype)
        memory[:, : plane.width * packed] = np.repeat(values, packed, axis=1)
        plane.update(memory.tobytes())
