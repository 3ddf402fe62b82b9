"""Cameras by number or device, and streams by address (Motion JPEG over HTTP, RTSP), through OpenCV.

A thread takes the pictures off the camera as they come and notes when, so that a slow reader does not spoil their
times. A camera that fails is opened again, after longer and longer waits; what happened is told as events.
"""

from __future__ import annotations

import os
import re
import threading
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any, Self

import numpy as np

from strobe.capture.planes import Display
from strobe.capture.records import CameraFacts, ClipTally, Frame, Setting, SourceEvent
from strobe.errors import ClipUnreadable, MissingLibrary, UsageError

__all__ = ["Camera", "CameraClock", "open_camera"]

_STREAM = re.compile(r"(https?|rtsps?)://", re.IGNORECASE)
_SECRET = re.compile(r"(?<=://)[^/@]*@")
_WAITING = 8
"""Pictures that wait for a slow reader at the most, a quarter of a second at 30 a second; our own choice."""
_OPEN_MS, _READ_MS = 5000, 3000
"""Milliseconds that a stream may take to open and to give its next picture, before it counts as lost; our own
choice."""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.25, 4.0
"""Seconds before a lost camera is opened again: at first, and, doubled with each failure, at the most. Our own
choice."""
_MICROSECOND = 1e-6
"""Seconds: the unit in which drivers give their times (from memory)."""
_OUT_OF_STEP_S = 1.0
"""By how much the driver's times may part from ours before they are taken for those of another beginning."""
_SAME_SIZE = 3
"""So many pictures of another size in a row are no fault of one picture."""
_END = object()


@dataclass(frozen=True)
class CameraClock:
    """Gives the time (s) and waits, for so long or until the event is set; to be replaced where time is made up."""

    now_s: Callable[[], float] = time.monotonic
    wait: Callable[[threading.Event, float], bool] = threading.Event.wait


