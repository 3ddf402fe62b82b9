"""Frames as they arrive over a network, in time made up: jitter, stalls, cuts, garbage, other sizes, a busy machine.

Nothing here waits or depends on how fast the machine is: the same arrivals give the same updates.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Self

import cv2
import numpy as np
import pytest
from live_scenes import covered, darkened, rendered, shifted, turned_scene
from made_scenes import PLAIN_FACTS

from strobe.capture import Camera as CameraSource
from strobe.capture import CameraClock, CameraFacts, ClipTally, Frame, SourceEvent, open_clip
from strobe.capture.planes import Display
from strobe.errors import ClipUnreadable
from strobe.live import LiveOptions, LiveOutcome, LiveRun, LiveUpdate
from strobe.render import Camera

FAST_PERCENT, RATE_HZ, SECONDS = 0.8, 30.0, 20
JITTER_S = 0.005
SILENCE_S = 0.45
"""After so long without a picture no figure may stand."""
SETTLED_PERCENT = 0.08
"""What jitter of 5 ms leaves of the cadence in the last seconds of such a run, at most."""
TOLD = LiveOptions(nominal_rpm=100 / 3, mains_hz=50)

Arrived = tuple[float, Frame]


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Frame]:
    camera = Camera(width=480, height=270, frame_rate_hz=RATE_HZ, exposure_s=0.012)
    scene = turned_scene((0.0, FAST_PERCENT), seconds=SECONDS, camera=camera)
    path = rendered(scene, tmp_path_factory.mktemp("arrivals") / "a.mp4")
    with open_clip(path) as clip:
        return [replace(one, luma=one.luma.copy(), cb=None, cr=None) for one in clip]


class Network:
    """A camera's facts over arrivals that are made up; keeps to `FrameSource` as far as a run needs it."""

    def __init__(self, luma: Any) -> None:
        height, width = luma.shape
        self.facts = CameraFacts(
            name="http://192.0.2.7/video",
            **PLAIN_FACTS
            | {"width": width, "height": height, "declared_rate_hz": None, "stamps": "arrival", "stamp_s": 0.0},
            settings=(),
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        raise StopIteration

    def close(self) -> None:
        pass

    def tally(self) -> ClipTally:
        return ClipTally.of(np.zeros(0))


class Script:
    """Hands on frames at the times at which they arrive; `work_s` passes with each, as on a machine that is busy."""

    def __init__(self, arrived: Iterable[Arrived], *, work_s: float = 0.0, waiting: int = 6) -> None:
        self._coming = sorted(((float(at), one) for at, one in arrived), key=lambda one: one[0])
        self._origin_s, self._now_s = self._coming[0][0], self._coming[0][0]
        self._work_s, self._most = work_s, waiting
        self.ended, self.skipped = False, 0
        self.fault: ClipUnreadable | None = None

    def next(self, patience_s: float) -> tuple[Frame, float] | None:
        if not self._coming:
            self.ended = True
            return None
        there = sum(at <= self._now_s for at, _ in self._coming[: 10 * self._most])
        if there > self._most:
            self.skipped += there - self._most
            del self._coming[: there - self._most]
        at, frame = self._coming[0]
        if at > self._now_s + patience_s:
            self._now_s += patience_s
            return None
        del self._coming[0]
        self._now_s = max(self._now_s, at)
        arrived_s, self._now_s = at, self._now_s + self._work_s
        return replace(frame, time_s=at - self._origin_s), arrived_s

    def now_s(self) -> float:
        return self._now_s

    def stop(self) -> None:
        pass

    def join(self) -> None:
        pass


def late(frames: list[Frame], seed: int = 3, jitter_s: float = JITTER_S) -> list[Arrived]:
    """Each later than it was taken, by chance, but none before the one before it."""
    lateness = np.abs(np.random.default_rng(seed).normal(0, jitter_s, len(frames)))
    at_s = np.maximum.accumulate(np.array([one.time_s for one in frames]) + lateness) + 1e-6 * np.arange(len(frames))
    return list(zip(at_s.tolist(), frames, strict=True))


def watched(
    arrived: list[Arrived], *, options: LiveOptions = TOLD, for_s: float | None = None, **script: Any
) -> tuple[list[LiveUpdate], LiveOutcome]:
    """Every update of such a run, none of which may hold a figure that is stale or wrong by more than it says."""
    played = Script(arrived, **script)
    updates: list[LiveUpdate] = []
    heard: list[float] = []
    with LiveRun(
        Network(arrived[0][1].luma),
        options,
        arrivals=played,
        for_s=for_s,
        on_frame=lambda one: heard.append(one.time_s),
    ) as run:
        for update in run:
            updates.append(update)
            newest_s = max([*heard[-1:], update.time_s if update.frames else 0.0][:1] or [0.0])
            if update.time_s - newest_s > SILENCE_S:
                assert update.deviation_percent is None, "stale"
            if update.deviation_percent is not None:
                assert update.uncertainty_percent is not None
                assert abs(update.deviation_percent - FAST_PERCENT) < update.uncertainty_percent
                assert update.nominal_rpm == pytest.approx(100 / 3)
                assert update.instruction in ("slower", "a little slower")
        return updates, run.outcome()


def changed(arrived: list[Arrived], begin_s: float, end_s: float, change: Callable[[Frame], Frame]) -> list[Arrived]:
    return [(at, change(one) if begin_s <= at < end_s else one) for at, one in arrived]


def without(arrived: list[Arrived], begin_s: float, end_s: float) -> list[Arrived]:
    return [(at, one) for at, one in arrived if not begin_s <= at < end_s]


def between(updates: list[LiveUpdate], begin_s: float, end_s: float) -> list[LiveUpdate]:
    return [one for one in updates if begin_s <= one.time_s < end_s]


def check_end(updates: list[LiveUpdate], outcome: LiveOutcome) -> None:
    """It is steady again at the end, and the last word is right."""
    assert updates[-1].state == "steady"
    assert updates[-1].deviation_percent == pytest.approx(FAST_PERCENT, abs=SETTLED_PERCENT)
    assert outcome.measurement is not None
    speed = outcome.measurement.speed
    assert abs(speed.deviation_percent - FAST_PERCENT) < min(speed.uncertainty_percent, SETTLED_PERCENT)


class TestArrivals:
    @pytest.mark.parametrize("seed", [3, 4, 5])
    def test_jitter_of_five_milliseconds(self, frames: list[Frame], seed: int) -> None:
        updates, outcome = watched(late(frames, seed))
        check_end(updates, outcome)
        assert updates[-1].reference == "camera"
        assert not any(one.state == "lost" for one in updates)
        assert all(one.latency_s == 0 for one in updates)

    def test_pictures_held_up_and_let_go_at_once(self, frames: list[Frame]) -> None:
        """As a radio link does it: three tenths of a second nothing, then all of them in one go, every few seconds."""
        arrived = late(frames, jitter_s=0.002)
        held = [(max(at, np.floor(at / 4) * 4 + 0.3) if at % 4 < 0.3 and at > 4 else at, one) for at, one in arrived]
        held = [(at + 1e-6 * place, one) for place, (at, one) in enumerate(held)]
        updates, outcome = watched(held, waiting=60)
        assert updates[-1].deviation_percent is not None
        assert outcome.measurement is not None
        speed = outcome.measurement.speed
        assert abs(speed.deviation_percent - FAST_PERCENT) < speed.uncertainty_percent

    def test_a_stall(self, frames: list[Frame]) -> None:
        updates, outcome = watched(without(late(frames), 8, 10.2))
        silent = between(updates, 8.0 + SILENCE_S + 0.1, 10.1)
        assert len(silent) >= 3
        assert {one.state for one in silent} == {"lost"}
        assert all("No pictures come" in one.message for one in silent)
        assert between(updates, 10.3, 11.5)[0].deviation_percent is None, "a new turn is needed"
        check_end(updates, outcome)

    def test_garbage(self, frames: list[Frame]) -> None:
        """Single pictures of noise, and some of which only the upper part was decoded."""
        rng = np.random.default_rng(8)

        def spoilt(one: Frame) -> Frame:
            luma = one.luma.copy()
            if one.index % 60 == 0:
                luma = rng.integers(0, 255, luma.shape, np.uint8)
            elif one.index % 60 == 30:
                luma[luma.shape[0] // 3 :] = 128
            return replace(one, luma=luma)

        updates, outcome = watched(changed(late(frames), 5, 16, spoilt))
        check_end(updates, outcome)

    def test_a_picture_of_another_size_from_then_on(self, frames: list[Frame]) -> None:
        def smaller(one: Frame) -> Frame:
            return replace(one, luma=cv2.resize(one.luma, (400, 225), interpolation=cv2.INTER_AREA))

        updates, outcome = watched(changed(late(frames), 8, 99, smaller))
        at_once = between(updates, 8.1, 8.9)
        assert all(one.deviation_percent is None for one in at_once)
        assert any("another size" in one.message for one in at_once)
        check_end(updates, outcome)

    def test_lights_off_and_a_hand(self, frames: list[Frame]) -> None:
        arrived = changed(changed(late(frames), 6, 8, darkened), 8, 9.5, covered)
        updates, outcome = watched(arrived)
        assert {one.state for one in between(updates, 6.7, 9.4)} == {"lost"}
        check_end(updates, outcome)

    def test_the_camera_is_moved(self, frames: list[Frame]) -> None:
        """The rows are found again within two seconds, and meanwhile it says so."""
        updates, outcome = watched(changed(late(frames), 7, 99, lambda one: shifted(one, 36, -20)), options=TOLD)
        lost = between(updates, 7.4, 8.0)
        assert lost
        assert all(one.deviation_percent is None for one in lost)
        assert between(updates, 9.1, 9.6)[0].state == "settling"
        check_end(updates, outcome)

    def test_it_ends_with_the_camera(self, frames: list[Frame]) -> None:
        """What was gathered is kept."""
        updates, outcome = watched(late(frames[:330]))
        assert outcome.measurement is not None
        assert outcome.ended == "source"
        assert updates[-1].state == "steady"

    def test_silence_ends_a_run_of_given_length(self, frames: list[Frame]) -> None:
        arrived = [*late(frames[:240]), (60.0, frames[-1])]
        updates, outcome = watched(arrived, for_s=12)
        assert outcome.ended == "time"
        assert updates[-1].state == "lost"
        assert 12 <= updates[-1].time_s < 13

    def test_a_machine_that_cannot_keep_up(self, frames: list[Frame]) -> None:
        """It leaves frames out knowingly, and the timing of the others stays right."""
        updates, outcome = watched(late(frames), work_s=1.3 / RATE_HZ)
        assert outcome.skipped > 0.15 * len(frames)
        assert outcome.frames + outcome.skipped == len(frames)
        assert updates[-1].deviation_percent is not None
        assert max(one.latency_s for one in updates) < 8 / RATE_HZ + 0.05

    def test_the_same_arrivals_give_the_same_updates(self, frames: list[Frame]) -> None:
        first, second = (watched(late(frames[:240]))[0] for _ in range(2))
        assert first == second


@dataclass
class Play:
    """What a device does at each reading: a picture, or None for a failure; time passes with it."""

    pictures: list[Any]
    step_s: float = 1 / RATE_HZ
    opens: int = 99


class Device:
    """Stands in for OpenCV's capture; its time is made up."""

    def __init__(self, clock: FakeClock, plays: list[Play]) -> None:
        self._clock, self._plays = clock, plays
        self.play: Play | None = None

    def connect(self) -> Device:
        made = Device(self._clock, self._plays)
        made.play = self._plays.pop(0) if self._plays else None
        return made

    def isOpened(self) -> bool:
        return self.play is not None

    def read(self) -> tuple[bool, Any]:
        assert self.play is not None
        if not self.play.pictures:
            return False, None
        self._clock.gate.acquire()
        self._clock.time_s += self.play.step_s
        picture = self.play.pictures.pop(0)
        return picture is not None, picture

    def get(self, _: int) -> float:
        return 0.0

    def getBackendName(self) -> str:
        return "NONE"

    def release(self) -> None:
        pass


class FakeClock:
    """Time that passes only where somebody says so; `gate` lets the device on as pictures are taken off."""

    def __init__(self) -> None:
        self.time_s = 100.0
        self.gate = threading.Semaphore(4)

    def clock(self) -> CameraClock:
        def wait(event: threading.Event, seconds: float) -> bool:
            self.time_s += seconds
            return event.is_set()

        return CameraClock(lambda: self.time_s, wait)


def played(*plays: Play, give_up_s: float = 20.0) -> tuple[list[Frame], list[SourceEvent]]:
    clock = FakeClock()
    device = Device(clock, list(plays))
    told: list[SourceEvent] = []
    camera = CameraSource(
        "made up",
        device.connect,
        (),
        Display(),
        give_up_s=give_up_s,
        local=False,
        first=device.connect(),
        library=cv2,
        on_event=told.append,
        clock=clock.clock(),
    )
    frames = []
    with camera:
        for frame in camera:
            frames.append(frame)
            clock.gate.release()
    return frames, told


def grey(level: int, width: int = 64) -> Any:
    return np.full((48, width, 3), level, np.uint8)


class TestCameraInTimeMadeUp:
    def test_it_waits_longer_and_longer_before_it_tries_again(self) -> None:
        """A quarter of a second, then twice as long each time, 4 s at the most, until it gives up after 20 s."""
        frames, told = played(Play([grey(level) for level in range(10)]))
        assert [int(one.luma[0, 0]) for one in frames] == list(range(10))
        assert [one.kind for one in told] == ["lost", *["retry"] * 8, "given-up"]
        waits = np.diff([one.time_s for one in told])
        np.testing.assert_allclose(waits, [0.25, 0.5, 1, 2, 4, 4, 4, 4, 0.25])

    def test_a_stream_that_comes_back(self) -> None:
        frames, told = played(Play([grey(10)] * 5), Play([grey(20)] * 5), give_up_s=1.0)
        assert [one.kind for one in told][:2] == ["lost", "back"]
        assert "after 0.3 s" in told[1].message
        steps = np.diff([one.time_s for one in frames])
        np.testing.assert_allclose(steps, [*[1 / RATE_HZ] * 4, 0.25 + 1 / RATE_HZ, *[1 / RATE_HZ] * 4])

    def test_one_picture_that_fails_is_no_end(self) -> None:
        """A device that fails once is opened again."""
        frames, told = played(Play([grey(10)] * 5 + [None]), Play([grey(20)] * 3), give_up_s=1.0)
        assert len(frames) == 8
        assert [one.kind for one in told][:2] == ["lost", "back"]

    def test_single_pictures_of_another_size_are_left_out(self) -> None:
        frames, told = played(Play([grey(10), grey(11), grey(12, 32), grey(13), grey(14)]), give_up_s=0.0)
        assert [int(one.luma[0, 0]) for one in frames] == [10, 11, 13, 14]
        assert "resized" not in [one.kind for one in told]

    def test_another_size_that_stays(self) -> None:
        frames, told = played(Play([grey(10)] * 2 + [grey(12, 32)] * 5), give_up_s=0.0)
        assert [one.luma.shape[1] for one in frames] == [64, 64, 32, 32, 32]
        assert [one.message for one in told if one.kind == "resized"] == [
            "made up changes its picture from 64 x 48 to 32 x 48."
        ]

    def test_chroma_has_half_the_size(self) -> None:
        blue = grey(0)
        blue[..., 0] = 255
        (frame,), _ = played(Play([blue]), give_up_s=0.0)
        assert frame.cb is not None
        assert frame.cb.shape == (24, 32)
        assert int(frame.cb[3, 3]) > 200
        assert int(frame.luma[3, 3]) == pytest.approx(29, abs=1)
