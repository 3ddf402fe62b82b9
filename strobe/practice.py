"""Practice clips: what `strobe render` is asked for, turned into a scene of the renderer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

from strobe.errors import UsageError
from strobe.figures.rings import bars_for, parse_rpm
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble
from strobe.typed import number

__all__ = ["RenderRequest", "codec_for", "scene_of"]

LampKind = Literal["pulse", "half-sine", "sine", "steady"]
Codec = Literal["h264", "mjpeg"]

MOST_FRAMES_HZ = 2000.0
"""Pictures a second of a practice clip: twice as many as the fastest slow motion of phones (common practice)."""
LAMPS = ("pulse", "half-sine", "sine", "steady")
FLASHES_EXPOSURE_MS, SHORT_EXPOSURE_MS = 21.0, 2.0
"""More than two flash periods of any mains, as cameras choose it in a dim room; short enough to stop the dots."""
_ASKED = {
    "dots": ("--dots", "dots", ""),
    "width": ("--size", "size", ""),
    "height": ("--size", "size", ""),
    "flash_rate_hz": ("--mains", "mains_hz", " Hz"),
    "deviation_percent": ("--deviation", "deviation_percent", " %"),
    "exposure_s": ("--exposure", "exposure_ms", " ms"),
    "seconds": ("--seconds", "seconds", " s"),
}
"""For fields of a scene: the option that each is made from, the field of the request, and its unit."""
# What a rendered file is coded as, by its suffix.
CODECS: dict[str, Codec] = {".mp4": "h264", ".mov": "h264", ".mkv": "h264", ".avi": "mjpeg"}


@dataclass(frozen=True)
class RenderRequest:
    """What `strobe render` was asked for.

    Without an `exposure_ms` it is one that suits the lamp: 21 ms for flashes and 2 ms for any other light, but no
    longer than a frame. Above 100 pictures a second not every frame meets a flash of 50 Hz mains, above 120 of 60 Hz.
    """

    rpm: str = "33"
    dots: int | None = None
    mains_hz: float = 50.0
    lamp: str = "pulse"
    deviation_percent: float = 0.3
    wobbles: tuple[str, ...] = ("1:0.2",)
    frame_rate_hz: float = 30.0
    exposure_ms: float | None = None
    seconds: float = 10.0
    size: str = "1280x720"
    codec: Codec = "h264"


def scene_of(request: RenderRequest) -> Scene:
    """The scene that a request describes.

    Raises
    ------
    UsageError
        If a value makes no sense.
    """
    if request.lamp not in LAMPS:
        raise UsageError(f"--lamp: {request.lamp!r} is none of {', '.join(LAMPS)}")
    width, _, height = request.size.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal()):
        raise UsageError(f"--size: {request.size!r} is not a size such as 1280x720")
    if not 1 <= request.frame_rate_hz <= MOST_FRAMES_HZ:
        raise UsageError(f"--fps: {request.frame_rate_hz:g} is not between 1 and {MOST_FRAMES_HZ:g} pictures a second")
    nominal_rpm = parse_rpm(request.rpm)
    dots = request.dots
    if dots is None:
        dots = bars_for(60.0 if request.mains_hz > 55 else 50.0, nominal_rpm)
    wobbles = tuple(map(_parse_wobble, request.wobbles))
    try:
        return Scene(
            rows=(DotRow(dots),),
            speed=Speed(nominal_rpm, request.deviation_percent, wobbles),
            lamp=Lamp(cast(LampKind, request.lamp), 2 * request.mains_hz),
            camera=Camera(
                width=int(width),
                height=int(height),
                frame_rate_hz=request.frame_rate_hz,
                exposure_s=_exposure_s(request),
            ),
            coding=Coding(request.codec),
            seconds=request.seconds,
        )
    except UsageError as error:
        raise UsageError(_as_asked(str(error), request)) from error


def _as_asked(said: str, request: RenderRequest) -> str:
    """What the scene said of one of its fields, said of the option that it came from."""
    field, _, rest = said.partition(" = ")
    if field not in _ASKED:
        return said
    option, name, unit = _ASKED[field]
    value = getattr(request, name)
    return f"{option}: {value if isinstance(value, str) else format(value, 'g')}{unit}: {rest.partition(': ')[2]}"


def _exposure_s(request: RenderRequest) -> float:
    if request.exposure_ms is not None:
        longest_ms = 1000 / request.frame_rate_hz
        if request.exposure_ms > longest_ms:
            raise UsageError(
                f"--exposure: {request.exposure_ms:g} ms is longer than a frame, {longest_ms:.4g} ms at "
                f"{request.frame_rate_hz:g} pictures a second"
            )
        return request.exposure_ms / 1000
    usual_ms = FLASHES_EXPOSURE_MS if request.lamp == "pulse" else SHORT_EXPOSURE_MS
    return min(usual_ms / 1000, 1 / request.frame_rate_hz)


def _parse_wobble(text: str) -> Wobble:
    rate, _, percent = text.partition(":")
    in_hz = rate.lower().endswith("hz")
    try:
        value, peak_percent = number(rate[:-2] if in_hz else rate), number(percent)
    except UsageError:
        raise UsageError(f"--wobble: {text!r} is neither like 1:0.2 (a turn) nor like 4.2Hz:0.1") from None
    try:
        return Wobble(peak_percent, **{"frequency_hz" if in_hz else "per_revolution": value})
    except UsageError:
        raise UsageError(f"--wobble: {text!r}: rate and percent must be above zero and finite") from None


def codec_for(out: Path) -> Codec:
    """How a clip of that name is coded.

    Raises
    ------
    UsageError
        If the suffix is none that can be written.
    """
    if out.suffix.lower() not in CODECS:
        raise UsageError(f"{out} ends in {out.suffix or 'nothing'!r}; end it in one of {' '.join(CODECS)}")
    return CODECS[out.suffix.lower()]
