"""Rendered frames coded into a video file through PyAV, with the truth beside it."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from strobe.render.exposure import RenderedFrame, frames
from strobe.render.scene import Coding, Scene
from strobe.render.truth import Truth, truth_of

if TYPE_CHECKING:
    import av

__all__ = ["render_clip", "truth_path"]

_ENCODERS = {"h264": "libx264", "hevc": "libx265", "mjpeg": "mjpeg"}
_TICK = Fraction(1, 90_000)
_GROUP_OF_PICTURES = 30


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
    The stream's time base is 1/90000 s where the container allows it; the stamps are rounded as the camera
    says. As in a phone the coder works forward only, with a key frame every 30 frames.
    """
    import av
    from av.video.stream import VideoStream

    clip = Path(path)
    camera, coding = scene.camera, scene.coding
    with av.open(str(clip), "w", format=coding.container) as output:
        rate = Fraction(camera.frame_rate_hz).limit_denominator(1001)
        stream = output.add_stream(_ENCODERS[coding.codec], rate=rate, options=_coder_options(coding))
        if not isinstance(stream, VideoStream):
            raise TypeError(f"{coding.codec} gave {stream!r}, not a video stream")
        stream.width, stream.height = camera.width, camera.height
        stream.pix_fmt = "yuvj420p" if coding.codec == "mjpeg" else "yuv420p"
        stream.bit_rate = coding.bit_rate
        stream.time_base = stream.codec_context.time_base = _TICK
        stream.codec_context.thread_count = 2
        for frame in frames(scene, rng=rng):
            picture = _video_frame(frame)
            if coding.codec == "mjpeg":
                picture = picture.reformat(format="yuvj420p")
            picture.pts = round(frame.stamp_s / float(_TICK))
            picture.time_base = _TICK
            for packet in stream.encode(picture):
                output.mux(packet)
        for packet in stream.encode():
            output.mux(packet)
    truth = truth_of(scene)
    truth_path(clip).write_text(json.dumps(truth.to_dict(), indent=1) + "\n", encoding="utf-8")
    return truth


def _video_frame(frame: RenderedFrame) -> av.VideoFrame:
    import av

    height, width = frame.luma.shape
    stacked = np.concatenate([frame.luma.ravel(), frame.blue.ravel(), frame.red.ravel()])
    return av.VideoFrame.from_ndarray(stacked.reshape(height * 3 // 2, width), format="yuv420p")


def _coder_options(coding: Coding) -> dict[str, str]:
    if coding.codec == "h264":
        return {"preset": coding.preset, "bf": "0", "g": str(_GROUP_OF_PICTURES)}
    if coding.codec == "hevc":
        keys = f"bframes=0:keyint={_GROUP_OF_PICTURES}:log-level=error:pools=2"
        return {"preset": coding.preset, "x265-params": keys}
    return {}
