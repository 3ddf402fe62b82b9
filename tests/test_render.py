"""The renderer against closed forms: other tests take it for the truth, so nothing of it is trusted here."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from strobe.errors import UsageError
from strobe.practice import RenderRequest, scene_of
from strobe.render import (
    Camera,
    Coding,
    Delivery,
    DotRow,
    ExposureStep,
    Fall,
    Hand,
    Lamp,
    Light,
    Mark,
    Passing,
    Processing,
    Refocus,
    Runout,
    RunUp,
    Scene,
    Speed,
    SpeedStep,
    Stabiliser,
    Surface,
    Timing,
    Wobble,
    Zoom,
    frames,
    project,
    random_scene,
    render_clip,
    sample_scenes,
    stamps_s,
    truth_of,
)
from strobe.render.timing import schedule

SAMPLES = Path(__file__).parent.parent / "sample_clips"
THIRD = 100 / 3
RADIUS_MM = 155.0
PLAIN_ROW = DotRow(180, z_mm=-12.0, height_mm=6.0, uneven_place=0, uneven_brightness=0, dust_specks=0)
CAMERA = Camera(width=322, height=182, noise=0.0, blur_px=0.0, brightness=0.3, elevation_deg=0.0, hfov_deg=24)
STEADY = Lamp("steady", ambient=0.0)


def a_scene(**changes) -> Scene:
    basis = Scene(rows=(PLAIN_ROW,), speed=Speed(THIRD), lamp=STEADY, camera=CAMERA, seconds=0.5, radius_mm=RADIUS_MM)
    return replace(basis, **changes)


def linear(luma: np.ndarray) -> np.ndarray:
    """Linear light from luma in video range, by the documented power law."""
    return np.clip((luma.astype(float) - 16) / 219, 0, None) ** 2.2


def closed_form_x_y(camera: Camera, azimuth: np.ndarray, above_mm: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Pinhole picture of rim points, without roll, in coordinates about the point that is aimed at."""
    tilt = math.radians(camera.elevation_deg)
    focal = camera.width / 2 / math.tan(math.radians(camera.hfov_deg / 2))
    away = RADIUS_MM * (1 - np.cos(azimuth))
    depth = camera.distance_mm + away * math.cos(tilt) - above_mm * math.sin(tilt)
    up = away * math.sin(tilt) + above_mm * math.cos(tilt)
    return (
        camera.width / 2 + focal * RADIUS_MM * np.sin(azimuth) / depth,
        camera.height / 2 - focal * up / depth,
    )


def azimuth_of_columns(camera: Camera) -> np.ndarray:
    """Azimuth of every column's middle on the level of the aim, by inverting the closed form."""
    grid = np.linspace(-0.8, 0.8, 40_001)
    x, _ = closed_form_x_y(camera, grid)
    front = slice(np.argmin(x), np.argmax(x) + 1)
    return np.interp(np.arange(camera.width) + 0.5, x[front], grid[front])


