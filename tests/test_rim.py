"""The platter's own geometry from a clip of its rim, and the mark that passes on it."""

from __future__ import annotations

import io
import json
import math
import zlib
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import pytest
from measured_once import measure_once
from scenarios import SCENARIOS

import strobe
from strobe.bench.packing import revive_measurement
from strobe.cli import run
from strobe.drive.ring import as_filmed
from strobe.errors import UsageError
from strobe.figures.results import SpeedSeries
from strobe.measurement import IndexMark, Measurement, RingShare, Runout
from strobe.measuring import Told
from strobe.measuring.clock import CameraClock
from strobe.measuring.heights import row_heights
from strobe.measuring.marks import notes_of_mark, refuse_by_mark
from strobe.measuring.runout import once_a_turn
from strobe.measuring.still import high_spot_still
from strobe.measuring.view import fit_view
from strobe.pattern import RowShape
from strobe.pattern.camera import CameraCourse
from strobe.phase.mark import MarkCourse, follow_rim_mark
from strobe.render import (
    Camera,
    Coding,
    Delivery,
    DotRow,
    Lamp,
    Mark,
    Scene,
    Speed,
    Surface,
    Wobble,
    project,
    render_clip,
    truth_of,
)
from strobe.render import (
    Runout as TrueRunout,
)
from strobe.report.rim import mark_line, ring_line, runout_lines
from strobe.report.still import check_still_target

TAPE_RAD, HIGH_RAD, OUT_RAD = 1.0, 3.2, 5.0
AXIAL_AIM_MM, HIGH_AIM_DEG = 0.05, 10.0
"""What is asked of the axial runout and of the place of the high spot, on a rim of 300 mm."""
OFF_MM, WOBBLE_PERCENT = 0.15, 0.12

BENT = Scene(
    rows=(DotRow(180, height_mm=3.6),),
    speed=Speed(100 / 3, 0.4, wobbles=(Wobble(WOBBLE_PERCENT, per_revolution=1.0, phase_rad=0.6),)),
    lamp=Lamp("half-sine", 100.03, ambient=0.1),
    camera=Camera(width=640, height=360, exposure_s=0.004, elevation_deg=12.0, hfov_deg=55.0, distance_mm=240.0),
    coding=Coding(bit_rate=3_000_000),
    seconds=9.0,
    radius_mm=150.0,
    first_angle_rev=0.3,
    surface=Surface((Mark(TAPE_RAD, width_mm=8.0, z_mm=-4.0),)),
    runout=TrueRunout(0.6, HIGH_RAD, 2 * OFF_MM, OUT_RAD, OFF_MM, OUT_RAD),
)


@pytest.fixture(scope="module")
def bent_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    clip = tmp_path_factory.mktemp("rim") / "bent.mp4"
    render_clip(BENT, clip, rng=np.random.default_rng(5))
    return clip


@pytest.fixture(scope="module")
def bent(bent_clip: Path) -> Measurement:
    return measure_once(bent_clip, rpm=33, dots=180, rim_mm=300.0)


def test_the_rise_and_fall_is_told(bent: Measurement) -> None:
    runout = bent.runout
    assert runout is not None
    assert abs(runout.axial_mm - 0.6) < min(AXIAL_AIM_MM, runout.axial_uncertainty_mm)
    assert runout.axial_amplitude_mm == pytest.approx(runout.axial_mm / 2)
    assert runout.tilt_deg == pytest.approx(math.degrees(0.3 / 150), abs=0.02)
    assert runout.radial_mm is not None
    assert runout.radial_uncertainty_mm is not None
    assert abs(runout.radial_mm - 2 * OFF_MM) < runout.radial_uncertainty_mm
    assert (runout.rim_mm, runout.rim_assumed) == (300.0, False)


def test_the_camera_s_height_is_told(bent: Measurement) -> None:
    runout = bent.runout
    assert runout is not None
    assert runout.elevation_deg is not None
    assert runout.elevation_uncertainty_deg is not None
    assert abs(runout.elevation_deg - BENT.camera.elevation_deg) < runout.elevation_uncertainty_deg


