"""Cameras, streams and clips as sources for the live readout."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

from strobe.capture import CameraFacts, FrameSource, open_camera, open_clip
from strobe.errors import ClipUnreadable, UsageError

__all__ = ["answers_of", "is_clip", "list_cameras", "open_source"]

_CAMERA = re.compile(r"\d+|/dev/video\d+|(https?|rtsps?)://.*", re.IGNORECASE)
_STREAM = re.compile(r"(https?|rtsps?)://", re.IGNORECASE)
_RATE_HZ, _SIZE = 60.0, (1280, 720)
"""What a camera is asked for where nothing else is told; our own choice."""
_SHORT = {"linux": 20.0, "win32": -9.0}
"""1/500 s in the unit of the usual drivers: tenths of a millisecond, or a power of two (values from memory)."""
_MOST_CAMERAS = 6
"""Numbers tried where the system has no list of its cameras."""


def is_clip(source: str) -> bool:
    """Whether `source` is a file, and not a camera or stream."""
    return _CAMERA.fullmatch(source) is None


def open_source(
    source: str,
    *,
    mirrored: bool = False,
    rate_hz: float | None = None,
    size: tuple[int, int] | None = None,
    exposure: float | None = None,
    as_it_is: bool = False,
    give_up_s: float = 20.0,
    on_event: Callable[[str], None] | None = None,
) -> FrameSource:
    """Open a camera by number or device, a stream by address, or a clip by path.

    A camera is asked for a short shutter and many pictures a second, as far as nothing else is given; with `as_it_is`
    for nothing. `on_event` is told in words when it is lost or found again.

    Raises
    ------
    ClipUnreadable, UsageError, MissingLibrary
        As of `open_clip` and `open_camera`.
    """
    if is_clip(source):
        if rate_hz is not None or size is not None or exposure is not None:
            raise UsageError(f"{source} is a clip; only a camera can be asked for a rate, a size or an exposure.")
        return open_clip(Path(source), flipped=mirrored)
    if not (as_it_is or _STREAM.match(source)):
        rate_hz, size = rate_hz or _RATE_HZ, size or _SIZE
        exposure = _SHORT.get(sys.platform) if exposure is None else exposure
    return open_camera(
        source,
        rate_hz=rate_hz,
        size=size,
        exposure=exposure,
        flipped=mirrored,
        give_up_s=give_up_s,
        on_event=None if on_event is None else lambda event: on_event(event.message),
    )


def answers_of(source: FrameSource) -> tuple[str, ...]:
    """What the camera was asked for, and what it says that it does, one line each; nothing for a clip or stream."""
    if not isinstance(source.facts, CameraFacts):
        return ()
    return tuple(
        f"{one.name}: asked for {one.wanted:g}, the camera "
        + ("does not say what it does" if one.got is None else f"says {one.got:g}")
        for one in source.facts.settings
    )


def list_cameras() -> tuple[str, ...]:
    """Names of the cameras of this machine that give a picture."""
    devices = sorted(Path("/dev").glob("video*")) if sys.platform == "linux" else []
    names = [str(one) for one in devices if _CAMERA.fullmatch(str(one))]
    if sys.platform != "linux":
        names = [str(number) for number in range(_MOST_CAMERAS)]
    found = []
    for name in names:
        try:
            open_camera(name, give_up_s=0.0).close()
        except ClipUnreadable:
            continue
        found.append(name)
    return tuple(found)
