"""A camera that moves: the scenery followed, the rows read steadily, and what is left taken off or stated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from test_pattern import AMPLITUDE, LEVEL, Picture, Texture, as_frames, exposed

import strobe
from strobe.measuring.motion import Steadied, moved_by, moves, steadied
from strobe.pattern import CameraCourse, PatternReading, RowSeries, read_pattern
from strobe.pattern.impression import Impression
from strobe.pattern.shake import ShakeWatch
from strobe.pattern.tracking import PatchTracker
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

SHAPE = (182, 322)
MIDDLE = (91.0, 161.0)

Taken = Callable[..., NDArray[np.uint8]]


def seen_by(seed: int, *, noise: float = 1.5) -> tuple[PatchTracker, Taken]:
    """A tracker that has learned a texture, and a camera for it; `light` multiplies the picture."""
    rng = np.random.default_rng(seed)
    texture = Texture(rng)

    def taken(right: float = 0.0, down: float = 0.0, light: Picture | float = 1.0) -> NDArray[np.uint8]:
        return exposed(texture(right, down) * light, rng, noise=noise)

    return PatchTracker([taken() for _ in range(8)], np.ones(SHAPE, bool), anchor=MIDDLE), taken


def place(tracker: PatchTracker, plane: NDArray[np.generic]) -> tuple[float, float]:
    motion = tracker.follow(plane)
    assert motion is not None
    return motion.right_px, motion.down_px


class TestTracking:
    @pytest.mark.parametrize("seed", range(3))
    def test_small_shifts(self, seed: int) -> None:
        """To three times the noise that the tracker states, which the scatter of its error bears out."""
        tracker, taken = seen_by(seed)
        errors, noises = [], []
        for moved in np.random.default_rng(seed).uniform(-0.8, 0.8, (24, 2)):
            motion = tracker.follow(taken(*moved))
            assert motion is not None
            errors.append((motion.right_px - moved[0], motion.down_px - moved[1]))
            noises.append(motion.noise_px)
        assert np.abs(errors).max() < 0.03
        assert 0.3 * np.median(noises) < np.std(errors, axis=0)[0] < 2 * np.median(noises)

    @pytest.mark.parametrize("moved", [(5.0, 0.0), (0.0, -5.0), (3.0, 4.0), (-5.0, 2.0), (9.0, -8.0)])
    def test_a_jump_from_one_frame_to_the_next(self, moved: tuple[float, float]) -> None:
        """Nearly there in the first frame, however far it is, and as good as ever in the second."""
        tracker, taken = seen_by(4)
        for there in (moved, (0.0, 0.0)):
            assert place(tracker, taken(*there)) == pytest.approx(there, abs=0.2)
            assert place(tracker, taken(*there)) == pytest.approx(there, abs=0.03)

    def test_a_dark_frame_is_passed_over(self) -> None:
        tracker, taken = seen_by(13)
        assert place(tracker, taken(2.0, -1.0)) == pytest.approx((2, -1), abs=0.05)
        assert tracker.follow(taken(2.0, -1.0, light=0.0)) is None
        assert place(tracker, taken(2.2, -1.1)) == pytest.approx((2.2, -1.1), abs=0.03)

    def test_no_frame_of_a_shaken_clip_is_off(self) -> None:
        tracker, taken = seen_by(5)
        time = np.arange(60) / 30
        right = 2 * np.sin(2 * np.pi * 1.3 * time) + 0.5
        down = 1.5 * np.sin(2 * np.pi * 0.9 * time + 1) - 0.5
        for moved in zip(right, down, strict=True):
            assert place(tracker, taken(*moved)) == pytest.approx(moved, abs=0.05)

    @pytest.mark.parametrize("standing", [False, True], ids=["rolling down", "rolling sideways"])
    @pytest.mark.parametrize("moved", [(0.0, 0.0), (0.7, -0.4)])
    def test_bands_of_flicker_move_nothing(self, moved: tuple[float, float], standing: bool) -> None:
        """Bands with sharp edges that take away up to two thirds of the light."""
        rng = np.random.default_rng(6)
        texture = Texture(rng)
        lines = np.arange(SHAPE[1] if standing else SHAPE[0])

        def taken(k: int, right: float = 0.0, down: float = 0.0) -> NDArray[np.uint8]:
            part = np.mod(lines / 120 + 0.29 * k, 1)
            light = 0.33 + 0.67 * np.clip(8 * np.minimum(part, 0.6 - part), 0, 1)
            return exposed(texture(right, down) * (light[None, :] if standing else light[:, None]), rng)

        tracker = PatchTracker([taken(k) for k in range(12)], np.ones(SHAPE, bool), anchor=MIDDLE)
        found = np.array([place(tracker, taken(k, *moved)) for k in range(12, 32)])
        assert np.all(np.std(found, axis=0) < ([0.05, 0.02] if standing else [0.02, 0.05]))
        np.testing.assert_allclose(found.mean(axis=0), moved, atol=0.02)

    def test_turn_and_stretch(self) -> None:
        rng = np.random.default_rng(7)
        texture = Texture(rng)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
        turn, stretch = 0.004, 0.006
        source_x = x - stretch * (x - MIDDLE[1]) + turn * (y - MIDDLE[0]) - 0.5
        source_y = y - stretch * (y - MIDDLE[0]) - turn * (x - MIDDLE[1])
        waves = texture.turns[:, 0, None, None] * source_x + texture.turns[:, 1, None, None] * source_y
        moved = 110 + texture.strength * np.cos(waves + texture.phase[:, None, None]).sum(axis=0)
        tracker = PatchTracker([exposed(texture(), rng) for _ in range(8)], np.ones(SHAPE, bool), anchor=MIDDLE)
        motion = tracker.follow(exposed(moved, rng))
        assert motion is not None
        assert (motion.right_px, motion.down_px) == pytest.approx((0.5, 0.0), abs=0.05)
        np.testing.assert_allclose(motion.slopes, [turn, stretch, stretch, -turn], atol=0.0015)

    def test_what_goes_its_own_way_is_left_out(self) -> None:
        """A third of the picture slides along, as a reflection on a turning rim does."""
        rng = np.random.default_rng(8)
        scenery, other = (Texture(rng, width=642, height=362) for _ in range(2))

        def taken(k: int, right: float = 0.0) -> NDArray[np.uint8]:
            picture = scenery(right)
            picture[:120] = other(0.8 * k)[:120]
            return exposed(picture, rng)

        tracker = PatchTracker([taken(k) for k in range(12)], np.ones((362, 642), bool), anchor=(181, 321))
        for k, right in enumerate((0.0, 0.6, 1.2, 0.4, -0.5)):
            assert place(tracker, taken(12 + k, right)) == pytest.approx((right, 0), abs=0.06)

    def test_large_pictures_are_tracked_at_a_coarser_scale(self) -> None:
        rng = np.random.default_rng(9)
        texture = Texture(rng, width=2600, height=300)
        texture.turns /= 3
        planes = [exposed(texture(), rng) for _ in range(3)]
        tracker = PatchTracker(planes, np.ones((300, 2600), bool), anchor=(150, 1300))
        assert place(tracker, exposed(texture(0.6, -0.4), rng)) == pytest.approx((0.6, -0.4), abs=0.1)

    def test_nothing_to_hold_on_to(self) -> None:
        even = np.full(SHAPE, 90, np.uint8)
        assert PatchTracker([even] * 3, np.ones(SHAPE, bool), anchor=MIDDLE).follow(even) is None


class TestWatching:
    def test_a_camera_on_a_stand_does_not_move_and_is_seldom_looked_at(self, monkeypatch: pytest.MonkeyPatch) -> None:
        rng = np.random.default_rng(10)
        texture = Texture(rng)
        watch = ShakeWatch([exposed(texture(), rng) for _ in range(8)], [])
        looks = 0
        follow = PatchTracker.follow

        def counted(tracker: PatchTracker, plane: NDArray[np.generic], *, few: bool = False) -> object:
            nonlocal looks
            looks += 1
            return follow(tracker, plane, few=few)

        monkeypatch.setattr(PatchTracker, "follow", counted)
        picture = texture()
        assert all(watch.look(exposed(picture, rng)) == (0, 0) for _ in range(120))
        course = watch.course()
        assert not course.moved
        assert looks < 60
        assert np.abs(course.shift_px).max() < 0.1
        blocks = np.ones((120, 3), np.complex64)
        # Not typed: the reader is not asked on a stand.
        assert course.taken_off(blocks, None, (1, 1)) is blocks  # type: ignore[arg-type]  # no reader is asked
        brightness = np.ones((120, 5))
        assert course.evened(brightness) is brightness

    def test_a_camera_that_is_taken_up_later_is_noticed(self) -> None:
        rng = np.random.default_rng(11)
        texture = Texture(rng)
        watch = ShakeWatch([exposed(texture(), rng) for _ in range(8)], [])
        right = np.concatenate([np.zeros(60), 2 * np.sin(2 * np.pi * np.arange(60) / 20)])
        for one in right:
            watch.look(exposed(texture(one), rng))
        course = watch.course()
        assert course.moved
        np.testing.assert_allclose(course.shift_px[72:, 0], right[72:], atol=0.06)

    def test_brightness_of_scenery_that_moves_past_keeps_its_flicker_alone(self) -> None:
        frames = np.arange(200)
        shift = np.stack([np.sin(0.31 * frames), 2 * np.sin(0.2 * frames + 1)], axis=1)
        flicker = 1 + 0.05 * np.cos(2.1 * frames)
        seen = (flicker * np.exp(0.1 * shift[:, 1] + 0.03 * shift[:, 0] * shift[:, 1]))[:, None] * [40.0, 90.0]
        evened = _course(shift).evened(seen)
        np.testing.assert_allclose(evened / evened.mean(axis=0), np.stack([flicker, flicker], axis=1), atol=0.004)


WIDTH, HEIGHT = 646, 282
PITCH, ROW_Y, HALF, STEP = 14.0, 171.0, 6.0, 0.23


def shaken_row(moved: NDArray[np.float64], rng: np.random.Generator) -> list[NDArray[np.uint8]]:
    """A tilted row of dots that runs evenly before textured scenery, the whole picture moved (right, down)."""
    texture = Texture(rng, width=WIDTH, height=HEIGHT)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    planes = []
    for k, (right, down) in enumerate(moved):
        u, v = x - right, y - down
        cover = np.clip(HALF + 0.5 - np.abs(v - ROW_Y - 0.03 * (u - WIDTH / 2)), 0, 1)
        dots = LEVEL + AMPLITUDE * np.cos(2 * np.pi * (u / PITCH + STEP * k))
        planes.append(exposed(texture(right, down) * (1 - cover) + cover * dots, rng))
    return planes


def test_rows_are_read_where_the_motion_has_carried_them() -> None:
    """A shake of 4 pixels is 0.3 dots; of it nothing is left beyond what 0.02 pixels make."""
    rng = np.random.default_rng(12)
    frames = np.arange(56)
    moved = np.stack([4 * np.sin(0.27 * frames), 5 * np.sin(0.19 * frames + 2)], axis=1)
    reading = read_pattern(as_frames(shaken_row(moved, rng)))
    assert reading.camera.moved
    np.testing.assert_allclose(np.ptp(reading.shift_px - moved, axis=0), 0, atol=0.12)
    row = max(reading.rows, key=lambda one: one.amplitude)
    phase = np.unwrap(np.angle(row.blocks.sum(axis=1))) / (2 * np.pi)
    away = phase - np.polynomial.Polynomial.fit(frames, phase, 1)(frames)
    assert np.std(away) < 0.02 / PITCH
    assert abs(np.polyfit(frames, phase, 1)[0] - STEP) < 1e-4
    assert np.ptp(np.abs(row.blocks.sum(axis=1))) < 0.1 * np.abs(row.blocks.sum(axis=1)).mean()


def _course(shift: NDArray[np.float64], *, moved: bool = True) -> CameraCourse:
    size = len(shift)
    return CameraCourse(shift, np.zeros((size, 4)), np.zeros((size, 0)), np.zeros((size, 2), int), 0.02, moved, MIDDLE)


def _reading(course: CameraCourse) -> tuple[RowSeries, PatternReading]:
    size = len(course.shift_px)
    row = RowSeries(0.5, 0.5, 0.02, 25.0, 25.0, 30.0, 0.4, 40.0, np.ones((size, 4), np.complex64))
    time = np.arange(size) / 30
    look = Impression(100.0, 0.0, 1.0, False, 0.0)
    return row, PatternReading(time, (row,), np.ones((size, 8)), True, course, False, "luma", look)


NOISE = 0.0004


def _steadied(dots: NDArray[np.float64], row: RowSeries, reading: PatternReading) -> Steadied:
    return steadied(dots, row, reading, noise_dots=NOISE, turn_hz=0.555)


class TestSteadied:
    """Dots with a course, a wobble once a turn and one at 6.4 Hz, and a hand's motion of 2 px rms."""

    SIZE = 360

    def hand(self, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Time, the dots of the platter, and the shift of the picture (right, down)."""
        rng = np.random.default_rng(seed)
        time = np.arange(self.SIZE) / 30
        dots = 99.7 * time + 0.4 * np.sin(2 * np.pi * 0.555 * time) + 0.004 * np.sin(2 * np.pi * 6.4 * time + 1)
        rate = rng.uniform(0.3, 9, (24, 2))
        size = (rng.standard_normal((24, 2)) + 1j * rng.standard_normal((24, 2))) / rate
        shift = np.einsum("thk,hk->tk", np.exp(2j * np.pi * rate * time[:, None, None]), size).real
        return time, dots, 2 * shift / np.std(shift, axis=0)

    @pytest.mark.parametrize("seed", range(4))
    def test_parallax_and_time_of_exposure_are_found(self, seed: int) -> None:
        """The rim moves 0.93 times as the scenery, and a row carried down by a pixel is exposed 25 us later."""
        time, dots, shift = self.hand(seed)
        noise = 0.0005 * np.random.default_rng(seed + 10).standard_normal(self.SIZE)
        left = 0.07 * shift[:, 0] / 25 + 25e-6 * 100 * shift[:, 1]
        row, reading = _reading(_course(shift))
        steady = _steadied(dots + left + noise, row, reading)
        error = steady.dots - dots
        error -= np.polynomial.Polynomial.fit(time, error, 1)(time)
        assert np.std(left) > 0.005
        assert np.std(error) < 0.0006
        assert np.std(steady.left_dots) < 0.002

    def test_wobble_stays(self) -> None:
        time, dots, shift = self.hand(20)
        row, reading = _reading(_course(shift))
        steady = _steadied(dots, row, reading)
        for hz, size in ((0.555, 0.4), (6.4, 0.004)):
            turn = np.stack([np.cos(2 * np.pi * hz * time), np.sin(2 * np.pi * hz * time)], axis=1)
            basis = np.concatenate([turn, np.stack([np.ones_like(time), time], axis=1)], axis=1)
            other = 0.4 * np.sin(2 * np.pi * 0.555 * time) if hz > 1 else 0
            found = np.linalg.lstsq(basis, steady.dots - other, rcond=None)[0][:2]
            assert np.hypot(*found) == pytest.approx(size, rel=0.02)

    def test_frames_that_are_missing_in_a_hand_shift_no_line(self) -> None:
        """Every other of the middle third: what is left, and its noise, are as in a clip where none is missing."""
        time, dots, shift = self.hand(40)
        kept = np.delete(np.arange(self.SIZE), np.arange(120, 240, 2))
        dots = dots + 0.25 * self.hand(41)[2][:, 0] / 25
        dots += 0.0005 * np.random.default_rng(4).standard_normal(self.SIZE)
        row, reading = _reading(_course(shift))
        whole = _steadied(dots, row, reading)
        row, reading = _reading(_course(shift[kept]))
        some = _steadied(dots[kept], row, replace(reading, time_s=time[kept]))
        assert some.noise_dots == pytest.approx(whole.noise_dots, rel=0.2)
        assert np.std(some.left_dots) == pytest.approx(np.std(whole.left_dots), rel=0.3)
        assert np.std(np.diff(some.dots - whole.dots[kept])) < 0.0005

    @pytest.mark.parametrize("creep_px_s", [0.8, -0.4])
    def test_noise_of_the_shift_does_not_give_a_slow_creep_back(self, creep_px_s: float) -> None:
        """The shift that was taken off holds 0.04 px of noise; what follows that tells nothing of a sagging camera."""
        time, dots, _ = self.hand(50)
        noise = np.random.default_rng(51).normal(0, 0.04, (self.SIZE, 2))
        shift = np.stack([creep_px_s * time, 0.3 * time], axis=1) + noise
        row, reading = _reading(_course(shift))
        put_on = (noise[:, 0] + row.slope * noise[:, 1]) / row.mean_pitch_px
        steady = _steadied(dots + put_on, row, reading)
        off = np.polynomial.Polynomial.fit(time, steady.dots - dots, 1).convert().coef[1]
        assert abs(off) < abs(np.ptp(steady.left_dots)) / np.ptp(time) < 0.1 * abs(creep_px_s) / row.mean_pitch_px
        assert np.std(np.diff(steady.dots - dots, 2)) < 0.3 * np.std(np.diff(put_on, 2))

    def test_flicker_that_a_shift_feigns_is_not_put_on_dots_that_lost_it(self) -> None:
        """The lamp's wave was taken off the dots at 10 Hz, with what the shift held of it."""
        time, dots, shift = self.hand(60)
        feigned = 0.1 * (1 + 0.5 * time / time[-1]) * np.cos(2 * np.pi * 10.0 * time)
        row, reading = _reading(_course(shift + feigned[:, None]))
        steady = steadied(
            dots + 0.07 * shift[:, 0] / 25, row, reading, noise_dots=NOISE, turn_hz=0.555, removed_hz=(10.0,)
        )
        wave = np.exp(-2j * np.pi * 10.0 * time) * np.hanning(self.SIZE) * 2 / self.SIZE
        assert 2 * abs(np.sum(wave * (steady.dots - dots))) < 2e-4

    def test_false_shake_is_taken_back(self) -> None:
        """Something else moved in the scenery: the dots had its motion put on them and are rid of it again."""
        _, dots, shift = self.hand(30)
        row, reading = _reading(_course(shift))
        put_on = (shift[:, 0] + row.slope * shift[:, 1]) / row.mean_pitch_px
        steady = _steadied(dots + put_on, row, reading)
        assert np.std(np.diff(steady.dots - dots, 2)) < 1e-4
        assert np.std(steady.left_dots) < 1e-3

    def test_what_follows_no_rule_is_stated(self) -> None:
        """Half a pixel of the motion, of the same kind but another course, is not in the scenery."""
        _, dots, shift = self.hand(40)
        other = 0.5 * self.hand(41)[2][:, 0] / 2 / 25
        row, reading = _reading(_course(shift))
        steady = _steadied(dots + other, row, reading)
        assert 0.5 * np.std(other) < np.std(steady.left_dots) < 3 * np.std(other)

    def test_nothing_is_touched_on_a_stand(self) -> None:
        _, dots, shift = self.hand(60)
        row, reading = _reading(_course(0.01 * shift, moved=False))
        steady = _steadied(dots, row, reading)
        assert steady.dots is dots
        assert steady.noise_dots == NOISE
        assert not steady.left_dots.any()

    def test_stripes_in_a_hand_do_not_move(self) -> None:
        """What is left of the shake must not pass for a turning platter; dots that run must."""
        _, dots, shift = self.hand(70)
        row, reading = _reading(_course(shift))
        wobbling = np.exp(2j * np.pi * 0.07 * shift[:, :1] / 25) * np.ones((1, 4))
        assert not moves(replace(row, blocks=wobbling.astype(np.complex64)), reading)
        running = np.exp(2j * np.pi * dots[:, None]) * np.ones((1, 4))
        assert moves(replace(row, blocks=running.astype(np.complex64)), reading)

    def test_stripes_in_light_that_comes_and_goes_do_not_move(self) -> None:
        """They sway with the lamp; a platter that keeps step with it still wobbles, and dots that creep move."""
        _, _, shift = self.hand(71)
        row, reading = _reading(_course(0.01 * shift, moved=False))
        row = replace(row, amplitude=10.0)
        time_s = reading.time_s
        lamp = 119.88 * time_s
        sway = 0.06 * np.cos(2 * np.pi * lamp) + 0.02 * np.sin(4 * np.pi * lamp)
        wobble = 0.03 * np.cos(2 * np.pi * 0.5556 * time_s)

        def moved(dots: NDArray[np.float64], cycles: NDArray[np.float64] | None = lamp) -> bool:
            blocks = np.exp(2j * np.pi * dots[:, None]) * np.ones((1, 4))
            return moved_by(replace(row, blocks=blocks.astype(np.complex64)), reading, cycles) > 1

        assert moved(sway, None)
        assert not moved(sway)
        assert moved(sway + wobble)
        assert moved(sway + 0.05 * time_s)


@pytest.mark.parametrize("noise_px", [0.03, 0.25])
def test_a_hand_is_told_from_a_rim_out_of_true_however_noisy(noise_px: float) -> None:
    """A noise that is thought too large must not turn a hand's uneven sway into a standing camera."""
    time_s = np.arange(300) / 30
    rng = np.random.default_rng(3)
    sway = np.convolve(rng.standard_normal(330), np.hanning(31), mode="valid")
    turning = 0.55 * np.sin(2 * np.pi * 0.5556 * time_s + 0.4)
    for course, moved in ((0.5 * sway / sway.std(), True), (turning, False)):
        shift = np.stack([course, 0.4 * course], axis=1) + 0.01 * rng.standard_normal((300, 2))
        seen = replace(CameraCourse.unseen(300), shift_px=shift, noise_px=noise_px, moved=True)
        assert seen.unless_it_turns(time_s).moved is moved


def test_a_clip_from_the_hand(tmp_path: Path) -> None:
    """Two pixels of shake are 13 % of a gap: without their being taken off some per cent of false wobble."""
    scene = Scene(
        rows=(DotRow(180, z_mm=-11.0, height_mm=3.6),),
        speed=Speed(100 / 3, -0.25, (Wobble(0.2, per_revolution=1.0), Wobble(0.1, frequency_hz=4.3))),
        lamp=Lamp("half-sine", 99.96, ambient=0.05),
        camera=Camera(width=640, height=360, exposure_s=0.003, distance_mm=250.0, noise=0.8, shake_px=2.0),
        coding=Coding(bit_rate=4_000_000),
        seconds=6.0,
    )
    path = tmp_path / "hand.mp4"
    truth = render_clip(scene, path, rng=np.random.default_rng(14))
    read = strobe.measure(path, rpm=33, dots=180, mains=50)
    weighted = read.fluctuation
    assert "shake" in {note.code for note in read.notes}
    assert "shake" in {entry.source for entry in read.budget}
    assert read.speed.deviation_percent == pytest.approx(truth.deviation_percent, abs=read.speed.uncertainty_percent)
    assert weighted.weighted_rms_uncertainty_percent < 0.15
    assert weighted.weighted_rms_percent == pytest.approx(
        truth.weighted_rms_percent, abs=weighted.weighted_rms_uncertainty_percent
    )