def test_from_above_where_the_row_bends_out_of_its_line(tmp_path: Path) -> None:
    """The ends of the row rise by several pixels in the last block; each figure holds by its own uncertainty."""
    scene = replace(BENT, camera=replace(BENT.camera, elevation_deg=20.0))
    render_clip(scene, tmp_path / "above.mp4", rng=np.random.default_rng(5))
    found = measure_once(tmp_path / "above.mp4", rpm=33, dots=180, rim_mm=300.0)
    runout, ring = found.runout, found.ring
    assert runout is not None
    assert ring is not None
    assert runout.radial_mm is not None
    assert runout.radial_uncertainty_mm is not None
    assert runout.elevation_deg is not None
    assert runout.elevation_uncertainty_deg is not None
    assert abs(runout.elevation_deg - 20.0) < runout.elevation_uncertainty_deg
    assert abs(runout.axial_mm - 0.6) < min(AXIAL_AIM_MM, runout.axial_uncertainty_mm)
    assert abs(runout.radial_mm - 2 * OFF_MM) < runout.radial_uncertainty_mm
    assert ring.off_centre_mm is not None
    assert ring.off_centre_uncertainty_mm is not None
    assert abs(ring.off_centre_mm - OFF_MM) < ring.off_centre_uncertainty_mm


def test_the_high_spot_is_told_from_the_tape(bent: Measurement) -> None:
    runout = bent.runout
    assert runout is not None
    assert runout.high_spot_from_mark_deg is not None
    assert runout.high_spot_uncertainty_deg is not None
    off = (runout.high_spot_from_mark_deg - math.degrees(HIGH_RAD - TAPE_RAD) + 180) % 360 - 180
    assert abs(off) < min(HIGH_AIM_DEG, runout.high_spot_uncertainty_deg)
    # A point printed at azimuth b stands in front when the platter has turned by b.
    faces = (BENT.angle_rev(runout.axial_high_time_s) - HIGH_RAD / (2 * math.pi) + 0.5) % 1 - 0.5
    assert abs(360 * float(faces)) < HIGH_AIM_DEG


def test_a_bent_platter_is_no_moving_camera(bent: Measurement) -> None:
    assert "shake" not in {note.code for note in bent.notes}


def test_dots_off_centre_are_told_from_wobble_in_one_clip(bent: Measurement) -> None:
    ring = bent.ring
    assert ring is not None
    false_percent = 100 * OFF_MM / 150
    assert abs(ring.ring_percent - false_percent) < ring.ring_uncertainty_percent < 0.5 * false_percent
    assert abs(ring.wobble_percent - WOBBLE_PERCENT) < ring.wobble_uncertainty_percent
    assert ring.off_centre_mm is not None
    assert ring.off_centre_uncertainty_mm is not None
    assert abs(ring.off_centre_mm - OFF_MM) < ring.off_centre_uncertainty_mm
    once = next(one for one in bent.components if abs(one.per_revolution - 1) < 0.05)
    assert abs(once.peak_percent - WOBBLE_PERCENT) < once.uncertainty_percent
    rms = bent.fluctuation.unweighted_rms_percent
    assert abs(rms - WOBBLE_PERCENT / math.sqrt(2)) < bent.fluctuation.unweighted_rms_uncertainty_percent
    assert "ring-off-centre" in {note.code for note in bent.notes}