def demodulated(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """True start of exposure and complex amplitude of the middle picture row, of every frame."""
    camera = scene.camera
    azimuth = azimuth_of_columns(camera)
    dots = scene.rows[0].dots
    middle = camera.height // 2
    window = np.hanning(camera.width) * np.gradient(azimuth)
    kernel = window * np.exp(-1j * dots * azimuth)
    drawn = frames(scene, rng=np.random.default_rng(5))
    taken = [(frame.start_s, linear(frame.luma[middle]) @ kernel) for frame in drawn]
    start, amplitude = (np.array(part) for part in zip(*taken, strict=True))
    return start + camera.readout_s * middle / camera.height, amplitude


# Geometry


@pytest.mark.parametrize("tilt", [0.0, 9.0, 25.0])
def test_projection_matches_the_closed_form_of_a_pinhole(tilt):
    camera = replace(CAMERA, elevation_deg=tilt)
    azimuth = np.linspace(-0.7, 0.7, 15)
    made = project(a_scene(camera=camera), azimuth, PLAIN_ROW.z_mm + 3.0)
    np.testing.assert_allclose(made, closed_form_x_y(camera, azimuth, 3.0), atol=1e-9)


def test_positive_roll_turns_the_picture_about_its_middle():
    azimuth = np.linspace(-0.5, 0.5, 7)
    level = np.array(project(a_scene(), azimuth, -10.0))
    rolled = np.array(project(a_scene(camera=replace(CAMERA, roll_deg=4.0)), azimuth, -10.0))
    middle = np.array([[CAMERA.width / 2], [CAMERA.height / 2]])
    c, s = math.cos(math.radians(4)), math.sin(math.radians(4))
    np.testing.assert_allclose(rolled - middle, np.array([[c, -s], [s, c]]) @ (level - middle), atol=1e-9)


@pytest.mark.parametrize(("tilt", "roll"), [(0.0, 0.0), (10.0, -3.0)])
def test_dots_lie_in_the_picture_where_the_projection_puts_them(tilt, roll):
    camera = replace(CAMERA, elevation_deg=tilt, roll_deg=roll)
    scene = a_scene(camera=camera, speed=Speed(THIRD, -100.0), seconds=1 / 30)
    light = linear(next(frames(scene, rng=np.random.default_rng(1))).luma)
    pitch = 2 * math.pi / PLAIN_ROW.dots
    azimuth = (np.arange(-4, 4) + 0.5) * pitch
    x, y = project(scene, azimuth, PLAIN_ROW.z_mm)
    half = np.diff(x).mean() / 2
    for x_dot, y_dot in zip(x, y, strict=True):
        row = light[int(y_dot)]
        columns = np.arange(math.ceil(x_dot - half), math.floor(x_dot + half))
        bright = row[columns] - row[columns].min()
        centroid = (bright * (columns + 0.5)).sum() / bright.sum()
        # On a rolled ring the row of pixels passes up to half a pixel above or below the middle of the dot.
        assert centroid == pytest.approx(x_dot, abs=0.12)


def test_near_rim_of_a_clockwise_platter_moves_left_at_the_surface_speed():
    camera = replace(CAMERA, frame_rate_hz=500.0, exposure_s=2e-4)
    first, second = list(frames(a_scene(camera=camera, seconds=0.004), rng=np.random.default_rng(1)))
    before, after = (linear(f.luma[camera.height // 2, 100:-100]) for f in (first, second))
    lags = np.arange(-8, 9)
    match = [np.corrcoef(before[10:-10], np.roll(after, -lag)[10:-10])[0, 1] for lag in lags]
    focal = camera.width / 2 / math.tan(math.radians(12))
    moved_px = -2 * math.pi * RADIUS_MM * THIRD / 60 * 0.002 * focal / camera.distance_mm
    assert moved_px < -2
    assert lags[np.argmax(match)] == pytest.approx(moved_px, abs=0.6)


def test_round_dots_are_ellipses():
    row = replace(PLAIN_ROW, shape="round", dots=60, height_mm=8.0, duty=0.5)
    scene = a_scene(rows=(row,), speed=Speed(THIRD, -100.0), seconds=1 / 30)
    light = linear(next(frames(scene, rng=np.random.default_rng(1))).luma)
    pitch = 2 * math.pi / row.dots
    widths, shares = [], []
    for share in (0.0, 0.5, 0.8):
        x, y = project(scene, np.array([-0.5, 0, 0.5]) * pitch, row.z_mm + share * row.height_mm / 2)
        line = light[int(y[1]), int(x[0]) : int(x[2]) + 1]
        widths.append((line - line.min()).sum())
        above_mm = (CAMERA.height / 2 - int(y[1]) - 0.5) * CAMERA.distance_mm / CAMERA.focal_px
        shares.append(above_mm / (row.height_mm / 2))
    chords = np.sqrt(1 - np.square(shares))
    np.testing.assert_allclose(np.array(widths) / widths[0], chords / chords[0], atol=0.02)


# Light


LAMPS = [
    Lamp("pulse", 99.97, duty=0.13, ambient=0.2, phase_cycles=0.21),
    Lamp("half-sine", 120.05, ambient=0.1, phase_cycles=0.7),
    Lamp("sine", 100.02, modulation=0.3, ambient=0.0),
    Lamp("steady", 100.0, ambient=0.3),
    Lamp("half-wave", 49.98, ambient=0.1, phase_cycles=0.4),
    Lamp("fluorescent", 100.04, ambient=0.05, glow=0.4, odd_even=0.0, phase_cycles=0.9),
]
DRIFTING = Lamp("pulse", 99.97, duty=0.13, ambient=0.2, phase_cycles=0.21, rate_drift_per_s=8e-4)
each_lamp = pytest.mark.parametrize("lamp", LAMPS, ids=lambda lamp: lamp.kind)


@pytest.mark.parametrize("lamp", [*LAMPS, DRIFTING], ids=lambda lamp: f"{lamp.kind} {lamp.rate_drift_per_s:g}")
def test_energy_is_the_integral_of_the_intensity(lamp):
    edges = np.linspace(0.013, 0.113, 200_001)
    step = edges[1] - edges[0]
    summed = np.cumsum(lamp.intensity(edges[:-1] + step / 2)) * step
    exact = lamp.energy_s(edges[1:]) - lamp.energy_s(edges[0])
    # A jump of height 1/duty inside a step costs the sum at most that times half the step; of 24 jumps half
    # cost too much and half too little.
    np.testing.assert_allclose(summed, exact, atol=step / lamp.duty / 2 * 12)


def test_the_flashes_of_a_mains_that_drifts_come_sooner_and_sooner():
    edges = DRIFTING.breaks_s(0.0, 10.0)
    rise, fall = edges[edges.size % 2 :: 2], edges[edges.size % 2 + 1 :: 2]
    middle = (rise + fall) / 2
    rate = 1 / np.diff(middle)
    np.testing.assert_allclose(rate, 99.97 * (1 + 8e-4 * (middle[1:] + middle[:-1]) / 2), rtol=1e-6)
    inside, outside = DRIFTING.intensity((middle[0], (fall[0] + rise[1]) / 2))
    assert (inside > 7, outside) == (True, pytest.approx(0.2))


@each_lamp
def test_harmonics_are_those_of_the_waveform(lamp):
    lamp = replace(lamp, phase_cycles=0.0)
    cycles = (np.arange(1 << 16) + 0.5) / (1 << 16)
    wave = lamp.intensity(cycles / lamp.flash_rate_hz)
    for order in range(-4, 5):
        measured = np.mean(wave * np.exp(-2j * np.pi * order * cycles))
        assert lamp.harmonic(order) == pytest.approx(measured, abs=2e-4)


def test_rows_of_the_still_picture_are_lit_by_what_their_exposure_collects():
    lamp = replace(LAMPS[1], ambient=0.05)
    camera = replace(CAMERA, exposure_s=0.004, readout_s=0.015, frame_rate_hz=29.0)
    taken = list(frames(a_scene(lamp=lamp, camera=camera, seconds=0.25), rng=np.random.default_rng(2)))
    wall = [linear(f.luma[:40]).mean(axis=1) for f in taken]
    fine = (np.arange(4000) + 0.5) / 4000 * camera.exposure_s
    starts = [f.start_s + camera.readout_s * np.arange(40) / camera.height for f in taken]
    light = [lamp.intensity(np.add.outer(start, fine)).mean(axis=1) for start in starts]
    assert np.ptp(light) > 0.5
    np.testing.assert_allclose(wall[3] / wall[0], light[3] / light[0], rtol=0.01)


def fourier_coefficient(lamp: Lamp, order: int) -> float:
    """Closed forms: sinc of a rectangular pulse train, the series of |cos|, a single cosine."""
    if order == 0:
        return 1 + lamp.ambient
    h = abs(order)
    if lamp.kind == "pulse":
        return math.sin(math.pi * h * lamp.duty) / (math.pi * h * lamp.duty)
    if lamp.kind == "half-sine":
        return -math.cos(math.pi * h) / (4 * h**2 - 1)
    return lamp.modulation / 2 if lamp.kind == "sine" and h == 1 else 0.0


@pytest.mark.parametrize(
    ("lamp", "exposure_s"),
    [(LAMPS[0], 0.0062), (LAMPS[1], 0.0031), (LAMPS[2], 0.0040), (STEADY, 0.0135)],
    ids=lambda value: getattr(value, "kind", None),
)
def test_lines_have_the_strengths_of_the_fourier_series_and_the_shutter(lamp, exposure_s):
    camera = replace(CAMERA, frame_rate_hz=67.3, exposure_s=exposure_s, clock_error_ppm=3000.0)
    scene = a_scene(lamp=lamp, camera=camera, speed=Speed(THIRD, 0.7), seconds=2.4)
    _, still = demodulated(replace(scene, lamp=STEADY, speed=Speed(THIRD, -100.0), seconds=0.02))
    time, amplitude = demodulated(scene)
    rates = 180 * THIRD * 1.007 / 60 + np.arange(-6, 7) * lamp.flash_rate_hz
    lines, *_ = np.linalg.lstsq(np.exp(2j * np.pi * np.outer(time, rates)), amplitude / still[0], rcond=None)
    # The phases of the lines depend on where the exposure and the lamp begin; only their sizes are compared.
    orders = range(-6, 7)
    predicted = [
        abs(fourier_coefficient(lamp, h) / fourier_coefficient(lamp, 0) * np.sinc(rate * exposure_s))
        for h, rate in zip(orders, rates, strict=True)
    ]
    strong = slice(3, 10)
    np.testing.assert_allclose(np.abs(lines)[strong], predicted[strong], atol=0.012)
    assert scene.line_strength(PLAIN_ROW, -1) == pytest.approx(predicted[5])
    assert scene.line_strength(PLAIN_ROW, 0) == pytest.approx(predicted[6])


@pytest.mark.parametrize(
    ("lamp", "exposure_s"),
    [(LAMPS[0], 0.022), (LAMPS[1], 0.005), (LAMPS[2], 0.001), (STEADY, 0.003)],
    ids=lambda value: getattr(value, "kind", None),
)
def test_phase_follows_the_exact_exposure_integral(lamp, exposure_s):
    wobbles = (Wobble(0.5, per_revolution=1.0), Wobble(0.2, frequency_hz=5.0, phase_rad=1.0))
    camera = replace(CAMERA, exposure_s=exposure_s, clock_error_ppm=500.0, width=642)
    scene = a_scene(lamp=lamp, camera=camera, speed=Speed(THIRD, 0.3, wobbles, 4.0), seconds=2.0)
    time, amplitude = demodulated(scene)
    inside = np.add.outer(time, (np.arange(4000) + 0.5) / 4000 * exposure_s)
    turning = np.exp(2j * np.pi * PLAIN_ROW.dots * scene.angle_rev(inside))
    ratio = amplitude / (lamp.intensity(inside) * turning).mean(axis=1)
    dots = np.angle(ratio / ratio.mean()) / (2 * np.pi)
    # Rounding to 8 bits of about 600 pixels leaves a few tenths of a thousandth of a dot.
    assert dots.std() < 3e-4
    assert np.abs(dots).max() < 1e-3


# Time


def test_angle_is_the_integral_of_the_speed():
    wobbles = (Wobble(0.4, per_revolution=2.0, phase_rad=1.0), Wobble(0.1, frequency_hz=7.0))
    speed = Speed(45.0, -0.8, wobbles, 3.0)
    scene = a_scene(speed=speed, seconds=8.0, first_angle_rev=0.25)
    time = np.linspace(0, 8, 16_001)
    rate = np.gradient(scene.angle_rev(time), time)
    deviation = 100 * (rate * 60 / 45.0 - 1)
    np.testing.assert_allclose(deviation[1:-1], scene.deviation_percent(time)[1:-1], atol=1e-4)
    assert scene.angle_rev(0.0) == pytest.approx(0.25)
    assert speed.wobble_hz(speed.wobbles[0]) == pytest.approx(2 * 45 * 0.992 / 60)


@pytest.mark.parametrize(("stamp", "step_s"), [("exact", 1 / 90_000), ("millisecond", 1e-3), ("1/600", 1 / 600)])
def test_stamps_lie_on_their_grid_next_to_the_cadence(stamp, step_s):
    scene = a_scene(camera=replace(CAMERA, frame_rate_hz=30_000 / 1001, stamp=stamp), seconds=3.0)
    stamps = stamps_s(scene, rng=np.random.default_rng(0))
    np.testing.assert_allclose(stamps / step_s, np.round(stamps / step_s), atol=1e-6)
    off = stamps - np.arange(90) * 1001 / 30_000
    assert np.abs(off).max() <= step_s / 2 * (1 + 1e-6)
    if stamp != "exact":
        assert np.abs(off).max() > step_s / 4


def test_frames_start_by_true_time_and_are_stamped_by_the_camera():
    camera = replace(CAMERA, clock_error_ppm=2000.0, dropped_frames=(3, 4), stamp_jitter_s=2e-4)
    taken = list(frames(a_scene(camera=camera), rng=np.random.default_rng(3)))
    index = np.array([f.index for f in taken])
    assert index.tolist() == [0, 1, 2, *range(5, 15)]
    np.testing.assert_allclose([f.start_s for f in taken], index / 30 * 1.002, rtol=1e-12)
    jitter = np.array([f.stamp_s for f in taken]) - index / 30
    assert 0.5e-4 < jitter.std() < 3e-4


def test_a_file_shows_a_rate_times_one_plus_its_clock_error():
    scene = a_scene(camera=replace(CAMERA, clock_error_ppm=40.0), speed=Speed(THIRD, 0.5))
    truth = truth_of(scene)
    assert truth.deviation_percent == 0.5
    # 1.005 * 1.00004 - 1
    assert truth.deviation_by_file_clock_percent == pytest.approx(0.50402, abs=1e-9)


# Files


def decoded(path: Path) -> tuple[list[float], list[np.ndarray]]:
    import av

    with av.open(str(path)) as clip:
        taken = list(clip.decode(video=0))
        return [float(f.time or 0) for f in taken], [f.to_ndarray(format="gray") for f in taken]


@pytest.mark.parametrize(("codec", "suffix"), [("h264", "mp4"), ("hevc", "mp4"), ("mjpeg", "mov"), ("h264", "mkv")])
def test_a_clip_holds_the_frames_and_their_stamps(tmp_path, codec, suffix):
    camera = replace(CAMERA, frame_rate_hz=30_000 / 1001, dropped_frames=(2,), exposure_s=0.002)
    scene = a_scene(camera=camera, coding=Coding(codec, bit_rate=2_000_000))
    path = tmp_path / f"clip.{suffix}"
    render_clip(scene, path, rng=np.random.default_rng(4))
    times, pictures = decoded(path)
    expected = np.delete(np.arange(15), 2) * 1001 / 30_000
    np.testing.assert_allclose(times, expected, atol=1e-9 if suffix != "mkv" else 0.5e-3 + 1e-9)
    drawn = list(frames(scene, rng=np.random.default_rng(4)))
    for picture, frame in zip(pictures, drawn, strict=True):
        full_range = (frame.luma.astype(float) - 16) * 255 / 219
        assert np.abs(picture - full_range).mean() < 3


def test_truth_is_written_beside_the_clip_with_all_its_keys(tmp_path):
    speed = Speed(THIRD, 0.2, (Wobble(0.1, per_revolution=1.0), Wobble(0.3, frequency_hz=4.0)))
    path = tmp_path / "clip.mp4"
    render_clip(a_scene(speed=speed, refusal="too-short"), path, rng=np.random.default_rng(0))
    truth = json.loads((tmp_path / "clip.truth.json").read_text())
    assert truth["schema"] == "strobe.truth/1"
    assert truth["invented"] is True
    assert (truth["expected"], truth["reason"]) == ("refuse", "too-short")
    assert set(truth) >= {"scene", "speed", "components", "lamp", "camera", "lines"}
    assert set(truth["speed"]) >= {
        "nominal_rpm",
        "mean_rpm",
        "deviation_percent",
        "deviation_by_file_clock_percent",
        "weighted_rms_percent",
        "weighted_2sigma_percent",
        "unweighted_rms_percent",
        "unweighted_2sigma_percent",
    }
    assert [c["peak_percent"] for c in truth["components"]] == [0.3, 0.1]
    assert truth["components"][0]["per_revolution"] == pytest.approx(4.0 / (THIRD * 1.002 / 60))
    assert truth["lamp"]["flash_rate_hz"] == 100.0
    assert truth["camera"]["exposure_s"] == CAMERA.exposure_s


def test_figures_of_one_sine_at_the_weighting_s_reference_frequency():
    # IEC 60386 weights 4 Hz with 0 dB (value from memory); for 95 % of the time the magnitude of a sine is
    # below sin(0.475 pi) of its peak.
    truth = truth_of(a_scene(speed=Speed(THIRD, 0.0, (Wobble(0.2, frequency_hz=4.0),)), seconds=10.0))
    for kind in ("weighted", "unweighted"):
        assert getattr(truth, f"{kind}_rms_percent") == pytest.approx(0.2 / math.sqrt(2), rel=2e-3)
        two_sigma = getattr(truth, f"{kind}_2sigma_percent")
        assert two_sigma == pytest.approx(0.2 * math.sin(0.475 * math.pi), rel=2e-3)
    assert truth.components[0].weighted_percent == pytest.approx(0.2, rel=2e-3)


def test_mean_over_whole_turns_is_free_of_what_is_locked_to_the_turn():
    wobbles = (Wobble(0.5, per_revolution=1.0, phase_rad=0.4), Wobble(0.2, per_revolution=2.0))
    truth = truth_of(a_scene(speed=Speed(THIRD, 0.3, wobbles), seconds=10.0))
    assert truth.deviation_over_turns_percent == pytest.approx(0.3, abs=2e-3)
    assert abs(truth.deviation_over_clip_percent - 0.3) > 5e-3
    assert truth_of(a_scene(seconds=1.0)).deviation_over_turns_percent is None


def test_share_of_cut_flashes_is_twice_the_duty_when_all_phases_occur():
    lamp = Lamp("pulse", 99.37, duty=0.1)
    truth = truth_of(a_scene(lamp=lamp, camera=replace(CAMERA, exposure_s=0.0213), seconds=60.0))
    assert truth.cut_flash_share == pytest.approx(0.2, abs=0.02)


@pytest.mark.parametrize(
    ("lamp", "frame_rate_hz", "exposure_s"),
    [
        *(("pulse", 30.0, 0.021), ("pulse", 53.0, 1 / 53), ("pulse", 120.0, 1 / 120)),
        *(("steady", 30.0, 0.002), ("steady", 1000.0, 0.001)),
    ],
)
def test_the_usual_exposure_of_a_practice_clip_is_no_longer_than_a_frame(lamp, frame_rate_hz, exposure_s):
    scene = scene_of(RenderRequest(lamp=lamp, frame_rate_hz=frame_rate_hz, seconds=1.0))
    assert scene.camera.exposure_s == pytest.approx(exposure_s, rel=1e-12)


def test_share_of_cut_flashes_is_that_of_the_frames_as_they_are_taken():
    """At 30 pictures a second a lamp of 90 flashes cuts either all frames or none; at 27.5 it comes to all phases."""
    lamp = Lamp("pulse", 90.0, duty=0.1, phase_cycles=0.5)
    camera = replace(CAMERA, frame_rate_hz=30.0, exposure_s=0.02, readout_s=0.0)
    steady = a_scene(lamp=lamp, camera=camera, seconds=20.0)
    assert truth_of(steady).cut_flash_share == 0
    changing = replace(steady, timing=Timing(rate_changes=((10.0, 27.5),)))
    starts = np.array([shot.start_s for shot in schedule(changing, rng=np.random.default_rng(1))])
    cut = [bool(np.any(lamp.intensity(np.array([start, start + 0.02])) > lamp.ambient)) for start in starts]
    assert np.mean(cut) > 0.05
    assert truth_of(changing).cut_flash_share == np.mean(cut)
    # From 15 s on of 20 every exposure ends in the middle of a flash, 5.56 ms after it began between two.
    shorter = replace(steady, events=(ExposureStep(15.0, 0.5 / 90.0),))
    assert truth_of(shorter).cut_flash_share == pytest.approx(0.25, abs=0.01)


# Chance


def test_the_same_generator_state_gives_the_same_frames_and_the_global_one_is_left_alone():
    camera = replace(CAMERA, noise=2.0, blur_px=0.7)
    scene = a_scene(rows=(DotRow(180),), camera=camera, seconds=0.1)
    before = repr(np.random.get_state())  # noqa: NPY002  # the global state is what is asked
    one, same, other = (
        np.stack([f.luma for f in frames(scene, rng=np.random.default_rng(seed))]) for seed in (7, 7, 8)
    )
    assert repr(np.random.get_state()) == before  # noqa: NPY002  # the global state is what is asked
    np.testing.assert_array_equal(one, same)
    assert (one != other).mean() > 0.5


def test_noise_has_its_deviation_and_differs_from_frame_to_frame():
    camera = replace(CAMERA, noise=2.0, exposure_s=0.01)
    first, second = frames(a_scene(camera=camera, seconds=2 / 30), rng=np.random.default_rng(7))
    difference = first.luma[:60].astype(float) - second.luma[:60]
    # Two independent noises of 2 and two roundings of 1/12 in square.
    assert difference.std() == pytest.approx(math.sqrt(2 * (4 + 1 / 12)), rel=0.05)


def test_shake_moves_the_whole_picture_by_its_rms():
    import cv2

    camera = replace(CAMERA, shake_px=2.0)
    still = next(frames(a_scene(seconds=1 / 30), rng=np.random.default_rng(9))).luma[:70].astype(float)
    window = cv2.createHanningWindow(still.shape[::-1], cv2.CV_64F)
    moved = []
    for frame in frames(a_scene(camera=camera, seconds=4.0), rng=np.random.default_rng(9)):
        (right, down), _ = cv2.phaseCorrelate(still, frame.luma[:70].astype(float), window)
        moved.append((right, down))
    np.testing.assert_allclose(np.std(moved, axis=0), 2.0, rtol=0.35)


def test_random_scenes_keep_to_what_can_be_filmed_and_measured():
    rng = np.random.default_rng(11)
    scenes = [random_scene(rng) for _ in range(150)]
    for scene in scenes:
        row = scene.rows[0]
        dot_rate = row.dots * scene.speed.nominal_rpm / 60
        assert dot_rate == pytest.approx(scene.lamp.flash_rate_hz, rel=0.006)
        pitch = truth_of(scene).dot_pitch_px
        assert 11.5 < pitch < 46
        strongest = max(scene.line_strength(row, order) for order in (0, -1))
        assert strongest > 0.2
    assert {s.lamp.kind for s in scenes} == {"pulse", "half-sine", "sine"}
    assert {round(s.speed.nominal_rpm) for s in scenes} == {33, 45, 78}
    assert len({s.camera.frame_rate_hz for s in scenes}) == 4
    assert all(random_scene(rng, seconds=0.05).frame_count <= 3 for _ in range(40))
    assert random_scene(np.random.default_rng(1)) == random_scene(np.random.default_rng(1))


def test_random_scene_keeps_what_is_given_and_renders(tmp_path):
    scene = random_scene(
        np.random.default_rng(2),
        seconds=0.5,
        width=322,
        height=182,
        mains_hz=60,
        nominal_rpm=45.0,
        lamp_kind="pulse",
        frame_rate_hz=25.0,
        awkward_time=False,
    )
    assert (scene.rows[0].dots, scene.lamp.kind, scene.camera.frame_rate_hz) == (160, "pulse", 25.0)
    render_clip(scene, tmp_path / "r.mp4", rng=np.random.default_rng(2))
    assert len(decoded(tmp_path / "r.mp4")[0]) == 12


# The sample clips


def test_sample_clips_are_those_that_the_code_describes():
    scenes = sample_scenes()
    clips = sorted(path.name for path in SAMPLES.glob("*.mp4"))
    assert clips == sorted(scenes)
    for name, scene in scenes.items():
        kept = json.loads((SAMPLES / name).with_suffix(".truth.json").read_text())
        now = json.loads(json.dumps(truth_of(scene).to_dict()))
        assert kept["speed"] == pytest.approx(now["speed"])
        for part in ("schema", "lamp", "camera", "expected", "reason", "invented"):
            assert kept[part] == now[part]
    assert sum(path.stat().st_size for path in SAMPLES.iterdir()) < 20e6


# Light of several lamps


def test_every_other_flash_of_a_fluorescent_lamp_is_stronger_and_its_energy_says_so():
    lamp = Lamp("fluorescent", 100.0, ambient=0.0, glow=0.3, odd_even=0.04)
    flashes = np.diff(lamp.energy_s((np.arange(7) - 0.5) / 100.0)) * 100.0
    np.testing.assert_allclose(flashes, 1 + 0.7 * 0.04 * np.array([1, -1, 1, -1, 1, -1]), atol=1e-12)
    time = (np.arange(20_000) + 0.5) / 20_000 * 0.06 - 0.005
    assert lamp.intensity(time).mean() == pytest.approx(1.0, abs=1e-6)
    at_mains = np.mean(lamp.intensity(time) * np.exp(-2j * np.pi * 50.0 * time))
    # Half-order coefficient of |cos| with alternating signs: (pi / 2) cos(pi x) itself, of amplitude pi / 4.
    assert abs(at_mains) == pytest.approx(0.7 * 0.04 * math.pi / 4, rel=1e-3)


def test_lamps_add_up_and_a_switched_lamp_lights_only_while_it_is_on():
    steady = Lamp("steady", ambient=0.0)
    scene = a_scene(
        lamp=steady,
        fall=Fall(off_s=0.25),
        more_lights=(Light(steady, 0.4), Light(steady, 0.5, Fall(on_s=0.4))),
        speed=Speed(THIRD, -100.0),
        seconds=0.6,
    )
    wall = np.array([linear(f.luma[:40]).mean() for f in frames(scene, rng=np.random.default_rng(2))])
    np.testing.assert_allclose(wall[[8, 17]] / wall[0], [0.4 / 1.4, 0.9 / 1.4], rtol=0.02)


def test_coloured_light_is_carried_by_luma_and_chroma_as_bt_709_says():
    plain = next(frames(a_scene(seconds=1 / 30), rng=np.random.default_rng(1)))
    x, y = project(a_scene(), np.array([0.5]) * 2 * np.pi / 180, PLAIN_ROW.z_mm)
    red_light = a_scene(fall=Fall(colour=(1.0, 0.0, 0.0)), speed=Speed(THIRD, -100.0), seconds=1 / 30)
    frame = next(frames(red_light, rng=np.random.default_rng(1)))
    at = (int(y[0]), int(x[0]))
    white = (plain.luma[at] - 16) / 219
    coded = (frame.luma[at] - 16) / 219
    # Weights of Rec. ITU-R BT.709 (values from memory): luma 0.2126 of red, difference (R - Y) / 1.5748.
    assert coded == pytest.approx(0.2126 * white, abs=0.01)
    middle = (at[0] // 2, at[1] // 2)
    level = (frame.red[middle] - 128) / 224
    assert level == pytest.approx((coded / 0.2126 - coded) / 1.5748, rel=0.2)
    assert frame.blue[middle] < 128


def test_a_patch_of_light_leaves_the_rest_of_the_rim_and_the_scenery_to_the_other_lamp():
    pitch = 2 * math.pi / 180
    patch = Fall(patch_azimuth_rad=0.1, patch_width_rad=4 * pitch)
    scene = a_scene(fall=patch, more_lights=(Light(STEADY, 0.2),), speed=Speed(THIRD, -100.0), seconds=1 / 30)
    light = linear(next(frames(scene, rng=np.random.default_rng(1))).luma)
    whole = linear(next(frames(replace(scene, fall=Fall(), more_lights=()), rng=np.random.default_rng(1))).luma)
    azimuth = (np.arange(-9, 9) + 0.5) * pitch
    x, y = project(scene, azimuth, PLAIN_ROW.z_mm)
    share = light[y.astype(int), x.astype(int)] / whole[y.astype(int), x.astype(int)]
    near = np.abs(azimuth - 0.1) < pitch
    far = np.abs(azimuth - 0.1) > 4.5 * pitch
    np.testing.assert_allclose(share[near], 1.2, atol=0.06)
    np.testing.assert_allclose(share[far], 0.2, atol=0.02)
    np.testing.assert_allclose(light[:30].mean() / whole[:30].mean(), 0.2, atol=0.02)


# The camera in a hand, and what happens in mid-clip


def middles_of_dots(frame, x_px: np.ndarray, y_px: np.ndarray, half_px: float) -> np.ndarray:
    """Centroids in x of dots near the places given."""
    light = linear(frame.luma)
    found = []
    for x_dot, y_dot in zip(x_px, y_px, strict=True):
        columns = np.arange(math.ceil(x_dot - half_px), math.floor(x_dot + half_px))
        bright = light[int(y_dot), columns] - light[int(y_dot), columns].min()
        found.append((bright * (columns + 0.5)).sum() / bright.sum())
    return np.array(found)


def pose_of(scene: Scene, seed: int):
    """The motion that `frames` draws for the same seed."""
    from strobe.render.pose import Pose

    return Pose(scene, rng=np.random.default_rng(seed).spawn(5)[4])


def seen_by(pose, camera: Camera, azimuth: np.ndarray, start_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Where a level pinhole, turned and shifted as it is in the middle of an exposure, sees the ring in `PLAIN_ROW`."""
    (pan,), (tilt,), (roll,), (right,), (down,), (ahead,) = pose.motion(np.array([start_s + camera.exposure_s / 2]))
    away = RADIUS_MM * (1 - np.cos(azimuth))
    point = np.stack([RADIUS_MM * np.sin(azimuth) - right, 0 * azimuth - down, camera.distance_mm + away - ahead])
    c, s = np.cos, np.sin
    about_ahead = np.array([[c(roll), -s(roll), 0], [s(roll), c(roll), 0], [0, 0, 1]])
    about_down = np.array([[c(pan), 0, s(pan)], [0, 1, 0], [-s(pan), 0, c(pan)]])
    about_right = np.array([[1, 0, 0], [0, c(tilt), -s(tilt)], [0, s(tilt), c(tilt)]])
    x, y, depth = (about_ahead @ about_down @ about_right).T @ point
    return camera.width / 2 + camera.focal_px * x / depth, camera.height / 2 + camera.focal_px * y / depth


HELD = {
    "turned": (replace(CAMERA, shake_px=4.0), Hand()),
    "rolled": (CAMERA, Hand(roll_deg=1.0)),
    "shifted": (CAMERA, Hand(sway_mm=1.5)),
}


@pytest.mark.parametrize("how", HELD)
def test_dots_of_a_hand_held_camera_lie_where_a_moved_pinhole_sees_them(how):
    camera, hand = HELD[how]
    camera = replace(camera, blur_px=0.8, width=642, height=242, readout_s=0.02)
    scene = a_scene(camera=camera, hand=hand, speed=Speed(THIRD, -100.0), seconds=0.5)
    pose = pose_of(scene, 3)
    pitch = 2 * math.pi / PLAIN_ROW.dots
    azimuth = (np.arange(-5, 5) + 0.5) * pitch
    errors, moved = [], []
    for frame in frames(scene, rng=np.random.default_rng(3)):
        y = np.full(azimuth.shape, camera.height / 2)
        for _ in range(3):
            x, y = seen_by(pose, camera, azimuth, frame.start_s + camera.readout_s * y.mean() / camera.height)
        errors.append(middles_of_dots(frame, x, y, np.diff(x).mean() / 2) - x)
        moved.append(x.mean())
    if how != "rolled":
        assert np.std(moved) > 1.0
    assert np.abs(np.mean(errors, axis=1)).max() < 0.05
    assert np.abs(errors).max() < 0.3


def test_a_camera_that_shifts_sees_the_near_rim_move_farther_than_the_far_wall():
    import cv2

    camera = replace(CAMERA, width=642, height=242, blur_px=1.0)
    scene = a_scene(camera=camera, hand=Hand(sway_mm=2.0), speed=Speed(THIRD, -100.0), seconds=1.0)
    pose = pose_of(scene, 5)
    taken = list(frames(scene, rng=np.random.default_rng(5)))
    # Below row 40 the rim's own edge comes into sight.
    window = cv2.createHanningWindow((camera.width, 40), cv2.CV_64F)
    wall = [f.luma[:40].astype(float) for f in taken]
    seen = np.array([cv2.phaseCorrelate(wall[0], picture, window)[0][0] for picture in wall])
    time = np.array([f.start_s for f in taken]) + camera.readout_s * 20 / camera.height + camera.exposure_s / 2
    shift = pose.motion(time)[3:]
    # Shifts down and ahead move an uneven texture a little as well.
    (slope, *_), *_ = np.linalg.lstsq(np.vstack([shift, np.ones(len(taken))]).T, seen, rcond=None)
    # The wall stands 4 radii behind the axis, the rim's nearest point one radius before it.
    assert slope == pytest.approx(-camera.focal_px / (camera.distance_mm + 5 * RADIUS_MM), rel=0.04)


def test_shake_moves_picture_rows_by_when_they_are_read():
    camera = replace(CAMERA, shake_px=5.0, readout_s=0.03, width=322, height=402)
    scene = a_scene(camera=camera, speed=Speed(THIRD, -100.0), seconds=0.1)
    from strobe.render.pose import Attitude

    pose = pose_of(scene, 3)
    rows_s = camera.readout_s * np.arange(camera.height) / camera.height
    attitude = pose.at(rows_s)
    assert isinstance(attitude, Attitude)
    few = pose.motion(rows_s[::40])
    # Pan is what the axis ahead turns to the right.
    np.testing.assert_allclose(np.arcsin(attitude.turn[::40, 0, 2] / np.cos(few[1])), few[0], atol=2e-3 * 5 / 300)
    assert np.ptp(few[0]) > 1e-3


def test_a_hand_smears_long_exposures_along_its_way():
    long = replace(CAMERA, exposure_s=0.03, frame_rate_hz=30.0, readout_s=0.0)
    scene = a_scene(camera=replace(long, shake_px=30.0), hand=Hand(slowest_hz=1.0, fastest_hz=1.2))
    pose = pose_of(scene, 3)
    time_s = np.linspace(0.0, 1.0, 200)
    pan_rate = np.gradient(pose.motion(time_s)[0], time_s)
    fastest_s = float(time_s[np.abs(pan_rate).argmax()])
    # Even light over 30 ms has a standard deviation of 30 / sqrt(12) ms.
    kernel = pose.smear(scene, fastest_s, 0.03 / math.sqrt(12))
    assert kernel is not None
    assert kernel.sum() == pytest.approx(1.0, abs=1e-5)
    places = np.arange(kernel.shape[1]) - kernel.shape[1] // 2
    along = kernel.sum(axis=0)
    assert (along * places).sum() == pytest.approx(0.0, abs=1e-4)
    expected_px = CAMERA.focal_px * np.abs(pan_rate).max() * 0.03 / math.sqrt(12)
    assert math.sqrt((along * places**2).sum()) == pytest.approx(expected_px, rel=0.05)
    assert expected_px > 1.0
    assert pose.smear(scene, fastest_s, 1e-5) is None


def test_the_exposure_changes_when_told():
    scene = a_scene(events=(ExposureStep(0.25, CAMERA.exposure_s / 4, 1.5),), speed=Speed(THIRD, -100.0))
    wall = np.array([linear(f.luma[:40]).mean() for f in frames(scene, rng=np.random.default_rng(2))])
    np.testing.assert_allclose(wall / wall[0], [1.0] * 8 + [1.5 / 4] * 7, rtol=0.02)


def test_zoom_enlarges_about_the_middle():
    scene = a_scene(events=(Zoom(0.1, 0.1, 1.5),), speed=Speed(THIRD, -100.0), camera=replace(CAMERA, hfov_deg=50))
    taken = list(frames(scene, rng=np.random.default_rng(2)))
    azimuth = (np.arange(-3, 3) + 0.5) * 2 * math.pi / 180
    x, y = project(scene, azimuth, PLAIN_ROW.z_mm)
    middle = np.array([CAMERA.width / 2, CAMERA.height / 2])
    for frame, scale in ((taken[0], 1.0), (taken[-1], 1.5)):
        x_now, y_now = middle[0] + scale * (x - middle[0]), middle[1] + scale * (y - middle[1])
        found = middles_of_dots(frame, x_now, y_now, scale * np.diff(x).mean() / 2)
        np.testing.assert_allclose(found, x_now, atol=0.1)


def test_focus_leaves_and_comes_back():
    scene = a_scene(events=(Refocus(0.1, 0.3, 4.0, breathing=0.0),), speed=Speed(THIRD, -100.0))
    detail = [
        np.abs(np.diff(linear(f.luma[CAMERA.height // 2]))).sum() for f in frames(scene, rng=np.random.default_rng(2))
    ]
    assert detail[7] < 0.4 * detail[0]
    assert detail[-1] == pytest.approx(detail[0], rel=0.05)


def test_a_hand_hides_the_middle_of_the_picture_for_as_long_as_it_is_there():
    scene = a_scene(events=(Passing(0.1, 0.3, cover=0.5),), speed=Speed(THIRD, -100.0))
    taken = [f.luma[CAMERA.height // 2].astype(float) for f in frames(scene, rng=np.random.default_rng(2))]
    changed = np.array([np.abs(row - taken[0]) > 8 for row in taken])
    assert not changed[:3].any()
    assert not changed[-2:].any()
    middle = slice(CAMERA.width // 2 - 40, CAMERA.width // 2 + 40)
    assert changed[7, middle].mean() > 0.5
    assert not changed[7, :40].any()


# What the camera makes of its pictures


def wall_motion(scene: Scene, seed: int) -> np.ndarray:
    import cv2

    taken = [f.luma[:70].astype(float) for f in frames(scene, rng=np.random.default_rng(seed))]
    window = cv2.createHanningWindow(taken[0].shape[::-1], cv2.CV_64F)
    return np.array([cv2.phaseCorrelate(taken[0], picture, window)[0] for picture in taken])


def test_stabilisation_takes_the_shake_out_of_the_scenery():
    camera = replace(CAMERA, shake_px=2.0, readout_s=0.0)
    scene = a_scene(camera=camera, hand=Hand(slowest_hz=2.0), seconds=2.0)
    steady = replace(scene, processing=Processing(Stabiliser(window_s=0.5, margin=0.2)))
    shaken, calm = (np.diff(wall_motion(each, 9), axis=0).std(axis=0) for each in (scene, steady))
    assert np.all(calm < 0.25 * shaken)
    assert truth_of(steady).dot_pitch_px == pytest.approx(truth_of(scene).dot_pitch_px / 0.8)


def test_stabilisation_on_the_rim_carries_the_scenery_with_the_dots():
    wobble = Wobble(1.5, frequency_hz=2.0)
    scene = a_scene(lamp=Lamp("pulse", 100.0), speed=Speed(THIRD, 0.0, (wobble,)), seconds=2.0)
    scene = replace(scene, processing=Processing(Stabiliser(window_s=1.0, margin=0.2, follows_rim=1.0)))
    moved = wall_motion(scene, 9)[15:-15, 0]
    # 1.5 % at 2 Hz sways the dots by 100 * 0.015 / (2 pi 2) = 0.12 of a pitch, and the scenery with them.
    pitch = truth_of(scene).dot_pitch_px
    assert np.std(moved) * math.sqrt(2) == pytest.approx(100 * 0.015 / (4 * math.pi) * pitch, rel=0.3)


def test_temporal_noise_reduction_lowers_the_noise_and_leaves_ghosts_of_dots():
    camera = replace(CAMERA, noise=3.0, frame_rate_hz=90.0)
    plain = a_scene(camera=camera, lamp=Lamp("steady"), seconds=0.3)
    ghosted = replace(plain, processing=Processing(ghost=0.7, ghost_steps=1000.0))
    noise, contrast = [], []
    for scene in (plain, ghosted):
        taken = np.array([f.luma.astype(float) for f in frames(scene, rng=np.random.default_rng(4))])
        noise.append(np.std(np.diff(taken[10:, :40], axis=0)))
        contrast.append(taken[10:, CAMERA.height // 2, 100:-100].std(axis=1).mean())
    # First-order recursion with share a: differences of white noise shrink to (1 - a) / sqrt(1 - a^2) * sqrt(1 - a).
    expected = (1 - 0.7) / math.sqrt(1 - 0.7**2) * math.sqrt(1 - 0.7)
    assert noise[1] / noise[0] == pytest.approx(expected, rel=0.15)
    assert contrast[1] < 0.75 * contrast[0]


def test_a_mirrored_picture_is_the_other_way_round():
    scene = a_scene(seconds=1 / 30)
    mirrored = replace(scene, processing=Processing(mirrored=True))
    one, other = (next(frames(each, rng=np.random.default_rng(1))) for each in (scene, mirrored))
    for plane in ("luma", "blue", "red"):
        np.testing.assert_array_equal(getattr(one, plane)[:, ::-1], getattr(other, plane))


# What is on the rim, and a rim out of true


def test_a_mark_turns_with_the_platter_and_a_streak_stands_still():
    camera = replace(CAMERA, hfov_deg=50, frame_rate_hz=30.0)
    bare = a_scene(camera=camera, speed=Speed(THIRD), seconds=0.3)
    mark = Mark(azimuth_rad=0.3, width_mm=8, z_mm=-4.0, height_mm=4.0)
    marked = replace(bare, surface=Surface(marks=(mark,)))
    streaked = replace(bare, surface=Surface(streaks=3, streak_brightness=1.0))
    _, y = project(bare, 0.0, -4.0)
    rows = [
        [f.luma[int(y)].astype(float) for f in frames(scene, rng=np.random.default_rng(1))]
        for scene in (bare, marked, streaked)
    ]
    for number in range(9):
        extra = rows[1][number] - rows[0][number]
        place = (extra * (np.arange(camera.width) + 0.5)).sum() / extra.sum()
        middle_s = number / 30 + camera.readout_s * float(y) / camera.height + camera.exposure_s / 2
        x, _ = project(bare, 0.3 - 2 * math.pi * bare.angle_rev(middle_s), -4.0)
        assert place == pytest.approx(float(x), abs=0.6)
    streaks = [now - before for now, before in zip(rows[2], rows[0], strict=True)]
    assert np.ptp(streaks[0]) > 20
    np.testing.assert_allclose(streaks[0], streaks[-1], atol=2)


def test_scratches_turn_and_differ_from_turn_to_turn_by_nothing():
    camera = replace(CAMERA, hfov_deg=50, frame_rate_hz=10.0)
    scene = a_scene(camera=camera, speed=Speed(60.0), surface=Surface(scratches=40), seconds=1.1)
    taken = [f.luma.astype(float) for f in frames(scene, rng=np.random.default_rng(1))]
    # At 60 rpm and 10 frames a second the eleventh frame shows the first again.
    assert np.abs(taken[10] - taken[0]).max() <= 1
    assert np.abs(taken[5] - taken[0]).max() > 5


def test_axial_runout_lifts_and_lowers_the_ring_once_a_turn():
    camera = replace(CAMERA, frame_rate_hz=10.0, hfov_deg=40, height=182)
    runout = Runout(axial_mm=3.0, axial_high_rad=1.0)
    scene = a_scene(camera=camera, speed=Speed(60.0), runout=runout, seconds=1.0, lamp=STEADY)
    scene = replace(scene, rows=(replace(PLAIN_ROW, height_mm=3.0, dots=600),))
    middle_x = camera.width // 2
    for number, frame in enumerate(frames(scene, rng=np.random.default_rng(1))):
        column = linear(frame.luma[:, middle_x - 30 : middle_x + 30]).mean(axis=1)
        near = slice(camera.height // 2 - 14, camera.height // 2 + 14)
        # 600 dots blur to a grey band on the dark one, whose own edges lie evenly about it.
        bright = np.clip(column[near] - 0.03, 0, None)
        bright[bright < 0.5 * bright.max()] = 0
        rows = np.arange(camera.height)[near] + 0.5
        place = (bright * rows).sum() / bright.sum()
        middle_s = number / 10 + camera.readout_s / 2
        rise_mm = 1.5 * math.cos(2 * math.pi * middle_s - 1.0)
        expected = camera.height / 2 - camera.focal_px / camera.distance_mm * rise_mm
        assert place == pytest.approx(expected, abs=0.5)


def test_a_ring_off_centre_sways_by_its_offset_over_the_radius():
    camera = replace(CAMERA, exposure_s=0.001, width=642)
    runout = Runout(ring_offset_mm=0.3, ring_offset_rad=0.7)
    scene = a_scene(camera=camera, runout=runout, speed=Speed(60.0), seconds=1.0)
    time, amplitude = demodulated(scene)
    middle = time + camera.exposure_s / 2
    phase = np.unwrap(np.angle(amplitude * np.exp(-2j * np.pi * 180 * scene.angle_rev(middle))))
    turn = 2 * np.pi * scene.angle_rev(middle)
    (sine, cosine, _), *_ = np.linalg.lstsq(
        np.stack([np.sin(turn), np.cos(turn), np.ones_like(turn)], axis=1), phase, rcond=None
    )
    # A few columns off the middle are 3 % early or late in the turn: the sway seen shrinks by their spread.
    assert math.hypot(sine, cosine) == pytest.approx(180 * 0.3 / RADIUS_MM, rel=0.03)
    told = truth_of(scene).to_dict()
    assert told["false_swing_percent"] == pytest.approx(100 * 0.3 / RADIUS_MM)


def test_a_platter_comes_up_to_speed():
    scene = a_scene(speed=Speed(45.0, 0.5, run_up=RunUp(0.5, 0.3, from_share=0.2)), seconds=4.0)
    time = np.linspace(0, 4, 8001)
    rate = np.gradient(scene.angle_rev(time), time) * 60
    np.testing.assert_allclose(rate[10:900], 45 * 1.005 * 0.2, rtol=1e-6)
    late = time[1200:-10]
    np.testing.assert_allclose(rate[1200:-10], 45 * 1.005 * (1 - 0.8 * np.exp(-(late - 0.5) / 0.3)), rtol=1e-4)
    assert truth_of(scene).to_dict()["run_up"] == {"at_s": 0.5, "rise_s": 0.3, "from_share": 0.2}


# Files of awkward cameras


def test_a_step_of_the_speed_leaves_its_mean():
    speed = Speed(THIRD, 0.4, steps=(SpeedStep(3.0, 0.5, rise_s=0.2), SpeedStep(6.0, -0.2, rise_s=0.05)))
    scene = a_scene(speed=speed, seconds=10.0)
    time = np.linspace(0, 10, 100_001)
    deviation = scene.deviation_percent(time)
    turned = np.diff(scene.angle_rev(time)) / np.diff(time) / (THIRD / 60)
    np.testing.assert_allclose(100 * (turned - 1), (deviation[1:] + deviation[:-1]) / 2, atol=1e-4)
    assert deviation[50_000] - deviation[29_000] == pytest.approx(0.5, abs=1e-3)
    assert deviation[-1] - deviation[59_000] == pytest.approx(-0.2, abs=1e-3)
    truth = truth_of(scene)
    assert truth.deviation_over_clip_percent == pytest.approx(0.4) == pytest.approx(truth.deviation_percent)
    assert [step["at_s"] for step in truth.to_dict()["steps"]] == [3.0, 6.0]


def test_the_rate_changes_and_pictures_are_doubled_where_told():
    timing = Timing(rate_changes=((0.2, 15.0),), doubled_frames=(3,))
    taken = list(frames(a_scene(timing=timing, seconds=0.4), rng=np.random.default_rng(1)))
    np.testing.assert_allclose(
        [f.stamp_s for f in taken], [*np.arange(6) / 30, 0.2, 0.2 + 1 / 15, 0.2 + 2 / 15], atol=1e-5
    )
    np.testing.assert_array_equal(taken[3].luma, taken[2].luma)
    assert taken[3].start_s == taken[2].start_s
    assert np.any(taken[4].luma != taken[3].luma)


def test_frames_that_wander_are_stamped_when_they_are_taken():
    taken = schedule(a_scene(timing=Timing(interval_wander_s=4e-4), seconds=20), rng=np.random.default_rng(1))
    start = np.array([shot.start_s for shot in taken])
    np.testing.assert_allclose([shot.stamp_s for shot in taken], start, atol=1e-5)
    off = np.diff(start) - 1 / 30
    assert np.std(off) == pytest.approx(4e-4, rel=0.15)
    assert abs(np.mean(off[1:] * off[:-1])) < 0.1 * np.var(off)
    assert start[-1] == pytest.approx(599 / 30)


@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
def test_stamps_jump_and_run_backwards_in_the_file(tmp_path, suffix):
    timing = Timing(stamp_jumps=((4, 0.5), (8, -0.7)))
    path = tmp_path / f"clip.{suffix}"
    render_clip(a_scene(timing=timing), path, rng=np.random.default_rng(1))
    times, _ = decoded(path)
    steady = np.arange(15) / 30
    np.testing.assert_allclose(times, steady + 0.5 * (steady > 0.12) - 0.7 * (steady > 0.26), atol=0.6e-3)


@pytest.mark.parametrize("tag", [True, False])
def test_slow_motion_is_stamped_slower_than_it_was_captured(tmp_path, tag):
    import av

    camera = replace(CAMERA, frame_rate_hz=240.0, exposure_s=0.001)
    timing = Timing(playback_rate_hz=30.0, normal_ends_s=0.1, capture_tag=tag)
    scene = a_scene(camera=camera, timing=timing, seconds=0.4)
    path = tmp_path / "slow.mp4"
    truth = render_clip(scene, path, rng=np.random.default_rng(1))
    with av.open(str(path)) as clip:
        assert clip.metadata.get("com.android.capture.fps") == ("240.000000" if tag else None)
    times, _ = decoded(path)
    starts = np.array([f.start_s for f in frames(scene, rng=np.random.default_rng(1))])
    # Three frames in each tenth of a second at both ends, 48 in the 0.2 s between.
    np.testing.assert_allclose(times, np.arange(54) / 30, atol=1e-9)
    steps = np.diff(starts) * 240
    assert np.round(steps).astype(int).tolist() == [8] * 3 + [1] * 48 + [8] * 2
    assert truth.to_dict()["slowed_by"] == 8.0


@pytest.mark.parametrize("rate_hz", [10.0004, 5.0004, 29.98, 30000 / 1001])
def test_a_file_without_stamps_keeps_the_rate_that_the_truth_tells(tmp_path, rate_hz):
    """AVI has nothing but its rate: as 10 pictures a second, 10.0004 would feign 40 ppm."""
    import av

    camera = replace(CAMERA, width=64, height=48, frame_rate_hz=rate_hz)
    render_clip(
        a_scene(camera=camera, coding=Coding("mjpeg"), seconds=3.0), tmp_path / "a.avi", rng=np.random.default_rng(1)
    )
    with av.open(str(tmp_path / "a.avi")) as clip:
        stream = clip.streams.video[0]
        times = [float(packet.pts * packet.time_base) for packet in clip.demux(stream) if packet.pts is not None]
    shown_hz = (len(times) - 1) / (times[-1] - times[0])
    assert abs(shown_hz / rate_hz - 1) < 1e-9, "the step of the finest rate, and floats"


@pytest.mark.parametrize(("rotation_deg", "roll_deg"), [(90, -90), (180, 180), (270, 90)])
def test_a_turned_phone_asks_for_its_picture_to_be_turned_upright(tmp_path, rotation_deg, roll_deg):
    from strobe.capture.clip import open_clip

    camera = replace(CAMERA, width=262, height=262)
    upright = a_scene(camera=camera, speed=Speed(THIRD, -100.0), seconds=0.1)
    turned = replace(upright, camera=replace(camera, roll_deg=roll_deg), delivery=Delivery(rotation_deg=rotation_deg))
    shown = []
    for name, scene in (("a.mp4", upright), ("b.mp4", turned)):
        render_clip(scene, tmp_path / name, rng=np.random.default_rng(1))
        with open_clip(tmp_path / name) as clip:
            shown.append(next(iter(clip)).luma.astype(float))
    assert np.corrcoef(shown[0].ravel(), shown[1].ravel())[0, 1] > 0.97


def test_only_mp4_and_mov_can_ask_for_a_turn(tmp_path):
    scene = a_scene(delivery=Delivery(rotation_deg=90), seconds=0.1)
    with pytest.raises(UsageError, match="turn of the picture"):
        render_clip(scene, tmp_path / "a.mkv", rng=np.random.default_rng(1))


def test_ten_bits_reach_the_file(tmp_path):
    import av

    scene = a_scene(coding=Coding("hevc", 8_000_000), delivery=Delivery(bit_depth=10), seconds=0.1)
    path = tmp_path / "ten.mp4"
    render_clip(scene, path, rng=np.random.default_rng(4))
    with av.open(str(path)) as clip:
        picture = next(clip.decode(video=0))
        assert picture.format.name == "yuv420p10le"
        plane = picture.planes[0]
        stored = np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, : plane.width]
    drawn = next(frames(scene, rng=np.random.default_rng(4))).luma
    assert drawn.dtype == np.uint16
    assert len(np.unique(drawn % 4)) == 4
    assert np.abs(stored.astype(float) - drawn).mean() < 6


def test_the_truth_tells_what_is_special_and_only_that(tmp_path):
    plain = truth_of(a_scene()).to_dict()
    special = a_scene(
        fall=Fall(off_s=3.0),
        more_lights=(Light(STEADY, 0.5),),
        hand=Hand(roll_deg=0.1),
        events=(Zoom(1.0),),
        timing=Timing(doubled_frames=(3,)),
        surface=Surface(streaks=2),
    )
    told = json.loads(json.dumps(truth_of(special).to_dict()))
    assert set(told) - set(plain) == {"lights", "hand", "events", "timing", "surface"}
    assert told["events"] == [{"kind": "zoom", "at_s": 1.0, "lasts_s": 0.7, "factor": 1.25}]
    assert [light["share"] for light in told["lights"]] == [1.0, 0.5]
    assert (told["lights"][0]["on_s"], told["lights"][0]["off_s"]) == (None, 3.0)


# What makes no sense


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: DotRow(2), "dots = 2"),
        (lambda: DotRow(180, duty=1.0), "duty"),
        (lambda: DotRow(180, shape="star"), "shape"),  # type: ignore[arg-type]  # refused, on purpose
        (lambda: Lamp("laser"), "kind"),  # type: ignore[arg-type]  # refused, on purpose
        (lambda: Lamp(ambient=-0.1), "ambient"),
        (lambda: Camera(width=321), "width = 321"),
        (lambda: Camera(exposure_s=0.05), "longer than a frame"),
        (lambda: Camera(stamp="1/0"), "stamp"),
        (lambda: Camera(stamp="1/20"), "coarser than half a frame"),
        (lambda: Camera(stamp_jitter_s=0.01), "stamp_jitter_s"),
        (lambda: Lamp(rate_drift_per_s=0.1), "rate_drift_per_s"),
        (lambda: SpeedStep(1.0, 0.5, rise_s=0.0), "rise_s"),
        (lambda: Fall(colour=(0.0, 0.0, 0.0)), "black"),
        (lambda: Fall(on_s=2.0, off_s=1.0), "in this order"),
        (lambda: Light(STEADY, 0.0), "share"),
        (lambda: Hand(slowest_hz=9.0), "slowest_hz"),
        (lambda: Zoom(1.0, factor=0.8), "no picture outside"),
        (lambda: Stabiliser(margin=0.6), "margin"),
        (lambda: Processing(ghost=1.0), "ghost"),
        (lambda: Timing(doubled_frames=(0,)), "none before it"),
        (lambda: Delivery(rotation_deg=45), "rotation_deg"),  # type: ignore[arg-type]  # refused, on purpose
        (lambda: RunUp(1.0, from_share=1.0), "from_share"),
        (lambda: a_scene(delivery=Delivery(bit_depth=10)), "10 bits need 'hevc'"),
        (lambda: a_scene(timing=Timing(playback_rate_hz=30.0)), "not below the frame rate"),
        (lambda: a_scene(events=(ExposureStep(1.0, 0.05),)), "longer than a frame"),
        (lambda: Wobble(0.1), "give one of the two"),
        (lambda: Wobble(0.1, frequency_hz=1.0, per_revolution=1.0), "give one of the two"),
        (lambda: Wobble(math.nan, frequency_hz=1.0), "peak_percent"),
        *(
            (lambda name=name, rate=rate: Wobble(0.1, **{name: rate}), f"per_revolution = {rate}: must be above zero")
            for name in ("frequency_hz", "per_revolution")
            for rate in (math.inf, math.nan, 0.0)
        ),
        (lambda: Wobble(0.1, frequency_hz=1.0, phase_rad=math.inf), "phase_rad"),
        (lambda: Speed(THIRD, -99.9, (Wobble(0.2, frequency_hz=1.0),)), "turn backwards"),
        (lambda: Coding("gif"), "codec"),  # type: ignore[arg-type]  # refused, on purpose
        (lambda: random_scene(np.random.default_rng(0), nominal_rpm=50.0), "no usual ring for .* 50 rpm"),
        (lambda: Scene(rows=(), speed=Speed(THIRD)), "needs a ring"),
        (lambda: Scene(rows=(DotRow(180, z_mm=-1.0),), speed=Speed(THIRD)), "leaves the 26 mm rim"),
    ],
)
def test_nonsense_is_refused_with_its_name(make, message):
    with pytest.raises(UsageError, match=message):
        make()
