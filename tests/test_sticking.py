"""What a video coder swallows of dots that stand almost still, and that it is allowed for in the figures."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from strobe.figures import evaluate
from strobe.figures.bands import nothing_averaged
from strobe.measuring.budget import components_with_budget, fluctuation_with_budget
from strobe.measuring.mixing import Mixing
from strobe.measuring.sticking import SWALLOWED_PX, swallowed_dots
from strobe.pattern import RowSeries
from strobe.pattern.finding import FoundRow
from strobe.pattern.reading import learn_row

FRAMES, RATE_HZ, PITCH_PX = 300, 30.0, 22.2
TIME_S = np.arange(FRAMES) / RATE_HZ
CREEP_DOTS = 1.2 / 60 / RATE_HZ
WOBBLE_HZ, WOBBLE_DOTS = 3.46, 0.006
TURN_HZ, TURN_DOTS = 0.556, 0.009

Array = NDArray[np.float64]
Planes = list[NDArray[np.uint8]]


def passed(per_frame: float) -> Array:
    """Dots that have passed, with two wobbles."""
    wobble = WOBBLE_DOTS * np.sin(2 * np.pi * WOBBLE_HZ * TIME_S + 1)
    return per_frame * np.arange(FRAMES) + wobble + TURN_DOTS * np.sin(2 * np.pi * TURN_HZ * TIME_S + 0.3)


def pictures(per_frame: float) -> Iterator[NDArray[np.uint8]]:
    """A level row of dots, 640 x 96, with a little noise."""
    rng = np.random.default_rng(0)
    x, y = np.arange(640.0), np.arange(96.0)
    height = np.exp(-(((y - 47.3) / 6) ** 4))
    scenery = 25 + 12 * np.outer(np.sin(y / 7.1), np.cos(x / 31.7))
    for now in passed(per_frame):
        wave = np.tanh(3 * np.cos(2 * np.pi * (x / PITCH_PX + now)))
        picture = scenery + 90 * np.outer(height, (1 + wave) / 2) + rng.normal(0, 2.0, (96, 640))
        yield np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def coded(planes: Iterator[NDArray[np.uint8]], quantiser: int) -> Planes:
    """The pictures after H.264 with one whole picture a second."""
    import av

    buffer = io.BytesIO()
    options = {"qp": str(quantiser), "preset": "medium", "x264-params": "keyint=30:bframes=0:threads=1"}
    with av.open(buffer, "w", format="mp4") as output:
        stream = output.add_stream("libx264", rate=30, options=options)
        stream.width, stream.height, stream.pix_fmt = 640, 96, "yuv420p"
        for plane in planes:
            frame = av.VideoFrame.from_ndarray(np.vstack([plane, np.full_like(plane[:48], 128)]), format="yuv420p")
            output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    buffer.seek(0)
    with av.open(buffer, "r") as clip:
        return [np.array(frame.to_ndarray()[:96], dtype=np.uint8) for frame in clip.decode(video=0)]


@cache
def row(per_frame: float, quantiser: int) -> RowSeries:
    """The row as it is read from coded pictures."""
    planes = coded(pictures(per_frame), quantiser)
    places = np.arange(40.0, 640, 80)
    even = np.ones_like(places)
    reader = learn_row(planes[:24], FoundRow(places, 47.3 * even, PITCH_PX * even, 36 * even, 1.0))
    assert reader is not None
    return RowSeries(
        height=0.5,
        sweep_place=0.5,
        slope=0.0,
        pitch_px=PITCH_PX,
        mean_pitch_px=PITCH_PX,
        dots_in_view=640 / PITCH_PX,
        crowding=None,
        contrast=reader.contrast,
        amplitude=reader.amplitude,
        blocks=np.array([reader.read(plane) for plane in planes]),
    )


def amplitudes(one: RowSeries) -> Array:
    """Amplitude in dots of the two wobbles, the faster first."""
    dots = np.unwrap(np.angle(one.blocks.astype(np.complex128).sum(axis=1))) / (2 * np.pi)
    u = np.linspace(-1, 1, FRAMES)
    waves = [wave(2 * np.pi * hz * TIME_S) for hz in (WOBBLE_HZ, TURN_HZ) for wave in (np.cos, np.sin)]
    found = np.linalg.lstsq(np.stack([np.ones_like(u), u, u**2, *waves], axis=1), dots, rcond=None)[0]
    return np.asarray(np.hypot(found[[3, 5]], found[[4, 6]]))


@pytest.mark.parametrize("beside", [0.0, 1 / 3])
@pytest.mark.parametrize("quantiser", [22, 28])
def test_what_is_lost_lies_inside(beside: float, quantiser: int) -> None:
    # The dots stand still from one picture to the next, or to the third after it.
    one = row(4 + beside + CREEP_DOTS, quantiser)
    lost = np.array([WOBBLE_DOTS, TURN_DOTS]) - amplitudes(one)
    assert np.all(np.abs(lost) < swallowed_dots(one, 0.0))


def test_copied_parts_lose_much_and_it_is_seen() -> None:
    one = row(4 + CREEP_DOTS, 28)
    assert WOBBLE_DOTS - amplitudes(one)[0] > 5 * SWALLOWED_PX / PITCH_PX
    assert swallowed_dots(one, 0.0) > 5 * SWALLOWED_PX / PITCH_PX


def test_pictures_that_met_no_flash_hide_no_creeping_and_copy_nothing() -> None:
    """Two of three are black, as a short shutter leaves them: the dots creep by what they creep in the others."""
    moving = row(4 + 1 / 30, 28)
    shown = replace(moving, blocks=row(4 + CREEP_DOTS, 22).blocks)
    lit = (np.arange(FRAMES) % 3 == 0)[:, None]
    black = np.full_like(shown.blocks, 1e-9)
    assert (
        0 < swallowed_dots(replace(shown, blocks=np.where(lit, shown.blocks, black)), 0.0) <= swallowed_dots(shown, 0.0)
    )
    assert swallowed_dots(replace(moving, blocks=np.where(lit, moving.blocks, black)), 0.0) == 0


def test_dots_that_move_are_not_widened() -> None:
    # A thirtieth of a gap from picture to picture: 20 gaps a second, most of a pixel a picture.
    assert swallowed_dots(row(4 + 1 / 30, 28), 0.0) == 0


def test_the_bound_is_a_part_of_a_pixel() -> None:
    still = row(4 + CREEP_DOTS, 22)
    steady = replace(still, blocks=still.blocks * np.exp(1j * np.arange(FRAMES) * 1e-3)[:, None].astype(np.complex64))
    far = replace(steady, mean_pitch_px=PITCH_PX / 2)
    # Nothing is copied any more, so that only the part of a pixel is left: twice the share of dots half as wide.
    assert swallowed_dots(far, 0.0) == pytest.approx(2 * swallowed_dots(steady, 0.0), rel=1e-9)
    assert swallowed_dots(steady, 0.0) == pytest.approx(SWALLOWED_PX / PITCH_PX, rel=1e-9)


def test_noise_of_a_dim_picture_widens_it_where_the_dots_creep() -> None:
    still, moving = row(4 + CREEP_DOTS, 22), row(4 + 1 / 30, 28)
    steady = replace(still, blocks=still.blocks * np.exp(1j * np.arange(FRAMES) * 1e-3)[:, None].astype(np.complex64))
    assert swallowed_dots(steady, 0.002) == pytest.approx(0.003, rel=1e-9)
    assert swallowed_dots(steady, 1e-6) == swallowed_dots(steady, 0.0)
    assert swallowed_dots(moving, 0.002) == 0


def test_it_is_in_the_bounds_of_lines_and_figures() -> None:
    # A line of 0.05 % at 4 Hz, where the weighting is 1, on a ring of 180 dots at 33 1/3; no shake, ring or exposure.
    time = np.arange(600) / RATE_HZ
    turn_hz, dots, peak = 100 / 180, 180, 0.05
    angle = turn_hz * (time - peak / 100 * np.cos(2 * np.pi * 4 * time) / (2 * np.pi * 4))
    noise = np.random.default_rng(1).normal(0, 1e-7, time.size)
    figures = evaluate(
        time, angle + noise, nominal_rpm=60 * turn_hz, angle_noise_rev=1e-7, frame_interval_s=1 / RATE_HZ
    )
    base: Any = SimpleNamespace(time_s=time, interval_s=1 / RATE_HZ, duration_s=float(time[-1]), kind="exact")
    line: Any = SimpleNamespace(
        kind="camera", hidden=(), beside=(), removed_hz=(), dot_rate_hz=100.0, lit=np.ones(time.size, bool)
    )
    still = np.zeros_like(time)

    def widths(swallowed_dots: float) -> tuple[float, float, float]:
        shared: dict[str, Any] = {
            "left_dots": still,
            "dots": dots,
            "off_centre_percent": 0.0,
            "scale_share": 0.0,
            "swallowed_dots": swallowed_dots,
        }
        component = components_with_budget(figures, base, averaging=nothing_averaged, **shared)[0]
        fluctuation, budget = fluctuation_with_budget(figures, base, line=line, mixing=Mixing(0.0, 0.0), **shared)
        entries = [one.percent for one in budget if one.source == "dots almost still" and one.figure == "weighted_rms"]
        wow = next(part for part in fluctuation.parts if part.name == "wow" and part.split_by == "practice")
        return component.uncertainty_percent, sum(entries), wow.rms_uncertainty_percent

    swallowed = 2e-4
    lost = 100 * 2 * np.pi * 4 * swallowed / 100  # closed form: 2 pi f a over 100 dots a second, in percent
    own, none, narrow = widths(0.0)
    wide, rms, wow = widths(swallowed)
    assert none == 0
    assert wide == pytest.approx(np.hypot(own, lost), rel=1e-3)
    # The line larger by what was lost, and one of that size that is not seen.
    grown = np.sqrt((peak + lost) ** 2 / 2 + lost**2 / 2) - peak / np.sqrt(2)
    assert rms == pytest.approx(grown, rel=0.01)
    assert wow == pytest.approx(np.hypot(narrow, grown), rel=0.01)
