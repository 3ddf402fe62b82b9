"""The live readout over a true connection: Motion JPEG from a server on this machine, with faults put in.

In real time, so that a busy machine holds the pictures up; what must hold to the last digit is tested in time made up
(`test_live_arrivals`). One short run belongs to the fast tests, the others are slow.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np
import pytest
from live_scenes import rendered, turned_scene

from strobe.capture import open_camera, open_clip
from strobe.live import LiveOptions, LiveOutcome, LiveRun, LiveUpdate
from strobe.render import Camera

FAST_PERCENT = 0.8
RATE_HZ = 30.0
SETTLED_PERCENT = 0.2
"""A stream that is sent and read on one busy machine: its times scatter by far more than a sensor's."""
GIVE_UP_S = 6.0


@dataclass(frozen=True)
class Fault:
    """What happens before picture `at`: ``stall`` (for `size` seconds), ``cut``, ``garbage``, or ``resize``."""

    at: int
    kind: str
    size: float = 0.0


class DotServer:
    """Sends the pictures of a clip as a telephone would, each connection going on where the clock is."""

    def __init__(self, pictures: list[bytes], *faults: Fault, jitter_s: float = 0.0, answers: int = 9) -> None:
        self.pictures, self.faults, self.jitter_s, self.answers = pictures, list(faults), jitter_s, answers
        self.begin_s: float | None = None
        self.over = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.answer(self)

            def log_message(self, *_: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self.server.server_port}/dots.mjpg"
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02})

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        self.answers -= 1
        if self.answers < 0:
            request.send_error(503)
            return
        request.send_response(200)
        request.send_header("Content-Type", "multipart/x-mixed-replace; boundary=picture")
        request.end_headers()
        begin = self.begin_s = self.begin_s or time.monotonic()
        rng = np.random.default_rng(3)
        # Whoever connects again meets the clip where it is by now.
        for index in range(int((time.monotonic() - begin) * RATE_HZ) + 1, len(self.pictures)):
            due = begin + index / RATE_HZ + abs(rng.normal(0, self.jitter_s))
            if self.over.wait(max(0.0, due - time.monotonic())):
                return
            data = self.pictures[index]
            fault = next((one for one in self.faults if one.at == index), None)
            if fault is not None:
                self.faults.remove(fault)
                if fault.kind == "cut":
                    return
                if fault.kind == "stall":
                    self.over.wait(fault.size)
                    return
                data = b"\xff\xd8" + bytes(rng.integers(0, 255, 4000, np.uint8))
                if fault.kind == "resize":
                    data = cv2.imencode(".jpg", np.full((90, 160), 90, np.uint8))[1].tobytes()
            head = f"--picture\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}\r\n\r\n"
            try:
                request.wfile.write(head.encode() + data + b"\r\n")
                request.wfile.flush()
            except OSError:
                return

    def __enter__(self) -> Self:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture(scope="module")
