"""What every source of frames must keep to, be it a file of any coding or a stream; and what befalls a camera."""

from __future__ import annotations

import dataclasses
import gc
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest
from conftest import HEIGHT, WIDTH, brightness, patterns

from strobe.capture import CameraFacts, Frame, FrameSource, SourceEvent, open_camera, open_clip
from strobe.errors import ClipUnreadable, UsageError
from strobe.phase import fit_time_base

Writer = Callable[..., Path]

FRAMES = 40
STREAM_RATE_HZ = 30.0
GIVE_UP_S = 0.4
CODING_LEVELS = 2.5
"""Lossy coding at the encoders' defaults, at 8 bits; neighbouring pictures differ by 5 levels."""
ARRIVAL_S = 0.03
"""Lateness of a picture from a server in the same process on a machine that is busy; they are 33 ms apart."""

FILES: dict[str, dict[str, Any]] = {
    "h264 in mp4": {"name": "a.mp4", "codec": "libx264"},
    "h264 with b-frames": {"name": "a.mp4", "codec": "libx264", "options": {"bf": "3", "b_strategy": "0"}},
    "hevc in mov": {"name": "a.mov", "codec": "libx265"},
    "vp9 in mkv": {"name": "a.mkv", "codec": "libvpx-vp9"},
    "mjpeg in avi": {"name": "a.avi", "codec": "mjpeg", "pixel_format": "yuvj420p"},
    "hevc of 10 bits": {"name": "a.mp4", "codec": "libx265", "pixel_format": "yuv420p10le"},
    "grey in mkv": {"name": "a.mkv", "codec": "ffv1", "pixel_format": "gray"},
    "turned": {"name": "a.mp4", "codec": "libx264", "turned": True},
}
for _encoder in ("libsvtav1", "libaom-av1"):
    if _encoder in av.codecs_available:
        FILES["av1 in mp4"] = {"name": "a.mp4", "codec": _encoder}
        break
STREAM = "motion jpeg over http"
KINDS = [*FILES, STREAM]


