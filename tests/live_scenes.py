"""Clips for the live readout, small and composed: a hand on the pitch control, and what befalls a camera."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.capture import ClipFacts, ClipTally, Frame, open_clip
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

Floats = NDArray[np.float64]
SMALL = Camera(width=640, height=360)
LONG_SHUTTER = Camera(width=640, height=360, exposure_s=0.012)
"""Every frame meets a flash, as in the next."""
SMALLEST = replace(LONG_SHUTTER, width=480, height=270)
LIGHT_CODING = Coding(bit_rate=2_500_000, preset="ultrafast")
WOBBLES = (Wobble(0.1, per_revolution=1.0, phase_rad=0.4), Wobble(0.03, frequency_hz=5.3))


@dataclass(frozen=True)
class TurnedScene(Scene):
    """A scene whose speed is changed by hand: `knots` are times (s) and deviations (percent) to be added."""

    knots: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def deviation_percent(self, time_s: ArrayLike) -> Floats:
        return super().deviation_percent(time_s) + self.by_hand(time_s)

    def by_hand(self, time_s: ArrayLike) -> Floats:
        """What the hand added."""
        at, value = np.array(self.knots).T
        return np.interp(np.asarray(time_s, float), at, value)

    def angle_rev(self, time_s: ArrayLike) -> Floats:
        at, turned = self._turned
        return super().angle_rev(time_s) + np.interp(np.asarray(time_s, float), at, turned)

    @cached_property
    def _turned(self) -> tuple[Floats, Floats]:
        at = np.arange(0.0, self.span_s + 1.0, 5e-4)
        mean = self.by_hand((at[1:] + at[:-1]) / 2)
        steps = self.speed.nominal_rpm / 60 * mean / 100 * np.diff(at)
        return at, np.concatenate([[0.0], np.cumsum(steps)])


def turned_scene(
    *knots: tuple[float, float],
    seconds: float,
    rpm: float = 100 / 3,
    dots: int = 180,
    wobbles: tuple[Wobble, ...] = WOBBLES,
    camera: Camera = SMALL,
    lamp: Lamp | None = None,
) -> TurnedScene:
    """One row of dots under a mains lamp, and a hand on the control."""
    return TurnedScene(
        rows=(DotRow(dots, z_mm=-9.0, height_mm=5.0),),
        speed=Speed(rpm, 0.0, wobbles),
        lamp=Lamp() if lamp is None else lamp,
        camera=camera,
        coding=LIGHT_CODING,
        seconds=seconds,
        knots=knots,
    )


def rendered(scene: Scene, path: Path, seed: int = 5) -> Path:
    """The clip of a scene."""
    render_clip(scene, path, rng=np.random.default_rng(seed))
    return path


class Meddled:
    """A clip whose frames are changed, moved in time or left out on the way; keeps to `FrameSource`.

    `change` gets a frame and gives it back as it is to be, or None to leave it out.
    """

    def __init__(self, path: Path, change: Callable[[Frame], Frame | None]) -> None:
        self._clip = open_clip(path)
        self._change = change
        self.facts: ClipFacts = self._clip.facts

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        for frame in self._clip:
            changed = self._change(frame)
            if changed is not None:
                return changed
        raise StopIteration

    def close(self) -> None:
        self._clip.close()

    def tally(self) -> ClipTally:
        return self._clip.tally()


def darkened(frame: Frame, share: float = 0.06) -> Frame:
    """The lights are off."""
    return replace(frame, luma=(frame.luma * share).astype(np.uint8))


def covered(frame: Frame) -> Frame:
    """A hand before the lens: even but for its shading."""
    height, width = frame.luma.shape
    hand = 90 + 25 * np.sin(np.arange(width) / width * 3)[None, :] + 20 * np.cos(np.arange(height) / height)[:, None]
    return replace(frame, luma=hand.astype(np.uint8))


def shifted(frame: Frame, right: int, down: int) -> Frame:
    """The camera was moved; what comes in at the edges repeats."""

    def rolled(plane: NDArray[Any] | None, share: int) -> Any:
        return None if plane is None else np.roll(plane, (down // share, right // share), axis=(0, 1))

    return replace(frame, luma=rolled(frame.luma, 1), cb=rolled(frame.cb, 2), cr=rolled(frame.cr, 2))


def carried(frame: Frame, right_px: float) -> Frame:
    """The camera has turned by a little, in parts of a pixel."""
    height, width = frame.luma.shape
    way = np.array([[1.0, 0.0, right_px], [0.0, 1.0, 0.0]])
    luma = np.ascontiguousarray(frame.luma)
    moved = cv2.warpAffine(luma, way, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return replace(frame, luma=np.asarray(moved, np.uint8))
