"""Rendered frames coded into a video file through PyAV, with the truth beside it."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from strobe.errors import UsageError
from strobe.files import whole_file
from strobe.render.exposure import RenderedFrame, frames
from strobe.render.scene import Coding, Scene
from strobe.render.truth import Truth, truth_of

if TYPE_CHECKING:
    import av

__all__ = ["code_frames", "render_clip", "truth_path"]

_ENCODERS = {"h264": "libx264", "hevc": "libx265", "mjpeg": "mjpeg"}
_TICK = Fraction(1, 90_000)
"""Time base of the file, seconds: the 90 kHz of MPEG, which many phones write (common practice)."""
_FINEST_RATE = 100_000
"""Largest denominator of a rate that is the file's only clock: at 1 picture a second or more it is off by less than
1e-10; a rate such as 30000/1001 is kept."""
_GROUP_OF_PICTURES = 30
"""Frames from one key frame to the next, one a second at 30 pictures a second, as phones have it (common practice)."""


def truth_path(clip: Path) -> Path:
    """Where the truth of a clip lies: ``<stem>.truth.json`` in the same folder."""
    return clip.with_name(f"{clip.stem}.truth.json")


def render_clip(scene: Scene, path: str | Path, *, rng: np.random.Generator) -> Truth:
    """Render a scene into a video file and write its truth beside it.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    path : str or Path
        The clip; its suffix chooses the container unless the scene's coding names one.
    rng : numpy.random.Generator
        As for `strobe.render.frames`.

    Returns
    -------
    Truth
        What was written to ``<stem>.truth.json``.

    Notes
    -----
    The stream's time base is 1/90000 s where the container allows it, in AVI one frame; the stamps are rounded as
    the camera says. As in a phone the coder works forward only, with a key frame every 30 frames.
    """
    clip, truth = Path(path), truth_of(scene)
    with whole_file(clip) as part, whole_file(truth_path(clip)) as told:
        code_frames(scene, frames(scene, rng=rng), part)
        told.write_text(json.dumps(truth.to_dict(), indent=1) + "\n", encoding="utf-8")
    return truth


def code_frames(scene: Scene, made: Iterable[RenderedFrame], clip: Path) -> None:
    """Code frames into a video file in the way that the scene's coding, timing and delivery say."""
    import av
    from av.video.stream import VideoStream

    camera, coding, timing = scene.camera, scene.coding, scene.timing
    slow = timing.playback_rate_hz is not None and timing.capture_tag
    options = {"movflags": "use_metadata_tags"} if slow else {}
    with av.open(str(clip), "w", format=coding.container, options=options) as output:
        if slow:
            output.metadata["com.android.capture.fps"] = f"{camera.frame_rate_hz:.6f}"
        # AVI has no stamps, only places at the steady rate.
        bare = output.format.name == "avi"
        rate = Fraction(timing.playback_rate_hz or camera.frame_rate_hz).limit_denominator(
            _FINEST_RATE if bare else 1001
        )
        stream = output.add_stream(_ENCODERS[coding.codec], rate=rate, options=_coder_options(coding))
        if not isinstance(stream, VideoStream):
            raise TypeError(f"{coding.codec} gave {stream!r}, not a video stream")
        stream.width, stream.height = camera.width, camera.height
        stream.pix_fmt = _stored_format(scene)
        stream.bit_rate = coding.bit_rate
        tick = 1 / rate if bare else _TICK
        stream.time_base = stream.codec_context.time_base = tick
        stream.codec_context.thread_count = 2
        backward = any(late_s < 0 for _, late_s in timing.stamp_jumps)
        stamps: list[int] = []
        muxed = 0

        def put(packets: list[av.Packet]) -> None:
            """Write packets; where the stamps run backwards each gets its stamp only now, with an order of its own."""
            nonlocal muxed
            for packet in packets:
                if backward:
                    packet.pts, packet.dts = stamps[muxed], muxed
                output.mux(packet)
                muxed += 1

        for number, frame in enumerate(made):
            picture = _video_frame(frame, stream.pix_fmt)
            stamps.append(round(frame.stamp_s / float(tick)))
            picture.pts = round(number / rate / tick) if backward else stamps[-1]
            picture.time_base = tick
            put(stream.encode(picture))
        put(stream.encode())
    if scene.delivery.rotation_deg:
        _ask_for_turn(clip, scene.delivery.rotation_deg)


def _stored_format(scene: Scene) -> str:
    if scene.coding.codec == "mjpeg":
        return "yuvj420p"
    return "yuv420p" if scene.delivery.bit_depth == 8 else "yuv420p10le"


def _video_frame(frame: RenderedFrame, pixel_format: str) -> av.VideoFrame:
    import av

    height, width = frame.luma.shape
    if frame.luma.dtype == np.uint16:
        picture = av.VideoFrame(width, height, pixel_format)
        for plane, values in zip(picture.planes, (frame.luma, frame.blue, frame.red), strict=True):
            lines = np.zeros((plane.height, plane.line_size // 2), np.uint16)
            lines[:, : plane.width] = values
            plane.update(lines.tobytes())
        return picture
    stacked = np.concatenate([frame.luma.ravel(), frame.blue.ravel(), frame.red.ravel()])
    picture = av.VideoFrame.from_ndarray(stacked.reshape(height * 3 // 2, width), format="yuv420p")
    return picture if pixel_format == "yuv420p" else picture.reformat(format=pixel_format)


def _ask_for_turn(clip: Path, rotation_deg: int) -> None:
    """Write a display matrix into the track header of an MP4 or MOV file.

    Notes
    -----
    The matrix a, b, u, c, d, v, x, y, w follows 40 bytes of times, numbers and volume in the first version of
    the box (ISO/IEC 14496-12, track header box; value from memory).
    """
    data = bytearray(clip.read_bytes())
    box = data.find(b"tkhd")
    if box < 0:
        raise UsageError(f"{clip.suffix}: only .mp4 and .mov files can ask for a turn of the picture; name such a file")
    sine, cosine = {90: (1, 0), 180: (0, -1), 270: (-1, 0)}[rotation_deg]
    at = box + 4 + 40
    turn = [cosine << 16, sine << 16, 0, -sine << 16, cosine << 16, 0, 0, 0, 1 << 30]
    data[at : at + 36] = struct.pack(">9i", *turn)
    clip.write_bytes(data)


def _coder_options(coding: Coding) -> dict[str, str]:
    if coding.codec == "h264":
        return {"preset": coding.preset, "bf": "0", "g": str(_GROUP_OF_PICTURES)}
    if coding.codec == "hevc":
        keys = f"bframes=0:keyint={_GROUP_OF_PICTURES}:log-level=error:pools=2"
        return {"preset": coding.preset, "x265-params": keys}
    return {}