class Camera:
    """An open camera or stream: a context manager and an iterator of `Frame` that keeps to `FrameSource`.

    Make one with `open_camera`. Frames end when it is closed, or when the camera stays away for too long. Times are
    those of the driver where it gives any, else those at which the pictures arrived, which jitter. Pictures may change
    their size on the way, which is told as an event; `facts` are then those of the newest.
    """

    facts: CameraFacts

    def __init__(
        self,
        name: str,
        connect: Callable[[], Any],
        settings: tuple[Setting, ...],
        display: Display,
        *,
        give_up_s: float,
        local: bool,
        first: Any,
        library: Any,
        on_event: Callable[[SourceEvent], None] | None,
        clock: CameraClock | None = None,
    ) -> None:
        self._clock = clock or CameraClock()
        self._name = name
        self._connect = connect
        self._display = display
        self._give_up_s = give_up_s
        self._library = library
        self._on_event = on_event
        self._capture = first
        self._closed = threading.Event()
        self._ready = threading.Condition()
        self._waiting: deque[Any] = deque()
        self._overrun = False
        self._events: list[SourceEvent] = []
        self._stamps = array("d")
        self._origin_s: float | None = None
        self._offset_s = 0.0
        self._newest_s: tuple[float, float] | None = None
        self._odd: list[tuple[int, ...]] = []
        self._fault: BaseException | None = None
        picture = self._grab()
        if picture is None:
            first.release()
            raise ClipUnreadable(
                f"{name} opened, but gives no picture: another program may be using it, or the address is not that of "
                "a video stream. Close other programs that show the camera, or check the address."
            )
        self._began_s = self._clock.now_s()
        self._driver = local and self._driver_stamp() > 0
        self._shape = picture.shape
        height, width = picture.shape[:2]
        shown = display.size(width, height)
        rate = float(first.get(library.CAP_PROP_FPS))
        self.facts = CameraFacts(
            name=name,
            width=shown[0],
            height=shown[1],
            bit_depth=8,
            rotation_deg=display.rotation_deg,
            mirrored=display.mirrored,
            flipped=display.flipped,
            sweep=display.sweep(width, height),
            declared_rate_hz=rate if np.isfinite(rate) and rate > 0 else None,
            duration_s=None,
            stamps="driver" if self._driver else "arrival",
            stamp_s=_MICROSECOND if self._driver else 0.0,
            capture_rate_hz=None,
            decoder=f"OpenCV {library.__version__} ({first.getBackendName()})",
            settings=settings,
        )
        self._put(picture)
        self._thread = threading.Thread(target=self._run, name="strobe camera", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        """The next frame; waits for it.

        Raises
        ------
        UsageError
            The camera has been closed.

        Notes
        -----
        What went wrong in the thread that reads the camera, or in `on_event`, is raised here.
        """
        if self._closed.is_set():
            raise UsageError(f"{self._name} has been closed; open the camera again to read its frames.")
        with self._ready:
            while not self._waiting:
                self._ready.wait()
            item = self._waiting[0]
            if item is _END:
                fault, self._fault = self._fault, None
                raise fault or StopIteration
            picture, stamp_s = self._waiting.popleft()
        if self._origin_s is None:
            self._origin_s = stamp_s
        self._stamps.append(stamp_s - self._origin_s)
        height, width = picture.shape[:2]
        shown = self._display.size(width, height)
        if shown != (self.facts.width, self.facts.height):
            sweep = self._display.sweep(width, height)
            self.facts = replace(self.facts, width=shown[0], height=shown[1], sweep=sweep)
        return Frame(len(self._stamps) - 1, self._stamps[-1], *self._planes(picture))

    def close(self) -> None:
        """Let go of the camera; frames already given stay valid. Closing twice does no harm."""
        self._closed.set()
        self._thread.join()

    def tally(self) -> ClipTally:
        """Counts over the frames given so far."""
        return ClipTally.of(np.array(self._stamps, np.float64))

    def events(self) -> tuple[SourceEvent, ...]:
        """What has happened so far, oldest first."""
        return tuple(self._events)

    def _planes(self, picture: Any) -> tuple[Any, Any, Any]:
        """Luma, and chroma at half the size: eyes and codings see no more, and it takes a seventh of the time."""
        if picture.ndim == 2:
            return self._display.show(picture), None, None
        library = self._library
        luma = library.cvtColor(picture, library.COLOR_BGR2GRAY)
        half = ((picture.shape[1] + 1) // 2, (picture.shape[0] + 1) // 2)
        small = library.resize(picture, half, interpolation=library.INTER_AREA)
        chroma = library.cvtColor(small, library.COLOR_BGR2YCrCb)
        return self._display.show(luma), self._display.show(chroma[..., 2]), self._display.show(chroma[..., 1])

    def _grab(self) -> Any:
        came, picture = self._capture.read()
        return picture if came else None

    def _driver_stamp(self) -> float:
        return float(self._capture.get(self._library.CAP_PROP_POS_MSEC)) / 1000

    def _put(self, picture: Any) -> None:
        stamp_s = self._stamp()
        with self._ready:
            full = len(self._waiting) >= _WAITING
            if full:
                self._waiting.popleft()
            self._waiting.append((picture, stamp_s))
            self._ready.notify()
        if full and not self._overrun:
            self._tell("overrun", "Pictures come faster than they are taken off; the oldest are dropped.")
        self._overrun = full

    def _stamp(self) -> float:
        """Time of the picture just taken; a driver that begins to count anew is brought back into step."""
        now_s = self._clock.now_s()
        if not self._driver:
            return now_s
        stamp_s = self._driver_stamp() + self._offset_s
        if self._newest_s is not None:
            before_s, at_s = self._newest_s
            expected_s = before_s + now_s - at_s
            if stamp_s <= before_s or abs(stamp_s - expected_s) > _OUT_OF_STEP_S:
                self._offset_s += expected_s - stamp_s
                stamp_s = expected_s
        self._newest_s = (stamp_s, now_s)
        return stamp_s

    def _tell(self, kind: str, message: str) -> None:
        event = SourceEvent(self._clock.now_s() - self._began_s, kind, message)
        self._events.append(event)
        if self._on_event is not None:
            self._on_event(event)

    def _run(self) -> None:
        """What the thread does; whoever waits for a picture is told of the end, whatever it is."""
        try:
            self._take_off()
        except BaseException as error:
            self._fault = error
        finally:
            with self._ready:
                self._waiting.append(_END)
                self._ready.notify_all()

    def _take_off(self) -> None:
        """Take pictures off until it is closed, open the camera again when none comes."""
        try:
            while not self._closed.is_set():
                picture = self._grab()
                if picture is None:
                    self._capture.release()
                    if not self._closed.is_set() and not self._again():
                        return
                elif self._fits(picture):
                    self._put(picture)
        finally:
            self._capture.release()

    def _fits(self, picture: Any) -> bool:
        """Whether a picture is of the size of those before it, or of another that has come to stay."""
        if picture.shape == self._shape:
            self._odd.clear()
            return True
        self._odd = [*(one for one in self._odd if one == picture.shape), picture.shape]
        if len(self._odd) < _SAME_SIZE:
            return False
        sizes = [f"{shape[1]} x {shape[0]}" for shape in (self._shape, picture.shape)]
        self._shape = picture.shape
        self._tell("resized", f"{self._name} changes its picture from {sizes[0]} to {sizes[1]}.")
        return True

    def _again(self) -> bool:
        """Open the camera again; whether that came off in time."""
        since, wait_s = self._clock.now_s(), _FIRST_WAIT_S
        self._tell("lost", f"{self._name} gives no more pictures; it is opened again.")
        while True:
            left_s = max(0.0, since + self._give_up_s - self._clock.now_s())
            if self._clock.wait(self._closed, min(wait_s, left_s)):
                return False
            self._capture = self._connect()
            picture = self._grab() if self._capture.isOpened() else None
            away_s = self._clock.now_s() - since
            if picture is not None:
                self._tell("back", f"{self._name} gives pictures again after {away_s:.1f} s.")
                if self._fits(picture):
                    self._put(picture)
                return True
            self._capture.release()
            if away_s >= self._give_up_s:
                self._tell("given-up", f"{self._name} stayed away for {away_s:.1f} s.")
                return False
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
            self._tell("retry", f"{self._name} is still away; the next try is in {wait_s:.2g} s.")


def open_camera(
    address: int | str,
    *,
    rate_hz: float | None = None,
    size: tuple[int, int] | None = None,
    exposure: float | None = None,
    rotation_deg: int = 0,
    flipped: bool = False,
    give_up_s: float = 20.0,
    on_event: Callable[[SourceEvent], None] | None = None,
) -> Camera:
    """Open a camera or stream and take its first picture.

    Parameters
    ----------
    address : int or str
        Number of a camera, its device (``/dev/video0``), or the address of a stream that begins with ``http://``,
        ``https://``, ``rtsp://`` or ``rtsps://``.
    rate_hz, size, exposure : optional
        Frame rate, (width, height) in pixels and exposure (in the driver's own unit) to ask a camera for. What it
        answers stands in `CameraFacts.settings`; a stream can't be asked.
    rotation_deg : int
        Clockwise turn (0, 90, 180, 270) with which the picture is to be shown.
    flipped : bool
        Whether the picture is a mirror image, and is to be turned back.
    give_up_s : float
        How long a lost camera is waited for.
    on_event : callable or None
        Told of every `SourceEvent` at once, from the thread that reads the camera.

    Returns
    -------
    Camera
        To be used as a context manager.

    Raises
    ------
    ClipUnreadable
        The camera can't be opened or gives no picture.
    UsageError
        An address or option that makes no sense.
    MissingLibrary
        OpenCV does not load.

    Notes
    -----
    OpenCV's own messages on standard error are turned off for the whole process, unless ``OPENCV_LOG_LEVEL`` is set:
    what befalls a camera is told as events.
    """
    try:
        import cv2
    except ImportError as error:
        raise MissingLibrary(
            f"OpenCV does not load ({error}). Install the system libraries it needs, on Debian or Ubuntu: "
            "apt install libgl1 libglib2.0-0"
        ) from error
    _quieten(cv2)
    text = str(address)
    stream = _STREAM.match(text) is not None
    if not stream and not re.fullmatch(r"\d+|/dev/video\d+", text):
        raise UsageError(
            f"{text!r} names no camera: give its number, a device such as /dev/video0, or an address that begins with "
            "http://, https://, rtsp:// or rtsps://."
        )
    if rotation_deg not in (0, 90, 180, 270):
        raise UsageError(f"rotation is {rotation_deg} degrees; it is 0, 90, 180 or 270.")
    wishes = {"width": size and size[0], "height": size and size[1], "frame rate": rate_hz, "exposure": exposure}
    asked = {name: float(value) for name, value in wishes.items() if value is not None}
    if stream and asked:
        raise UsageError(f"a stream can't be asked for its {', '.join(asked)}; set it where the stream is made.")
    keys = {
        "width": cv2.CAP_PROP_FRAME_WIDTH,
        "height": cv2.CAP_PROP_FRAME_HEIGHT,
        "frame rate": cv2.CAP_PROP_FPS,
        "exposure": cv2.CAP_PROP_EXPOSURE,
    }
    answers: list[Setting] = []

    def connect() -> Any:
        if stream:
            limits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, _OPEN_MS, cv2.CAP_PROP_READ_TIMEOUT_MSEC, _READ_MS]
            return cv2.VideoCapture(text, cv2.CAP_FFMPEG, limits)
        capture = cv2.VideoCapture(int(text) if text.isdecimal() else text)
        if capture.isOpened():
            answers[:] = [_ask(capture, keys[name], name, wanted) for name, wanted in asked.items()]
        return capture

    name = _SECRET.sub("", text)
    first = connect()
    if not first.isOpened():
        first.release()
        raise ClipUnreadable(
            f"{name} cannot be opened: no such camera or stream, or it may not be used. Check that it is plugged in or "
            "switched on, and its number or address."
        )
    return Camera(
        name,
        connect,
        tuple(answers),
        Display(rotation_deg, False, flipped),
        give_up_s=give_up_s,
        local=not stream,
        first=first,
        library=cv2,
        on_event=on_event,
    )


def _quieten(library: Any) -> None:
    if "OPENCV_LOG_LEVEL" not in os.environ:
        # Before version 5 it is at the top.
        set_level = getattr(library, "setLogLevel", None) or library.utils.logging.setLogLevel
        set_level(0)
        # The same for the FFmpeg in it, which reads this when it is first used.
        os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")


def _ask(capture: Any, key: int, name: str, wanted: float) -> Setting:
    """Ask for one setting, and see what the camera says that it does."""
    capture.set(key, wanted)
    got = float(capture.get(key))
    return Setting(name, wanted, got if np.isfinite(got) and got != 0 else None)