def few_pictures(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    return coded_pictures(tmp_path_factory.mktemp("f") / "a.mp4", seconds=13)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    return coded_pictures(tmp_path_factory.mktemp("s") / "a.mp4", seconds=20)


def coded_pictures(path: Path, *, seconds: float) -> list[bytes]:
    camera = Camera(width=480, height=270, frame_rate_hz=RATE_HZ, exposure_s=0.012)
    rendered(turned_scene((0.0, FAST_PERCENT), seconds=seconds, camera=camera), path)
    with open_clip(path) as clip:
        return [cv2.imencode(".jpg", one.luma, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes() for one in clip]


def watched(server: DotServer, *, for_s: float | None = None) -> tuple[list[LiveUpdate], LiveOutcome, list[str]]:
    events: list[str] = []
    with server:
        camera = open_camera(
            server.address, give_up_s=GIVE_UP_S if for_s else 1.0, on_event=lambda one: events.append(one.kind)
        )
        with LiveRun(camera, LiveOptions(nominal_rpm=100 / 3, mains_hz=50), for_s=for_s) as run:
            updates = list(run)
            return updates, run.outcome(), events


def check_figures(updates: list[LiveUpdate]) -> None:
    for update in updates:
        if update.deviation_percent is not None:
            assert update.uncertainty_percent is not None
            assert abs(update.deviation_percent - FAST_PERCENT) < update.uncertainty_percent + 0.02
            assert update.latency_s < 2


def test_a_short_run_with_a_cut(few_pictures: list[bytes]) -> None:
    """The whole way through sockets, threads and decoder; figures as rough as a busy machine may make them."""
    updates, outcome, events = watched(DotServer(few_pictures, Fault(210, "cut"), jitter_s=0.005), for_s=11)
    assert events[:2] == ["lost", "back"]
    assert outcome.ended == "time"
    assert outcome.frames > 60
    assert any(one.deviation_percent is not None for one in updates)
    for update in updates:
        if update.deviation_percent is not None:
            assert update.uncertainty_percent is not None
            assert abs(update.deviation_percent - FAST_PERCENT) < update.uncertainty_percent + SETTLED_PERCENT
        else:
            assert update.state != "steady"


@pytest.mark.slow
def test_a_stream_whose_pictures_come_with_jitter(pictures: list[bytes]) -> None:
    updates, outcome, events = watched(DotServer(pictures, jitter_s=0.005), for_s=14)
    check_figures(updates)
    assert updates[-1].state == "steady"
    assert updates[-1].deviation_percent == pytest.approx(FAST_PERCENT, abs=SETTLED_PERCENT)
    assert updates[-1].reference == "camera"
    assert outcome.ended == "time"
    assert outcome.measurement is not None
    assert outcome.measurement.speed.deviation_percent == pytest.approx(FAST_PERCENT, abs=SETTLED_PERCENT)
    assert "lost" not in events


@pytest.mark.slow
def test_a_stall_is_no_current_figure(pictures: list[bytes]) -> None:
    updates, _, events = watched(DotServer(pictures, Fault(200, "stall", 1.5)), for_s=17)
    check_figures(updates)
    lost = [one for one in updates if one.state == "lost"]
    assert lost
    assert all("No pictures" in one.message for one in lost[:2])
    assert "back" in events
    assert updates[-1].deviation_percent is not None


@pytest.mark.slow
def test_a_cut_stream_is_found_again(pictures: list[bytes]) -> None:
    updates, outcome, events = watched(DotServer(pictures, Fault(180, "cut")), for_s=16)
    check_figures(updates)
    assert events[:2] == ["lost", "back"]
    assert updates[-1].deviation_percent is not None
    assert outcome.measurement is not None


@pytest.mark.slow
def test_garbage_between_the_pictures(pictures: list[bytes]) -> None:
    faults = [Fault(at, "garbage") for at in (120, 121, 170, 230)]
    updates, _, _ = watched(DotServer(pictures, *faults), for_s=15)
    check_figures(updates)
    assert updates[-1].deviation_percent is not None


@pytest.mark.slow
def test_a_picture_of_another_size_between_the_others(pictures: list[bytes]) -> None:
    """The run lives on; a stream that keeps another size is ended by the camera, which has a test of its own."""
    updates, outcome, _ = watched(DotServer(pictures, Fault(300, "resize")), for_s=17)
    check_figures(updates)
    assert updates[-1].deviation_percent is not None
    assert outcome.measurement is not None


@pytest.mark.slow
def test_a_camera_that_is_pulled_out(pictures: list[bytes]) -> None:
    updates, outcome, events = watched(DotServer(pictures[:420], answers=1))
    check_figures(updates)
    assert events[-1] == "given-up"
    assert updates[-1].state == "lost"
    assert updates[-1].deviation_percent is None
    assert outcome.measurement is not None
    assert outcome.measurement.speed.deviation_percent == pytest.approx(FAST_PERCENT, abs=SETTLED_PERCENT)


@pytest.mark.slow
def test_stopped_by_hand(pictures: list[bytes]) -> None:
    with DotServer(pictures) as server, LiveRun(open_camera(server.address), LiveOptions()) as run:
        threading.Timer(1.0, run.stop).start()
        begin = time.monotonic()
        list(run)
        assert time.monotonic() - begin < 3
        assert run.outcome().ended == "stopped"
    assert "strobe frames" not in {thread.name for thread in threading.enumerate()}


@pytest.mark.slow
def test_a_clip_that_is_played_faster_than_it_can_be_read_is_skipped_through(
    tmp_path: Path, pictures: list[bytes]
) -> None:
    """What is left out is counted, and the times stay right."""
    camera = Camera(width=480, height=270, exposure_s=0.012)
    path = rendered(turned_scene((0.0, FAST_PERCENT), seconds=12, camera=camera), tmp_path / "a.mp4")
    with LiveRun(open_clip(path), LiveOptions(), pace=40) as run:
        updates = list(run)
        outcome = run.outcome()
    assert outcome.skipped > 0
    assert outcome.frames + outcome.skipped == 360
    for update in updates:
        if update.deviation_percent is not None:
            assert update.uncertainty_percent is not None
            assert abs(update.deviation_percent - FAST_PERCENT) < update.uncertainty_percent + 0.02
