"""A picture that zooms or leaps away from its dots: what lies before that is measured, and said so."""

from __future__ import annotations

import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scenarios import SCENARIOS

import strobe
from strobe.errors import Refused
from strobe.pattern.camera import CameraCourse
from strobe.pattern.leaving import dots_leave
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Zoom, render_clip, truth_of

SCENE = Scene(
    rows=(DotRow(180),),
    speed=Speed(100 / 3, 0.4),
    lamp=Lamp("half-sine", 100.03, ambient=0.1),
    camera=Camera(width=640, height=360, exposure_s=0.002),
    coding=Coding(bit_rate=3_000_000),
    seconds=9.0,
)
TIME_S = np.arange(300) / 30


def filmed(folder: Path, zoom: Zoom) -> Path:
    clip = folder / "zoomed.mp4"
    render_clip(replace(SCENE, events=(zoom,)), clip, rng=np.random.default_rng(4))
    return clip


@pytest.mark.parametrize("factor", [1.06, 1.4])
def test_what_lies_before_a_zoom_is_measured(tmp_path: Path, factor: float) -> None:
    found = strobe.measure(filmed(tmp_path, Zoom(6.0, 0.6, factor)), rpm=33, dots=180, mains=50)
    truth = truth_of(SCENE)
    assert abs(found.speed.deviation_percent - truth.deviation_percent) < found.speed.uncertainty_percent
    leaps = "picture-leaps" in {note.code for note in found.notes}
    assert leaps or factor < 1.1, "a small zoom leaves the dots in sight"


def test_what_is_left_may_be_too_short_to_tell_the_lines_apart(tmp_path: Path) -> None:
    """Before the zoom the lamp's swing makes 0.9 cycles, which told the wrong line, 0.12 % off, when it had a vote.

    The scene is the one of the scenario study in which that was seen.
    """
    case = SCENARIOS["zoom"](np.random.default_rng([271, zlib.crc32(b"zoom"), 0]))
    render_clip(replace(case.scene, seconds=7.5), tmp_path / "slow.mp4", rng=np.random.default_rng(4))
    found = strobe.measure(tmp_path / "slow.mp4", **case.told)
    assert "picture-leaps" in {note.code for note in found.notes}
    truth = case.scene.speed.deviation_percent
    assert abs(found.speed.deviation_percent - truth) < found.speed.uncertainty_percent


def test_too_little_before_a_zoom_is_refused_for_what_it_is(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="zooms or leaps") as refused:
        strobe.measure(filmed(tmp_path, Zoom(1.5, 0.5, 1.4)), rpm=33, dots=180, mains=50)
    assert refused.value.code == "too-short"
    assert "Set the picture first" in refused.value.advice


def course(shift_px: NDArray[np.float64]) -> CameraCourse:
    both = np.stack([shift_px, 0.5 * shift_px], axis=1)
    frames = shift_px.size
    nothing = np.zeros((frames, 0))
    return CameraCourse(both, np.zeros((frames, 4)), nothing, np.zeros((frames, 2), int), 0.03, True, (180.0, 320.0))


def dots(size: NDArray[np.float64]) -> NDArray[np.complex64]:
    turning = np.exp(2j * np.pi * 0.3 * TIME_S)
    return np.asarray((size * turning)[:, None] * np.ones((1, 4)), np.complex64)


def after(at_s: float) -> NDArray[np.float64]:
    return np.clip((TIME_S - at_s) / 0.5, 0, 1)


def swaying() -> NDArray[np.float64]:
    return 5 * np.sin(2 * np.pi * 0.7 * TIME_S)


def test_the_end_lies_where_the_picture_begins_to_leave() -> None:
    end = dots_leave(TIME_S, dots(1 - 0.99 * after(6.1)), course(12 * after(6.0)))
    assert end is not None
    assert 5.8 < TIME_S[end] <= 6.05


@pytest.mark.parametrize(
    ("size", "shift_px"),
    [
        pytest.param(
            np.abs(np.cos(np.pi * TIME_S / 8)), np.zeros(300), id="a lamp that fades, before a camera at rest"
        ),
        pytest.param(1 - after(6.0), np.zeros(300), id="a lamp switched off"),
        pytest.param(1 - after(4.0) + after(8.0), 12 * (after(4.0) - after(8.0)), id="a hand that goes again"),
        pytest.param(np.ones(300), 12 * after(6.0), id="a knock that leaves the dots in sight"),
        pytest.param(1 - after(6.0), swaying(), id="a lamp switched off before a hand that sways"),
    ],
)
def test_other_ways_of_vanishing_end_nothing(size: NDArray[np.float64], shift_px: NDArray[np.float64]) -> None:
    assert dots_leave(TIME_S, dots(size), course(shift_px)) is None


def test_a_camera_that_rests_leaves_nothing() -> None:
    still = replace(course(12 * after(6.0)), moved=False)
    assert dots_leave(TIME_S, dots(1 - after(6.0)), still) is None