def test_a_harmonic_of_the_lamp_that_comes_once_a_turn_is_no_ring(tmp_path: Path) -> None:
    """The fifth of a lamp in a saturated picture swings the parts of a row as dots off centre would."""
    speed = Speed(45.0, -1.16, wobbles=(Wobble(0.28, per_revolution=1.0, phase_rad=2.0),))
    frame_hz = 25.0
    scene = replace(
        BENT,
        rows=(DotRow(160, height_mm=3.2),),
        speed=speed,
        lamp=Lamp("half-sine", (24 * frame_hz + speed.mean_rpm / 60) / 5, ambient=0.03),
        camera=Camera(
            width=960,
            height=540,
            frame_rate_hz=frame_hz,
            exposure_s=0.0049,
            readout_s=0.0226,
            distance_mm=384.0,
            elevation_deg=14.0,
            hfov_deg=59.0,
            brightness=2.9,
        ),
        radius_mm=146.0,
        surface=Surface(),
        runout=TrueRunout(),
    )
    render_clip(scene, tmp_path / "bright.mp4", rng=np.random.default_rng(0))
    found = measure_once(tmp_path / "bright.mp4", rpm=45, dots=160, mains=60)
    assert "ring-off-centre" not in {note.code for note in found.notes}
    assert found.ring is not None
    assert found.ring.ring_percent < found.ring.ring_uncertainty_percent
    rms = found.fluctuation.unweighted_rms_percent
    assert abs(rms - truth_of(scene).unweighted_rms_percent) < found.fluctuation.unweighted_rms_uncertainty_percent


READOUT_S, WOW_PERCENT = 0.022, 2.0
BY_READOUT_PERCENT = 0.2
"""What of that wow looks like a ring along the row, about: in one readout the platter turns by 0.08 rad, and the parts
of the row stand over some 0.8 rad of it."""


def sideways(lamp: Lamp, *, rotation_deg: Literal[90, 270] = 90, ring_mm: float = 0.0) -> Scene:
    """A level rim with wow in a picture that was filmed upright, so that the shutter sweeps along the row."""
    return replace(
        BENT,
        speed=Speed(100 / 3, 0.4, wobbles=(Wobble(WOW_PERCENT, per_revolution=1.0, phase_rad=2.5),)),
        lamp=lamp,
        camera=Camera(
            width=960,
            height=540,
            exposure_s=0.002 if lamp.kind != "pulse" else 0.012,
            readout_s=READOUT_S,
            elevation_deg=12.0,
            hfov_deg=60.0,
            distance_mm=340.0,
            roll_deg=-90.0 if rotation_deg == 90 else 90.0,
        ),
        delivery=Delivery(rotation_deg=rotation_deg),
        surface=Surface(),
        runout=TrueRunout(0.0, 0.0, 0.0, 0.0, ring_mm, OUT_RAD),
    )


@pytest.mark.parametrize(
    ("lamp", "rotation_deg", "widest_percent"),
    [
        (Lamp("half-sine", 100.03), 90, BY_READOUT_PERCENT / 2),
        (Lamp("half-sine", 100.03), 270, BY_READOUT_PERCENT / 2),
        (Lamp("pulse", 100.03, 0.1), 90, BY_READOUT_PERCENT / 2),
        (Lamp("steady", 100.0), 90, 2 * BY_READOUT_PERCENT),
    ],
    ids=["flicker", "the other way", "lamp-timed", "unknown"],
)
def test_wow_that_the_parts_of_a_row_show_at_different_times_is_no_ring(
    lamp: Lamp, rotation_deg: Literal[90, 270], widest_percent: float, tmp_path: Path
) -> None:
    """Flicker tells how long the shutter sweeps along the row; in steady light nothing does: the interval says so."""
    scene = sideways(lamp, rotation_deg=rotation_deg)
    render_clip(scene, tmp_path / "sideways.mp4", rng=np.random.default_rng(3))
    found = strobe.measure(tmp_path / "sideways.mp4", rpm=33, dots=180, mains=50)
    ring = found.ring
    assert ring is not None
    assert "ring-off-centre" not in {note.code for note in found.notes}
    assert ring.ring_percent < ring.ring_uncertainty_percent < widest_percent
    assert abs(ring.wobble_percent - WOW_PERCENT) < ring.wobble_uncertainty_percent
    rms = found.fluctuation.weighted_rms_percent
    assert abs(rms - truth_of(scene).weighted_rms_percent) < found.fluctuation.weighted_rms_uncertainty_percent


