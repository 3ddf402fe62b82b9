"""A clip on disk: its frames as they were coded, each with its own time, and what the container says.

Times are ``pts * time_base``, exact until the one conversion to float seconds. Planes are views of the
decoder's own buffers, in the orientation the clip is meant to be shown in; nothing is converted or copied
where the clip is planar YUV or grey. Only local media files are opened: neither a playlist nor a script
dressed as a clip can reach the network or another file.
"""

from __future__ import annotations

import math
import os
import stat
from array import array
from collections.abc import Generator, Iterator, Mapping
from fractions import Fraction
from heapq import heappop, heappush
from types import TracebackType
from typing import Any, Self

import numpy as np

from strobe.capture.planes import LAYOUTS, Display, planes_of
from strobe.capture.records import ClipFacts, ClipTally, Frame
from strobe.errors import ClipUnreadable, MissingLibrary, UsageError, did_you_mean
from strobe.files import CLIP_SUFFIXES, nearest_file

__all__ = ["MAX_PIXELS", "Clip", "open_clip"]

MAX_PIXELS = 36_000_000
"""Largest picture that is decoded; a little more than 8K."""

_DEMUXERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg"
_OPTIONS = {
    "protocol_whitelist": "file",
    "format_whitelist": _DEMUXERS,
    "enable_drefs": "0",
    "max_pixels": str(MAX_PIXELS),
}
_PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".heif", ".gif", ".webp", ".tif", ".tiff", ".bmp", ".dng")
_CAPTURE_RATE_KEY = "com.android.capture.fps"
_FULL_RATE_KEY = "com.apple.quicktime.full-frame-rate-playback-intent"
_CODEC_OF_DECODER = {"libdav1d": "av1", "libaom-av1": "av1", "libvpx": "vp8", "libvpx-vp9": "vp9"}
# Transfer characteristics, ITU-T H.273 table 3 (values from memory): 16 is PQ (SMPTE ST 2084), 18 HLG (ARIB
# STD-B67), 2 unspecified, 0 and 3 reserved.
_TRANSFERS = {0: "unknown", 2: "unknown", 3: "unknown", 16: "pq", 18: "hlg"}
_FULL_RANGE = 2
"""The decoder's number for luma that uses all values from zero up (libavutil; from memory)."""


