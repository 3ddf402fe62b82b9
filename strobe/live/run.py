"""Runs a source through the follower, at its own pace or faster, and ends with the full reading.

A thread takes frames off the source and notes when they came. Where the follower is busy, the oldest that wait are left
out and counted; their gaps stay in the times.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from types import TracebackType
from typing import Any, Protocol, Self

from strobe.capture import Camera, Frame, FrameSource
from strobe.errors import ClipUnreadable, Refused, UsageError
from strobe.live.follower import UPDATE_S, Follower
from strobe.live.records import LiveOptions, LiveOutcome, LiveUpdate
from strobe.measurement import Refusal
from strobe.measuring.threads import one_thread

__all__ = ["Arrivals", "LiveRun"]

_WAITING = 6
"""Frames that may wait for the follower: a tenth of a second at 60 a second. Older ones would only make the figure
late."""
_SILENCE_S = 0.4
"""After so long without a frame it is said that none comes; by trial."""


class Arrivals(Protocol):
    """Hands on the frames of a source, and knows the time; another one may be put in where time is made up.

    Attributes
    ----------
    ended : bool
        Whether no more will come.
    skipped : int
        Frames left out because they came too fast.
    fault : ClipUnreadable or None
        What ended it.
    """

    ended: bool
    skipped: int
    fault: ClipUnreadable | None

    def next(self, patience_s: float) -> tuple[Frame, float] | None:
        """The next frame and when it came; None when none comes in time, or no more."""

    def now_s(self) -> float:
        """The time now."""

    def stop(self) -> None:
        """Take no more frames."""

    def join(self) -> None:
        """Wait until whatever runs beside has ended."""


class LiveRun:
    """A run of the live readout: iterate over it for updates, then ask for the outcome.

    Parameters
    ----------
    source : FrameSource
        Open; it is closed at the end.
    options : LiveOptions
        What is known beforehand.
    pace : float or None
        How many times faster than its own time a file is played; 0 plays every frame as fast as it can be read. None
        for a camera or stream, which has a pace of its own.
    for_s : float or None
        Ends after so many seconds of the source's time.
    on_frame : callable or None
        Called with each frame after it was read.
    arrivals : Arrivals or None
        Takes the place of the thread that takes frames off the source; full readings are then made at once, so that the
        same arrivals give the same updates.
    """

    def __init__(
        self,
        source: FrameSource,
        options: LiveOptions,
        *,
        pace: float | None = None,
        for_s: float | None = None,
        on_frame: Callable[[Frame], None] | None = None,
        arrivals: Arrivals | None = None,
    ) -> None:
        self._source, self._pace, self._for_s, self._on_frame = source, pace, for_s, on_frame
        inline = pace == 0 or arrivals is not None
        self._executor: Executor = _Inline() if inline else ThreadPoolExecutor(1, "strobe reading")
        self.follower = Follower(source.facts, options, self._executor)
        self._arrivals: Arrivals = arrivals or _Pump(source, pace)
        self._stop = threading.Event()
        self._ended = "source"
        self._newest: LiveUpdate | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def stop(self) -> None:
        """End the run; may be called from any thread, or from a signal."""
        self._stop.set()

    def close(self) -> None:
        """Let go of source and threads."""
        self._arrivals.stop()
        if isinstance(self._source, Camera):
            # Whoever waits for its next picture is let go; a file must not be closed while it is being read.
            self._source.close()
        self._arrivals.join()
        self._source.close()
        # Last, because a full reading takes a while, and who presses Ctrl-C once more does not wait for it.
        self._executor.shutdown(wait=True, cancel_futures=True)

    def __iter__(self) -> Iterator[LiveUpdate]:
        """Updates as they come."""
        with one_thread:
            yield from self._updates()

    def _updates(self) -> Iterator[LiveUpdate]:
        now_s = self._arrivals.now_s
        last_s, heard = 0.0, now_s()
        while not self._stop.is_set():
            item = self._arrivals.next(UPDATE_S if self._newest is None else _SILENCE_S)
            if item is None:
                if self._arrivals.ended:
                    break
                away_s = now_s() - heard
                if away_s > _SILENCE_S:
                    yield self._keep(self.follower.waiting(last_s + away_s, self._why_silent()))
                if self._for_s is not None and last_s + away_s >= self._for_s:
                    self._ended = "time"
                    return
                continue
            frame, arrived_s = item
            heard, last_s = now_s(), frame.time_s
            update = self.follower.take(frame)
            if update is not None:
                latency_s = now_s() - arrived_s
                yield self._keep(replace(update, skipped=self._arrivals.skipped, latency_s=latency_s))
            if self._on_frame is not None:
                self._on_frame(frame)
            if self._for_s is not None and frame.time_s >= self._for_s:
                self._ended = "time"
                return
        if self._stop.is_set():
            self._ended = "stopped"
        elif self._arrivals.fault is not None:
            self._ended = str(self._arrivals.fault)
        elif isinstance(self._source, Camera) and self._source.events():
            self._ended = self._source.events()[-1].message

    def _why_silent(self) -> str:
        """Why no pictures come, as far as the source tells."""
        events = self._source.events() if isinstance(self._source, Camera) else ()
        if events and events[-1].kind in ("lost", "retry"):
            return "No pictures come; the camera is being opened again."
        return "No pictures come from the camera."

    def _keep(self, update: LiveUpdate) -> LiveUpdate:
        self._newest = update
        return update

    @property
    def ended(self) -> str:
        """How it ended, as in `LiveOutcome`."""
        return self._ended

    def outcome(self) -> LiveOutcome:
        """The full reading of the settled part, and how the run ended."""
        measurement, refusal = None, None
        try:
            measurement = self.follower.settled()
        except Refused as refused:
            refusal = Refusal(self._source.facts.name, refused.code, refused.message, refused.advice)
        return LiveOutcome(
            measurement=measurement,
            refusal=refusal,
            ended=self._ended,
            frames=self.follower.frames,
            skipped=self._arrivals.skipped,
            duration_s=0.0 if self._newest is None else self._newest.time_s,
        )


class _Pump:
    """Takes frames off a source in a thread of its own; at pace 0 in the caller's, so that none is left out."""

    def __init__(self, source: FrameSource, pace: float | None) -> None:
        self._source, self._pace = source, pace
        self._waiting: deque[tuple[Frame, float]] = deque()
        self._ready = threading.Condition()
        self._stopped = threading.Event()
        self.ended = False
        self.skipped = 0
        self.fault: ClipUnreadable | None = None
        self._broke: BaseException | None = None
        self._thread: threading.Thread | None = None
        if pace != 0:
            self._thread = threading.Thread(target=self._run, name="strobe frames", daemon=True)
            self._thread.start()

    def next(self, patience_s: float) -> tuple[Frame, float] | None:
        """The next frame and when it came; None when none comes in time, or no more."""
        if self._thread is None:
            try:
                return next(self._source), time.monotonic()
            except StopIteration:
                self.ended = True
            except ClipUnreadable as error:
                self.ended, self.fault = True, error
            return None
        with self._ready:
            if not self._waiting and not self.ended:
                self._ready.wait(patience_s)
            if self._waiting:
                return self._waiting.popleft()
        broke, self._broke = self._broke, None
        if broke is not None:
            raise broke
        return None

    def now_s(self) -> float:
        """The time now."""
        return time.monotonic()

    def stop(self) -> None:
        """Take no more frames."""
        self._stopped.set()

    def join(self) -> None:
        """Wait for the thread to end."""
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        """What the thread does; whoever waits for a frame is told of the end, whatever it is."""
        try:
            self._take_off()
        except ClipUnreadable as error:
            self.fault = error
        except BaseException as error:
            # A camera that was closed between two pictures says so.
            if not (self._stopped.is_set() and isinstance(error, UsageError)):
                self._broke = error
        finally:
            with self._ready:
                self.ended = True
                self._ready.notify()

    def _take_off(self) -> None:
        began = time.monotonic()
        for frame in self._source:
            if self._pace:
                self._stopped.wait(max(0.0, began + frame.time_s / self._pace - time.monotonic()))
            if self._stopped.is_set():
                return
            with self._ready:
                if len(self._waiting) >= _WAITING:
                    self._waiting.popleft()
                    self.skipped += 1
                self._waiting.append((frame, time.monotonic()))
                self._ready.notify()


class _Inline(Executor):
    """Does at once what it is given: the same frames give the same updates."""

    def submit(self, work: Callable[..., Any], /, *args: Any, **named: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(work(*args, **named))
        return future