def test_dots_off_centre_are_told_beside_wow_that_the_shutter_meets_late(tmp_path: Path) -> None:
    scene = sideways(Lamp("half-sine", 100.03), ring_mm=2 * OFF_MM)
    render_clip(scene, tmp_path / "both.mp4", rng=np.random.default_rng(3))
    found = strobe.measure(tmp_path / "both.mp4", rpm=33, dots=180, mains=50)
    ring, false_percent = found.ring, 100 * 2 * OFF_MM / 150
    assert ring is not None
    assert "ring-off-centre" in {note.code for note in found.notes}
    assert abs(ring.ring_percent - false_percent) < ring.ring_uncertainty_percent < 0.5 * false_percent
    assert abs(ring.wobble_percent - WOW_PERCENT) < ring.wobble_uncertainty_percent


def test_the_tape_tells_the_speed_by_itself(bent: Measurement) -> None:
    index = bent.index
    assert index is not None
    assert index.agrees
    assert abs(index.deviation_percent - 0.4) < index.uncertainty_percent < 0.2
    assert len(index.passes_s) >= 4
    assert np.diff(index.passes_s) == pytest.approx(index.turn_s, rel=0.005)
    stands = (float(BENT.angle_rev(0.0)) - TAPE_RAD / (2 * math.pi) - index.angle_rev + 0.5) % 1 - 0.5
    assert abs(stands) < index.angle_uncertainty_rev
    told = bent.to_dict()
    assert told["index"]["passes_s"] == list(index.passes_s)
    assert set(told["ring"]) >= {"wobble_percent", "ring_percent", "ring_uncertainty_percent"}
    json.dumps(told, allow_nan=False)


def test_a_reading_of_a_rim_comes_back_from_the_log(bent: Measurement) -> None:
    kept = json.loads(json.dumps(bent.to_dict(), allow_nan=False))
    back = revive_measurement(kept, bent.series, dot_pitch_px=bent.dot_pitch_px)
    assert (back.runout, back.ring, back.index) == (bent.runout, bent.ring, bent.index)
    kept["index"]["agrees"] = 1
    with pytest.raises(ValueError, match="agrees is not a usable bool"):
        revive_measurement(kept, bent.series, dot_pitch_px=bent.dot_pitch_px)


def test_what_a_wrong_count_makes_of_the_speed_is_refused_by_the_tape(bent_clip: Path) -> None:
    with pytest.raises(strobe.Refused, match=r"ambiguous: The mark that passes takes 1\.79\d\d s .* -3\.3\d % off"):
        strobe.measure(bent_clip, rpm=100 / 3 * 180 / 174, dots=174)