class Clip:
    """An open clip: a context manager and an iterator of `Frame`, once through.

    Make one with `open_clip`. Memory does not grow with the clip's length but for eight bytes a frame. It keeps to
    `strobe.capture.FrameSource`.
    """

    facts: ClipFacts

    def __init__(self, path: str, container: Any, stream: Any, libraries: Any, *, flipped: bool) -> None:
        self._container = container
        self._stream = stream
        self._library = libraries
        self._path = path
        self._closed = False
        self._corrupt = 0
        self._unstamped = 0
        self._stamps = array("q")
        self._keys = array("q")
        self._time_base: Fraction = stream.time_base
        # AVI stores no presentation stamps, only an order: where pictures are reordered, those that libav makes up
        # are wrong, and the n-th picture shown belongs to the n-th place.
        reordered_avi = container.format.name == "avi" and stream.codec_context.has_b_frames
        self._places: list[int] | None = [] if reordered_avi else None
        self._pictures = self._decoded()
        self._pending = self._first_picture()
        self._format: str = self._pending.format.name
        self._size = (self._pending.width, self._pending.height)
        self._display = Display.of(self._pending, flipped=flipped)
        self.facts = self._gather_facts()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        """The next frame.

        Raises
        ------
        ClipUnreadable
            The picture changes its size or pixel format on the way.
        UsageError
            The clip has been closed.
        """
        if self._closed:
            raise UsageError(f"{self._path} has been closed; open the clip again to read its frames.")
        while True:
            picture, self._pending = self._pending, None
            if picture is None:
                picture = next(self._pictures)
            self._check_same(picture)
            stamp = picture.pts if self._places is None else self._next_place(picture)
            if stamp is None:
                self._unstamped += 1
                continue
            planes = planes_of(picture, self._display)
            self._stamps.append(stamp)
            if picture.key_frame:
                self._keys.append(stamp)
            return Frame(len(self._stamps) - 1, self._seconds(stamp - self._stamps[0]), *planes)

    def close(self) -> None:
        """Release the file; frames already given stay valid. Closing twice does no harm."""
        if not self._closed:
            self._closed = True
            self._pending = None
            self._pictures.close()
            self._container.close()

    def tally(self) -> ClipTally:
        """Counts over the frames read so far."""
        stamps, keys = (np.array(one, np.int64) for one in (self._stamps, self._keys))
        seconds, key_s = (
            (one - stamps[:1]) * float(self._time_base.numerator) / self._time_base.denominator
            for one in (stamps, keys)
        )
        return ClipTally.of(seconds, corrupt=self._corrupt, unstamped=self._unstamped, key_s=key_s)

    def _seconds(self, units: int) -> float:
        return units * self._time_base.numerator / self._time_base.denominator

    def _decoded(self) -> Generator[Any, None, None]:
        """Pictures that decoded without fault, in order of presentation; the faulty ones are counted."""
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets, None)
            except self._library.error.FFmpegError:
                self._corrupt += 1
                return
            if packet is None:
                return
            if self._places is not None and packet.pts is not None:
                heappush(self._places, packet.pts)
            try:
                pictures = packet.decode()
            except self._library.error.FFmpegError:
                self._corrupt += 1
                continue
            for picture in pictures:
                if picture.is_corrupt:
                    self._corrupt += 1
                else:
                    yield picture

    def _next_place(self, picture: Any) -> int | None:
        """The earliest place not yet taken; those before a key frame that nobody took belong to lost pictures."""
        assert self._places is not None
        while picture.key_frame and self._places and self._places[0] < picture.pts:
            heappop(self._places)
        return heappop(self._places) if self._places else None

    def _first_picture(self) -> Any:
        picture = next(self._pictures, None)
        if picture is None:
            if self._corrupt:
                raise ClipUnreadable(
                    f"{self._path}: none of its frames could be decoded ({self._corrupt} failed), so the "
                    "file is damaged or incomplete. Copy it from the camera again, or film again."
                )
            raise ClipUnreadable(
                f"{self._path} holds a video track without a single frame: the recording was cut off at its "
                "start, or its pictures are kept in another file. Export it as one file, or film again."
            )
        return picture

    def _check_same(self, picture: Any) -> None:
        if (picture.width, picture.height) == self._size and picture.format.name == self._format:
            return
        at_s = self._seconds(self._stamps[-1] - self._stamps[0]) if self._stamps else 0.0
        raise ClipUnreadable(
            f"{self._path} changes its picture from {self._size[0]} x {self._size[1]} {self._format} to "
            f"{picture.width} x {picture.height} {picture.format.name} after {at_s:.2f} s, as clips joined "
            "together do. Give the single clips instead."
        )

    def _gather_facts(self) -> ClipFacts:
        picture, container, stream, library = self._pending, self._container, self._stream, self._library
        context = stream.codec_context
        layout = LAYOUTS.get(self._format)
        width, height = self._display.size(*self._size)
        duration_s = None
        if stream.duration:
            duration_s = self._seconds(stream.duration)
        elif container.duration:
            duration_s = container.duration / library.time_base
        tags = tuple(
            (_clean(key), _clean(text)) for source in (container, stream) for key, text in source.metadata.items()
        )
        version = ".".join(str(part) for part in library.library_versions["libavcodec"])
        decoder_name = context.codec.name
        stored_size = (picture.width, picture.height)
        return ClipFacts(
            name=self._path,
            container=container.format.name,
            codec=_CODEC_OF_DECODER.get(decoder_name, decoder_name),
            pixel_format=self._format,
            read_as=self._format if layout else "yuv444p",
            width=width,
            height=height,
            bit_depth=layout.bit_depth if layout else 8,
            rotation_deg=self._display.rotation_deg,
            mirrored=self._display.mirrored,
            flipped=self._display.flipped,
            sweep=self._display.sweep(*stored_size),
            declared_rate_hz=float(stream.average_rate) if stream.average_rate else None,
            declared_frames=stream.frames or None,
            stamps="counted" if container.format.name == "avi" else "container",
            stamp_s=float(self._time_base),
            duration_s=duration_s,
            transfer=_TRANSFERS.get(int(context.color_trc), "sdr"),
            capture_rate_hz=_positive_number(container.metadata.get(_CAPTURE_RATE_KEY)),
            slow_motion=_slow_motion(container.metadata),
            full_range=self._format.startswith("yuvj") or int(picture.color_range) == _FULL_RANGE,
            decoder=f"PyAV {library.__version__}, libavcodec {version} ({decoder_name})",
            metadata=tags,
        )