class StreamServer:
    """A camera on the network that sends Motion JPEG on this machine.

    Each connection gets the next `lengths` pictures; when there are no more lengths the server answers nothing.
    """

    def __init__(self, *lengths: int, rate_hz: float = STREAM_RATE_HZ, sizes: tuple[tuple[int, int], ...] = ()) -> None:
        self.lengths, self.rate_hz, self.sizes = list(lengths), rate_hz, list(sizes)
        self.sent_s: list[float] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.answer(self)

            def log_message(self, *_: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.server.server_port}/picture.mjpg"
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02})

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        if not self.lengths:
            request.send_error(503)
            return
        length = self.lengths.pop(0)
        width, height = self.sizes.pop(0) if self.sizes else (WIDTH, HEIGHT)
        request.send_response(200)
        request.send_header("Content-Type", "multipart/x-mixed-replace; boundary=picture")
        request.end_headers()
        begin = time.monotonic()
        try:
            for index in range(length):
                (level,) = patterns(index, [(height, width)], 8)
                data = cv2.imencode(".jpg", level, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
                time.sleep(max(0.0, begin + index / self.rate_hz - time.monotonic()))
                self.sent_s.append(time.monotonic())
                head = f"--picture\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}\r\n\r\n"
                request.wfile.write(head.encode() + data + b"\r\n")
                request.wfile.flush()
        except (BrokenPipeError, ConnectionResetError):
            pass

    def __enter__(self) -> StreamServer:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@contextmanager
def source_of(kind: str, write_clip: Writer, folder: Path) -> Iterator[FrameSource]:
    """A source of `FRAMES` pictures, open."""
    if kind == STREAM:
        with StreamServer(FRAMES) as server, open_camera(server.address, give_up_s=GIVE_UP_S) as camera:
            yield camera
        return
    with open_clip(file_of(kind, write_clip, folder)) as clip:
        yield clip


_written: dict[str, bytes] = {}


def file_of(kind: str, write_clip: Writer, folder: Path) -> Path:
    """A file of its own for each test, but each kind is coded once."""
    wanted = dict(FILES[kind])
    turned, name = wanted.pop("turned", False), wanted.pop("name")
    if kind not in _written:
        path = write_clip(name, frames=FRAMES, **wanted)
        if turned:
            turn_clockwise(path)
        _written[kind] = path.read_bytes()
    copy = folder / f"copy-{name}"
    copy.write_bytes(_written[kind])
    return copy


def turn_clockwise(path: Path) -> None:
    """Ask for a quarter turn in the track header (ISO/IEC 14496-12; value from memory)."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40
    data[at : at + 20] = b"".join(value.to_bytes(4, "big", signed=True) for value in (0, 1 << 16, 0, -1 << 16, 0))
    path.write_bytes(data)


@pytest.fixture(params=KINDS)
def source(request: pytest.FixtureRequest, write_clip: Writer, tmp_path: Path) -> Iterator[FrameSource]:
    with source_of(request.param, write_clip, tmp_path) as opened:
        yield opened


def level_of(frame: Frame, bit_depth: int) -> float:
    return float(np.mean(frame.luma)) / 2 ** (bit_depth - 8)


class TestContract:
    """One suite for all; nothing here knows what kind of source it has."""

    def test_it_is_a_frame_source(self, source: FrameSource) -> None:
        assert isinstance(source, FrameSource)

    def test_facts_are_there_before_the_first_frame(self, source: FrameSource) -> None:
        facts = source.facts
        assert facts.name
        assert facts.decoder
        assert {facts.width, facts.height} == {WIDTH, HEIGHT}
        assert facts.bit_depth in (8, 10)
        assert facts.full_scale == 2**facts.bit_depth - 1
        assert facts.rotation_deg in (0, 90, 180, 270)
        assert facts.sweep in ("down", "up", "left", "right", "sideways")
        assert facts.stamps in ("container", "counted", "driver", "arrival")
        assert facts.stamp_s >= 0
        assert facts.capture_rate_hz is None
        assert source.tally().frames == 0

    def test_every_frame_comes_once_in_order(self, source: FrameSource) -> None:
        frames = list(source)
        assert [frame.index for frame in frames] == list(range(FRAMES))
        for frame in frames:
            expected = brightness(frame.index, 8)
            assert level_of(frame, source.facts.bit_depth) == pytest.approx(expected, abs=CODING_LEVELS)

    def test_times_begin_at_zero_and_grow_at_the_rate(self, source: FrameSource) -> None:
        times_s = np.array([frame.time_s for frame in source])
        assert times_s[0] == 0
        assert np.all(np.diff(times_s) > 0)
        off = times_s - np.arange(FRAMES) / 30
        if source.facts.stamps == "arrival":
            assert np.percentile(np.abs(off - np.median(off)), 80) < ARRIVAL_S
        else:
            np.testing.assert_allclose(off, 0, atol=source.facts.stamp_s / 2 + 1e-12)

    def test_planes_fit_the_facts(self, source: FrameSource) -> None:
        facts = source.facts
        for frame in source:
            assert frame.luma.shape == (facts.height, facts.width)
            assert frame.luma.dtype == (np.uint8 if facts.bit_depth == 8 else np.uint16)
            assert frame.luma.max() <= facts.full_scale
            assert (frame.cb is None) == (frame.cr is None)
            for plane in (frame.luma, frame.cb, frame.cr):
                if plane is None:
                    continue
                assert plane.ndim == 2
                assert not plane.flags.writeable
                assert facts.height // 2 <= plane.shape[0] <= facts.height
                assert facts.width // 2 <= plane.shape[1] <= facts.width

    def test_the_end_is_the_end_of_iteration(self, source: FrameSource) -> None:
        assert iter(source) is source
        assert len(list(source)) == FRAMES
        assert list(source) == []
        with pytest.raises(StopIteration):
            next(source)

    def test_counts(self, source: FrameSource) -> None:
        for frame in source:
            assert source.tally().frames == frame.index + 1
        tally = source.tally()
        assert (tally.frames, tally.corrupt, tally.unstamped) == (FRAMES, 0, 0)
        assert tally.repeated_or_backward == 0
        assert tally.observed_rate_hz == pytest.approx(30, rel=0.2 if source.facts.stamps == "arrival" else 1e-3)
        assert tally.duration_s == pytest.approx(FRAMES / 30, rel=0.1)
        if source.facts.stamps != "arrival":
            assert tally.dropped == 0

    def test_closing(self, source: FrameSource) -> None:
        held = [next(source), next(source)]
        copies = [frame.luma.copy() for frame in held]
        source.close()
        source.close()
        with pytest.raises(UsageError, match="has been closed"):
            next(source)
        gc.collect()
        for frame, copy in zip(held, copies, strict=True):
            np.testing.assert_array_equal(frame.luma, copy)
        assert source.tally().frames == 2

    @pytest.mark.parametrize("kind", KINDS)
    def test_an_error_in_the_block_closes_it_and_comes_through(
        self, kind: str, write_clip: Writer, tmp_path: Path
    ) -> None:
        opened: list[FrameSource] = []

        def fail() -> None:
            with source_of(kind, write_clip, tmp_path) as one:
                opened.append(one)
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            fail()
        with pytest.raises(UsageError, match="has been closed"):
            next(opened[0])
        assert "strobe camera" not in {thread.name for thread in threading.enumerate()}

    def test_nothing_of_a_foreign_library_leaves(self, source: FrameSource) -> None:
        frame = next(source)
        for record in (source.facts, source.tally(), frame):
            for field in dataclasses.fields(record):
                assert type(getattr(record, field.name)).__module__ in ("builtins", "numpy"), field.name

    def test_its_times_make_a_time_base(self, source: FrameSource) -> None:
        times_s = np.array([frame.time_s for frame in source])
        base = fit_time_base(times_s, grid_s=source.facts.stamp_s if source.facts.stamps == "container" else 0.0)
        allowed = max(3e-6, 4 * base.interval_uncertainty)
        if source.facts.stamps == "arrival":
            # Pictures come late in bursts on a busy machine, which a line through them follows by their range at most.
            allowed = max(allowed, float(np.ptp(times_s[base.used] - base.time_s)) / base.duration_s)
        assert base.interval_s * 30 == pytest.approx(1, abs=allowed)


class TestCamera:
    def test_its_facts_and_pictures(self) -> None:
        with StreamServer(FRAMES) as server, open_camera(server.address, give_up_s=GIVE_UP_S) as camera:
            assert isinstance(camera.facts, CameraFacts)
            assert camera.facts.name == server.address
            assert camera.facts.duration_s is None
            assert camera.facts.stamps == "arrival"
            assert camera.facts.settings == ()
            assert camera.facts.decoder.startswith("OpenCV")
            frame = next(camera)
        (level,) = patterns(0, [(HEIGHT, WIDTH)], 8)
        np.testing.assert_allclose(frame.luma, level, atol=6)
        assert frame.cb is not None
        assert abs(float(frame.cb.mean()) - 128) < 1.5

    def test_turned_and_flipped(self) -> None:
        with (
            StreamServer(FRAMES) as server,
            open_camera(server.address, rotation_deg=90, flipped=True, give_up_s=GIVE_UP_S) as camera,
        ):
            facts, frame = camera.facts, next(camera)
        (level,) = patterns(0, [(HEIGHT, WIDTH)], 8)
        assert (facts.width, facts.height) == (HEIGHT, WIDTH)
        assert facts.sweep == "right"
        # Clockwise by a quarter, then left to right: the transpose.
        np.testing.assert_allclose(frame.luma, np.rot90(level, -1)[:, ::-1], atol=6)

    def test_a_lost_stream_is_opened_again(self) -> None:
        told: list[SourceEvent] = []
        with (
            StreamServer(12, 15) as server,
            open_camera(server.address, give_up_s=1.5, on_event=told.append) as camera,
        ):
            frames = list(camera)
            events = camera.events()
        assert [frame.index for frame in frames] == list(range(27))
        assert [round((level_of(frame, 8) - 40) / 5) for frame in frames] == [*range(12), *range(15)]
        assert np.all(np.diff([frame.time_s for frame in frames]) > 0)
        kinds = [event.kind for event in events]
        assert kinds[:2] == ["lost", "back"]
        assert kinds[2] == "lost"
        assert kinds[-1] == "given-up"
        assert set(kinds[3:-1]) == {"retry"}
        assert told == list(events)
        away = [event.time_s for event in events[2:]]
        waits = np.diff(away)
        assert waits[1] > waits[0], "each wait is longer than the one before"
        assert 1.4 < away[-1] - away[0] < 4

    def test_a_stream_that_comes_back_with_another_size(self) -> None:
        with (
            StreamServer(8, 8, sizes=((WIDTH, HEIGHT), (64, 48))) as server,
            open_camera(server.address, give_up_s=GIVE_UP_S * 4) as camera,
        ):
            shapes = [frame.luma.shape for frame in camera]
            events = {event.kind: event.message for event in camera.events()}
            facts = camera.facts
        assert shapes[:8] == [(HEIGHT, WIDTH)] * 8
        assert set(shapes[8:]) == {(48, 64)}
        assert len(shapes) > 12, "the first few might be a fault of single pictures"
        assert (facts.width, facts.height) == (64, 48)
        assert events["resized"].endswith("changes its picture from 102 x 58 to 64 x 48.")

    def test_a_slow_reader_loses_the_oldest_and_is_told(self) -> None:
        with (
            StreamServer(60, rate_hz=120.0) as server,
            open_camera(server.address, give_up_s=GIVE_UP_S) as camera,
        ):
            first = next(camera)
            time.sleep(0.8)
            rest = list(camera)
            kinds = [event.kind for event in camera.events()]
        assert first.index == 0
        assert len(rest) <= 10
        assert kinds.count("overrun") == 1
        # The times are those of arrival, not of taking off; a busy machine lets some arrive together.
        assert np.mean(np.diff([frame.time_s for frame in rest])) == pytest.approx(1 / 120, abs=0.004)

    def test_nobody_there(self) -> None:
        with StreamServer() as server, pytest.raises(ClipUnreadable, match="cannot be opened"):
            open_camera(server.address)

    def test_a_page_that_is_no_stream(self) -> None:
        with (
            StreamServer(0) as server,
            pytest.raises(ClipUnreadable, match=r"cannot be opened|gives no picture"),
        ):
            open_camera(server.address)

    def test_a_secret_in_the_address_is_not_told(self) -> None:
        with StreamServer(FRAMES) as server:
            address = server.address.replace("http://", "http://owner:secret@")
            with open_camera(address, give_up_s=GIVE_UP_S) as camera:
                assert camera.facts.name == server.address
        with pytest.raises(ClipUnreadable) as error:
            open_camera(address)
        assert "secret" not in str(error.value)

    @pytest.mark.parametrize(
        ("address", "options", "words"),
        [
            ("clip.mp4", {}, "names no camera"),
            ("file:///etc/hostname", {}, "names no camera"),
            (-1, {}, "names no camera"),
            (0, {"rotation_deg": 45}, "rotation is 45"),
            ("http://127.0.0.1:9/x", {"rate_hz": 30}, "can't be asked for its frame rate"),
            ("rtsp://127.0.0.1:9/x", {"size": (640, 480), "exposure": -6}, "can't be asked for its width, height, exp"),
        ],
    )
    def test_what_makes_no_sense(self, address: int | str, options: dict[str, Any], words: str) -> None:
        with pytest.raises(UsageError, match=words):
            open_camera(address, **options)

    def test_a_camera_that_is_not_there(self, capfd: pytest.CaptureFixture[str]) -> None:
        for address in ("97", "/dev/video97", "http://127.0.0.1:9/dots"):
            with pytest.raises(ClipUnreadable, match=f"{address} cannot be opened: no such camera"):
                open_camera(address)
        # Who opens it says so; the libraries below would write into the middle of a screen.
        assert capfd.readouterr().err == ""


class LocalCamera:
    """Stands in for a camera on this machine, which takes some wishes and not others."""

    rate_hz = 100.0

    def __init__(self, number: int) -> None:
        self.number, self.taken = number, 0
        self.settings = {cv2.CAP_PROP_FPS: 30.0, cv2.CAP_PROP_FRAME_WIDTH: 64.0, cv2.CAP_PROP_FRAME_HEIGHT: 48.0}

    def isOpened(self) -> bool:
        return True

    def getBackendName(self) -> str:
        return "STANDIN"

    def set(self, key: int, value: float) -> bool:
        if key == cv2.CAP_PROP_FPS:
            self.settings[key] = value
        return key == cv2.CAP_PROP_FPS

    def get(self, key: int) -> float:
        if key == cv2.CAP_PROP_POS_MSEC:
            return 5000 + 1000 * self.taken / self.rate_hz
        return self.settings.get(key, 0.0)

    def read(self) -> tuple[bool, Any]:
        time.sleep(0.002)
        self.taken += 1
        return self.taken <= 30, np.full((48, 64), self.taken, np.uint8)

    def release(self) -> None:
        pass


class TestLocalCamera:
    def test_what_was_asked_for_and_what_it_got(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cv2, "VideoCapture", LocalCamera)
        with open_camera(3, rate_hz=60, size=(1280, 720), exposure=-6, give_up_s=0.0) as camera:
            settings = {one.name: one for one in camera.facts.settings}
        assert (settings["frame rate"].wanted, settings["frame rate"].got, settings["frame rate"].kept) == (
            60,
            60,
            True,
        )
        assert (settings["width"].got, settings["width"].kept) == (64, False)
        assert (settings["exposure"].got, settings["exposure"].kept) == (None, False)

    def test_times_are_the_drivers_own_where_it_gives_them(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cv2, "VideoCapture", LocalCamera)
        with open_camera("/dev/video3", give_up_s=0.0) as camera:
            assert camera.facts.stamps == "driver"
            frames = [next(camera) for _ in range(5)]
        taken = [int(frame.luma[0, 0]) for frame in frames]
        assert taken == [1, 2, 3, 4, 5]
        np.testing.assert_allclose([frame.time_s for frame in frames], np.arange(5) / 100, atol=1e-9)
        assert all(frame.cb is None for frame in frames)


class SleepyCamera(LocalCamera):
    """Takes a second to give its first picture."""

    def read(self) -> tuple[bool, Any]:
        if self.taken == 0:
            time.sleep(1.0)
        return super().read()


class BrokenCamera(LocalCamera):
    """Its driver breaks down after five pictures."""

    def read(self) -> tuple[bool, Any]:
        if self.taken >= 5:
            raise cv2.error("the driver broke down")
        return super().read()


class TestWhatGoesWrongInTheThread:
    def test_events_count_from_the_first_picture_on(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Thirty pictures, 2 ms apart, and then none: lost in less than the second that the first one took."""
        monkeypatch.setattr(cv2, "VideoCapture", SleepyCamera)
        with open_camera(3, give_up_s=0.0) as camera:
            while not camera.events():
                next(camera)
            lost = camera.events()[0]
        assert lost.kind == "lost"
        assert 30 * 0.002 <= lost.time_s < 1.0

    def test_a_driver_that_breaks_down_ends_the_frames_with_its_own_error(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(cv2, "VideoCapture", BrokenCamera)
        with open_camera(3, give_up_s=0.0) as camera:
            assert len([next(camera) for _ in range(5)]) == 5
            with pytest.raises(cv2.error, match="broke down"):
                next(camera)
            assert list(camera) == []

    def test_so_does_a_listener_that_fails(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def unheard(event: SourceEvent) -> None:
            raise BrokenPipeError(event.kind)

        monkeypatch.setattr(cv2, "VideoCapture", LocalCamera)
        with open_camera(3, give_up_s=0.0, on_event=unheard) as camera, pytest.raises(BrokenPipeError, match="lost"):
            list(camera)


def test_arrival_times_with_jitter_still_give_the_cadence() -> None:
    """Pictures that arrive late by chance, as over a network: the cadence within its stated uncertainty."""
    rng = np.random.default_rng(4)
    true_s = np.arange(900) / 29.97
    base = fit_time_base(true_s + rng.exponential(0.002, true_s.size))
    assert abs(base.interval_s * 29.97 - 1) < 3 * base.interval_uncertainty < 60e-6


def test_frames_of_a_file_with_a_coarse_grid(write_clip: Writer) -> None:
    """The contract holds for the stamps as stored, and the time base puts the cadence under them."""
    stamps = [round(1001 * index / 30) for index in range(90)]
    path = write_clip(
        "a.mkv", frames=90, codec="mjpeg", pixel_format="yuvj420p", stamps=stamps, time_base=Fraction(1, 1000)
    )
    with open_clip(path) as clip:
        times_s = np.array([frame.time_s for frame in clip])
        base = fit_time_base(times_s, grid_s=clip.facts.stamp_s)
    assert base.kind == "cadence"
    assert base.interval_s * 30 / 1.001 == pytest.approx(1, abs=2 * base.interval_uncertainty)