def test_light_that_goes_otherwise_than_dots_that_come_round_is_no_mark(
    bent_clip: Path, bent: Measurement, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows beside each other make light that runs along them, as steadily as a mark but at no multiple of the turn."""

    def twice_as_fast(*args: Any, **options: Any) -> MarkCourse | None:
        mark = follow_rim_mark(*args, **options)
        assert mark is not None
        return replace(mark, rate_hz=1.97 * mark.rate_hz, turns=1.97 * mark.turns)

    monkeypatch.setattr("strobe.measuring.rim.follow_rim_mark", twice_as_fast)
    found = strobe.measure(bent_clip, rpm=33, dots=180)
    assert found.index is None
    assert found.speed == bent.speed


@pytest.mark.parametrize(("off_percent", "turns", "refused"), [(0.5, 6.0, True), (0.2, 6.0, False), (0.5, 3.0, False)])
def test_a_mark_that_is_seen_often_contradicts_a_count(
    bent: Measurement, off_percent: float, turns: float, refused: bool
) -> None:
    """The count next to 216 makes 0.46 %; less, or seen in few turns, is a note."""
    assert bent.index is not None
    index = replace(bent.index, agrees=False, difference_percent=off_percent, turns=turns)
    assert [note.code for note in notes_of_mark(index, pattern="dots")] == ["index-disagrees"]
    with pytest.raises(strobe.Refused) if refused else nullcontext():
        refuse_by_mark(index, Told(CameraClock()), pattern="dots")


def test_what_was_taken_off_can_be_put_back(bent: Measurement) -> None:
    series = as_filmed(bent.series, bent.ring)
    turn = 2 * np.pi * series.angle_rev
    basis = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1)
    kept, whole = (np.linalg.lstsq(basis, one.deviation_percent, rcond=None)[0] for one in (bent.series, series))
    seen = np.hypot(*whole[1:])
    # Wobble at phase 0.6 and ring at its own: as the renderer drew them together.
    mean = BENT.speed.mean_rpm / 60
    time = np.arange(0, 1 / mean, 1e-3)
    platter = BENT.angle_rev(time)
    place = 2 * np.pi * platter
    ring = 100 * OFF_MM / 150 * np.cos(OUT_RAD - place)
    drawn = BENT.deviation_percent(time) + ring
    spectrum = 2 * np.mean(drawn * np.exp(-1j * place))
    assert bent.ring is not None
    assert seen == pytest.approx(abs(spectrum), abs=0.02)
    assert np.hypot(*kept[1:]) == pytest.approx(WOBBLE_PERCENT, abs=0.03)


def test_no_mark_and_no_runout_where_there_is_none() -> None:
    told = measure_once(Path(__file__).parents[1] / "sample_clips" / "01-as-found-33.mp4", rpm=33)
    assert told.index is None
    assert told.runout is not None
    assert told.runout.rim_assumed
    assert told.runout.axial_mm < AXIAL_AIM_MM
    assert told.runout.high_spot_from_mark_deg is None


def test_the_still_shows_the_high_spot(
    bent: Measurement, bent_clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    still = high_spot_still(bent)
    assert still.picture.shape == (360, 640, 3)
    assert bent.runout is not None
    assert abs(still.time_s - bent.runout.axial_high_time_s) < 0.5 / 30 + 1e-6
    near_x, near_y = project(BENT, 0.0, BENT.rows[0].z_mm)
    assert still.x_px == pytest.approx(float(near_x), abs=12)
    assert still.y_px == pytest.approx(float(near_y), abs=4)
    monkeypatch.chdir(tmp_path)
    argv = ["suspects", str(bent_clip), "--rpm", "33", "--dots", "180", "--rim-mm", "300", "--high-spot", "high.png"]
    out, err = io.StringIO(), io.StringIO()
    assert run(argv, out=out, err=err, measure=measure_once) == 0, err.getvalue()
    assert "to the right of the mark" in " ".join(out.getvalue().split())
    assert max(map(len, out.getvalue().splitlines())) <= 80
    written = cv2.imread("high.png")
    assert written is not None
    assert written.shape == (360, 640, 3)
    with pytest.raises(UsageError, match=r"end it in \.png"):
        check_still_target(tmp_path / "high.jpg")
    with pytest.raises(UsageError, match="shows no high spot"):
        high_spot_still(replace(bent, runout=None))


@pytest.mark.slow
def test_two_clips_part_ring_and_wobble(bent_clip: Path, tmp_path: Path) -> None:
    """Aim: both within 20 %, here with a rim that rises and falls as well; the camera moved by half a turn."""
    opposite = tmp_path / "opposite.mp4"
    turned = replace(BENT, first_angle_rev=BENT.first_angle_rev - 0.5)
    render_clip(turned, opposite, rng=np.random.default_rng(5))
    argv = ["ring", str(bent_clip), str(opposite), "--rpm", "33", "--rim-mm", "300", "--json"]
    out, err = io.StringIO(), io.StringIO()
    assert run(argv, out=out, err=err) == 0, err.getvalue()
    told = json.loads(out.getvalue())
    once = told["parts"][0]
    assert told["ring_off_centre_mm"] == pytest.approx(OFF_MM, rel=0.2)
    assert once["wobble_percent"] == pytest.approx(WOBBLE_PERCENT, rel=0.2)
    assert abs(once["wobble_percent"] - WOBBLE_PERCENT) < once["wobble_uncertainty_percent"]
    assert abs(once["ring_percent"] - 100 * OFF_MM / 150) < once["ring_uncertainty_percent"]


def test_ring_finds_the_tape_by_itself(bent_clip: Path) -> None:
    argv = ["ring", str(bent_clip), str(bent_clip), "--rpm", "33", "--dots", "180", "--rim-mm", "300", "--json"]
    out, err = io.StringIO(), io.StringIO()
    assert run(argv, out=out, err=err, measure=measure_once) == 0, err.getvalue()
    told = json.loads(out.getvalue())
    # The same clip twice: all of it keeps its phase from the mark on, so it is the ring's.
    assert told["parts"][0]["ring_percent"] > 0.1
    assert told["parts"][0]["wobble_percent"] < 0.01
    assert told["alone"][0]["ring_percent"] == pytest.approx(0.1, abs=0.04)


def shape_seen(scene: Scene) -> RowShape:
    dots = np.arange(-24, 25.0)
    x, y = project(scene, 2 * np.pi * dots / 180, np.full(dots.size, scene.rows[0].z_mm))
    x, y = (np.asarray(one, np.float64) - 0.5 for one in (x, y))
    return RowShape(x, y, dots + 24, x[::6], np.zeros((9, 2)), scene.camera.width, scene.camera.height)


@pytest.mark.parametrize("elevation", [0.0, 8.0, 25.0])
@pytest.mark.parametrize("hfov", [45.0, 65.0])
def test_the_camera_is_found_from_the_row(elevation: float, hfov: float) -> None:
    scene = replace(BENT, camera=replace(BENT.camera, elevation_deg=elevation, hfov_deg=hfov, roll_deg=2.0))
    view = fit_view(shape_seen(scene), 180)
    assert view is not None
    assert abs(view.elevation_deg - elevation) < max(view.elevation_uncertainty_deg, 1.0)
    rise, _ = view.moved_px(np.zeros(1))
    seen = [project(scene, 0.0, scene.rows[0].z_mm + step)[1] for step in (-0.5, 0.5)]
    assert float(rise[0, 1]) / 150 == pytest.approx(float(seen[1] - seen[0]), rel=0.02)
    assert float(view.azimuth_rad(np.array([319.5]))[0]) == pytest.approx(0.0, abs=0.03)


def test_no_camera_sees_a_wavy_circle() -> None:
    shape = shape_seen(BENT)
    assert fit_view(replace(shape, y_px=shape.y_px + 40 * np.sin(shape.dots)), 180) is None


def test_heights_stand_firm_under_bands_of_light() -> None:
    rng = np.random.default_rng(3)
    line = np.arange(-20, 21.0)
    moved = 1.5 * np.sin(np.arange(200) / 9)
    at = line[None, :] - moved[:, None]
    dots = 1 / (1 + np.exp((np.abs(at) - 8) / 0.7))
    light = (1 + 0.4 * np.sin(np.arange(200) / 3))[:, None] * (1 + 0.01 * np.cos(np.arange(200) / 2)[:, None] * line)
    seen = 40 * dots * light + rng.normal(0, 0.3, dots.shape)
    shift, weight = row_heights(seen[:, :, None].astype(np.float32), line)
    assert np.std(shift[:, 0] - moved) < 0.02
    assert np.all(weight > 0)
    dark = seen.copy()
    dark[::5] *= 0.01
    shift, weight = row_heights(dark[:, :, None].astype(np.float32), line)
    lit = weight[:, 0] > 0
    assert not lit[::5].any()
    assert np.std((shift[:, 0] - moved)[lit]) < 0.03


def test_once_a_turn_leaves_other_orders_alone() -> None:
    turns = np.linspace(0, 5.3, 400)
    series = 0.3 * np.cos(2 * np.pi * turns + 1.1) + 0.2 * np.cos(4 * np.pi * turns) + 3 - turns
    found, sigma = once_a_turn(series, turns, turns / 0.56)
    assert abs(found) == pytest.approx(0.3, abs=0.003)
    assert np.angle(found) == pytest.approx(1.1, abs=0.01)
    assert sigma < 0.01


@pytest.mark.parametrize("missing", [[], [57], [101, 102, 260]], ids=["none", "one", "three"])
def test_once_a_turn_beside_all_the_dots_that_pass_where_frames_are_missing(missing: list[int]) -> None:
    """A frame is worth four dots of the course, and a swing of 0.3 dots has to be told beside it."""
    time = np.delete(np.arange(300) / 30, missing)
    turns = 0.56 * time
    swing = 0.3 * np.cos(2 * np.pi * turns + 1.1)
    noise = np.random.default_rng(2).normal(0, 0.01, time.size)
    found, sigma = once_a_turn(200 * turns + swing + noise, turns, time)
    # White noise leaves either part 0.01 * sqrt(2 / frames); three of it, and the slow terms share a little.
    assert abs(found - 0.3 * np.exp(1.1j)) < 4 * 0.01 * math.sqrt(2 / time.size)
    assert sigma < 2 * 0.01 * math.sqrt(2 / time.size)


def lanes_with(brightness: float, *, rate_hz: float = 0.5556, seconds: float = 12.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    time = np.arange(0, seconds, 1 / 30)
    azimuth = 2 * np.pi * np.arange(-22, 23) / 180
    lanes = 60 + 20 * rng.random((1, 4, azimuth.size)) + rng.normal(0, 1.0, (time.size, 4, azimuth.size))
    apart = (azimuth[None, :] / (2 * np.pi) - (0.2 - rate_hz * time)[:, None] + 0.5) % 1 - 0.5
    lanes[:, 2] *= 1 + brightness * np.clip(1.5 - np.abs(apart) * 180, 0, 1)
    lanes *= (1 + 0.3 * np.sin(9 * time))[:, None, None]
    return lanes.astype(np.float32), azimuth


@pytest.mark.parametrize("brightness", [0.8, -0.5])
def test_a_bright_and_a_dark_mark_are_followed(brightness: float) -> None:
    lanes, azimuth = lanes_with(brightness)
    mark = follow_rim_mark(
        lanes, azimuth, np.arange(len(lanes)) / 30, sectors=180, dots=100.0 * np.arange(len(lanes)) / 30
    )
    assert mark is not None
    assert abs(mark.rate_hz - 0.5556) < mark.uncertainty_hz < 0.001
    assert mark.passes_s[0] == pytest.approx(0.2 / 0.5556, abs=0.01)
    assert len(mark.passes_s) == 7


def test_no_mark_is_followed_where_none_is() -> None:
    lanes, azimuth = lanes_with(0.0)
    assert (
        follow_rim_mark(
            lanes, azimuth, np.arange(len(lanes)) / 30, sectors=180, dots=100.0 * np.arange(len(lanes)) / 30
        )
        is None
    )
    short, azimuth = lanes_with(0.8, seconds=0.5)
    assert (
        follow_rim_mark(
            short, azimuth, np.arange(len(short)) / 30, sectors=180, dots=100.0 * np.arange(len(short)) / 30
        )
        is None
    )


def test_dots_on_centre_are_not_taken_off(tmp_path: Path) -> None:
    """Where the prior holds the estimate up, letting go of it must not make the estimate sure (seen in the study)."""
    rng = np.random.default_rng([123, zlib.crc32(b"stamps-rounded"), 2])
    case = SCENARIOS["stamps-rounded"](rng)
    clip = tmp_path / f"centred{case.suffix}"
    render_clip(case.scene, clip, rng=rng)
    found = strobe.measure(clip, **case.told)
    assert "ring-off-centre" not in {note.code for note in found.notes}
    (once,) = [one for one in found.components if abs(one.per_revolution - 1) < 0.03]
    truth = next(one.peak_percent for one in case.scene.speed.wobbles if one.per_revolution == 1.0)
    assert abs(once.peak_percent - truth) < once.uncertainty_percent


def test_dots_that_creep_are_no_mark(tmp_path: Path) -> None:
    """118.2 dots a second at 60 pictures: the sectors they pass blink 1.8 times a second, which no mark does.

    The scene is the one of the scenario study in which that was taken for a mark, 50 % off the dots' own turns.
    """
    case = SCENARIOS["mirrored"](np.random.default_rng([314, zlib.crc32(b"mirrored"), 0]))
    clip = tmp_path / "creeps.mp4"
    render_clip(replace(case.scene, seconds=7.0), clip, rng=np.random.default_rng(4))
    found = strobe.measure(clip, **case.told)
    assert found.index is None
    assert "index-disagrees" not in {note.code for note in found.notes}


@pytest.mark.parametrize(("swing", "moved"), [("even", False), ("hand", True)])
def test_an_even_swing_once_a_turn_is_the_platter(swing: str, moved: bool) -> None:
    time = np.arange(0, 10, 1 / 30)
    rng = np.random.default_rng(4)
    shift = rng.normal(0, 0.02, (time.size, 2))
    wander = np.cumsum(rng.normal(0, 0.15, time.size)) if swing == "hand" else 0.6 * np.sin(2 * np.pi * 0.556 * time)
    shift[:, 1] += wander
    nothing = np.zeros((time.size, 4))
    course = CameraCourse(shift, nothing, nothing[:, :0], np.zeros((time.size, 2), int), 0.02, True, (100.0, 200.0))
    assert course.unless_it_turns(time).moved is moved


RUNOUT = Runout(0.62, 0.04, 1.2, 0.11, 0.03, 0.31, 0.12, 0.01, 4.0, 143.0, 305.0, True, 9.0, 0.5, 0.5, 0.6)
RING = RingShare(0.09, 0.02, 0.054, 0.016, 0.05, 10.0, 0.01, 0.08, 0.02)
INDEX = IndexMark(0.2, 0.01, 1.8, 0.0002, 5.2, 33.34, 0.02, 0.01, 0.004, True, (0.5, 2.3))


def test_the_words(bent: Measurement) -> None:
    lines = runout_lines(replace(bent, runout=RUNOUT))
    assert lines[0].startswith("rises and falls 0.62 mm (±0.04), high to low (TIR), ±0.31 about its mean")
    assert "143 degrees (±4) to the right of the mark" in lines[1]
    assert "0.11 mm (±0.03)" in lines[2]
    assert "--rim-mm" in lines[3]
    true = replace(RUNOUT, axial_mm=0.01, radial_mm=None, radial_uncertainty_mm=None)
    assert runout_lines(replace(bent, runout=true)) == []
    assert runout_lines(replace(bent, runout=true), always=True)[0] == "rises and falls by less than 0.05 mm"
    untaped = replace(RUNOUT, high_spot_from_mark_deg=None)
    assert "a bit of tape" in runout_lines(replace(bent, runout=untaped))[1]
    assert runout_lines(replace(bent, runout=None)) == []
    assert "does not show" in runout_lines(replace(bent, runout=None), always=True)[0]
    assert ring_line(RING) == (
        "once a turn: the platter's speed ±0.090 % (±0.020), dots off centre ±0.054 % (±0.016), 0.08 mm (±0.02) along "
        "the rim"
    )
    assert "below ±0.070 %" in ring_line(replace(RING, ring_uncertainty_percent=0.06, ring_percent=0.01))
    assert mark_line(INDEX).endswith("as the dots say")
    assert "+0.004 % off" in mark_line(replace(INDEX, agrees=False))


def test_a_rim_of_no_platter_is_refused(bent_clip: Path) -> None:
    with pytest.raises(UsageError, match="rim diameter is 3 mm"):
        strobe.measure(bent_clip, rim_mm=3.0)


def test_nothing_is_put_back_without_a_ring() -> None:
    series = SpeedSeries(np.arange(3.0), np.arange(3.0), np.zeros(3))
    assert as_filmed(series, None) is series