def open_clip(path: str | os.PathLike[str], *, flipped: bool = False) -> Clip:
    """Open a clip and decode its first frame.

    Parameters
    ----------
    path : str or path-like
        A local media file: the MP4 and MOV family, Matroska and WebM, AVI, MPEG streams.
    flipped : bool
        Whether the picture, as displayed, is a mirror image, and is to be turned back.

    Returns
    -------
    Clip
        To be used as a context manager.

    Raises
    ------
    ClipUnreadable
        The file is missing, empty, no media file, without video, damaged, or its picture is absurdly large.
    MissingLibrary
        PyAV is not installed.
    """
    try:
        import av
    except ImportError as error:
        raise MissingLibrary(
            f"The Python package 'av' (PyAV), which decodes video files, cannot be imported ({error}). "
            "Install it with: python -m pip install av"
        ) from error
    name = os.fspath(path)
    _check_file(name)
    try:
        container = av.open(f"file:{name}", mode="r", options=dict(_OPTIONS), **_lenient_tags(av))
    except (av.error.FFmpegError, ValueError) as error:
        raise ClipUnreadable(
            f"{name} is not a video file that can be read ({_reason(error)}): another kind of file, damaged, "
            "or cut off while it was recorded or copied. Give the original MP4, MOV, MKV, WebM or AVI file."
        ) from error
    try:
        stream = _video_stream(container, name)
        stream.codec_context.options = {"max_pixels": str(MAX_PIXELS)}
        stream.thread_type = "AUTO"
        return Clip(name, container, stream, av, flipped=flipped)
    except BaseException:
        container.close()
        raise


def _check_file(name: str) -> None:
    """Refuse what is plainly no clip before the media library sees it."""
    try:
        status = os.stat(name)
    except FileNotFoundError as error:
        meant = did_you_mean(nearest_file(name, CLIP_SUFFIXES))
        said = f"does not exist.{meant}" if meant else "does not exist; check the name and the folder."
        raise ClipUnreadable(f"{name} {said}") from error
    except (OSError, ValueError) as error:
        raise ClipUnreadable(f"{name!r} cannot be opened ({_reason(error)}); check the path.") from error
    if stat.S_ISDIR(status.st_mode):
        raise ClipUnreadable(f"{name} is a folder; give the clips inside it, each by its own name.")
    if name.lower().endswith(_PHOTO_SUFFIXES):
        raise ClipUnreadable(
            f"{name} is a photo by its name, and one picture shows no speed; film a clip of 10 seconds."
        )
    if not stat.S_ISREG(status.st_mode):
        raise ClipUnreadable(f"{name} is a device or a pipe, not a file; save the clip as a file first.")
    if status.st_size == 0:
        raise ClipUnreadable(f"{name} is empty (0 bytes); copy it from the camera again.")
    if not os.access(name, os.R_OK):
        raise ClipUnreadable(f"{name} may not be read by this user; change its permissions or copy it.")


def _video_stream(container: Any, name: str) -> Any:
    """The stream with the largest picture; cover art of a sound file does not count."""
    streams = [s for s in container.streams.video if not _is_cover(s)]
    if not streams:
        kinds = sorted({str(s.type) for s in container.streams if s.type != "video"})
        holds = f"only {' and '.join(kinds)}" if kinds else "nothing to show"
        raise ClipUnreadable(f"{name} has no video track, it holds {holds}; give the video of the platter.")
    decodable = [s for s in streams if s.codec_context is not None]
    if not decodable:
        raise ClipUnreadable(
            f"{name} is coded in a way that the installed PyAV cannot decode. Export it as H.264, or update "
            "the package 'av'."
        )
    stream = max(decodable, key=lambda s: s.codec_context.width * s.codec_context.height)
    width, height = stream.codec_context.width, stream.codec_context.height
    if not 0 < width * height <= MAX_PIXELS:
        size = f"of {width} x {height} pixels" if width * height else "whose size cannot be read"
        raise ClipUnreadable(
            f"{name} holds a picture {size}; the limit is {MAX_PIXELS // 1_000_000} million pixels. The file "
            "is damaged or not from a camera: export it at 4K or smaller."
        )
    return stream


def _is_cover(stream: Any) -> bool:
    disposition = getattr(stream, "disposition", None)
    return disposition is not None and bool(disposition & type(disposition).attached_pic)


def _lenient_tags(library: Any) -> dict[str, Any]:
    """PyAV before 19 refuses a file for a tag that is not UTF-8, unless told not to."""
    return {"metadata_errors": "surrogateescape"} if int(library.__version__.split(".")[0]) < 19 else {}


def _clean(text: str) -> str:
    """Text with a replacement mark for each byte that was not UTF-8."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _positive_number(text: str | None) -> float | None:
    try:
        value = float(text) if text is not None else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0 else None


def _slow_motion(tags: Mapping[str, str]) -> bool | None:
    """Whether the tags ask for slow playback: 1 means full rate, 0 slow motion (published QuickTime metadata key)."""
    intent = tags.get(_FULL_RATE_KEY)
    return None if intent is None else _positive_number(intent) is None
