"""Run-downs simulated with known friction, ring, unbalance and tight spot."""

from __future__ import annotations

import dataclasses
import io
import json
import math
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from messages import check_lines
from numpy.typing import NDArray
from scipy.integrate import quad

from strobe.cli import ExitStatus, run
from strobe.drive.coasting import Coast, _between, fit_coast
from strobe.errors import ClipUnreadable, Refused, UsageError
from strobe.measuring import coasting
from strobe.measuring.coasting import CoastRun, follow_dots, read_coast
from strobe.pattern import CameraCourse, PatternReading, RowSeries
from strobe.pattern.impression import Impression
from strobe.render.clip import render_clip
from strobe.render.lamps import Lamp
from strobe.render.rim import DotRow
from strobe.render.scene import Camera, Coding, Scene, Speed
from strobe.report.coasting import coast_text

STEP_S = 1 / 2400
FRAMES = 30


def run_down(
    *,
    dry_rpm_per_s: float,
    viscous_per_s: float,
    seconds: float = 40.0,
    start_rpm: float = 50.0,
    ring_percent: float = 0.0,
    unbalance_rpm_per_s: float = 0.0,
    tight_rpm_per_s: float = 0.0,
    tight_at_deg: float = 0.0,
    noise_rev: float = 5e-6,
    seed: int = 1,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Integrate dw/dt = -a - b w - torque(angle), and sample the angle as dots off centre would show it."""
    angle, speed, made = 0.0, start_rpm / 60, []
    for _ in range(round(seconds / STEP_S)):
        made.append(angle)
        turn = 2 * math.pi * angle
        fall = dry_rpm_per_s / 60 + viscous_per_s * speed + unbalance_rpm_per_s / 60 * math.cos(turn + 0.7)
        off = (angle - tight_at_deg / 360 + 0.5) % 1 - 0.5
        fall += tight_rpm_per_s / 60 * math.exp(-0.5 * (off / 0.05) ** 2)
        speed -= fall * STEP_S
        angle += speed * STEP_S
    every = round(1 / FRAMES / STEP_S)
    turned = np.array(made[::every])
    rng = np.random.default_rng(seed)
    seen = turned + ring_percent / 100 / (2 * np.pi) * np.sin(2 * np.pi * turned + 1.1)
    return np.arange(turned.size) / FRAMES, seen + noise_rev * rng.standard_normal(turned.size)


def fitted(**values: float) -> Coast:
    return fit_coast(*run_down(**values))  # type: ignore[arg-type]  # counts are whole numbers


@pytest.mark.parametrize(("dry", "viscous"), [(0.3, 0.004), (0.15, 0.01), (0.6, 0.002), (0.05, 0.012)])
@pytest.mark.parametrize("seed", [1, 2])
def test_friction_parts_within_five_percent(dry: float, viscous: float, seed: int) -> None:
    found = fitted(dry_rpm_per_s=dry, viscous_per_s=viscous, ring_percent=0.05, unbalance_rpm_per_s=0.02, seed=seed)
    assert found.dry_rpm_per_s == pytest.approx(dry, rel=0.05)
    assert found.viscous_per_s == pytest.approx(viscous, rel=0.05)
    assert abs(found.dry_rpm_per_s - dry) <= 1.5 * found.dry_uncertainty_rpm_per_s
    truth = math.log((dry + viscous * 45) / (dry + viscous * 100 / 3)) / viscous
    assert found.from_45_to_33_s == pytest.approx(truth, rel=0.01)
    assert found.start_rpm == pytest.approx(50, abs=0.05)


def test_intervals_hold() -> None:
    held = []
    for seed in range(20):
        found = fitted(dry_rpm_per_s=0.3, viscous_per_s=0.004, seconds=25.0, noise_rev=3e-5, seed=seed)
        held += [
            abs(found.dry_rpm_per_s - 0.3) <= found.dry_uncertainty_rpm_per_s,
            abs(found.viscous_per_s - 0.004) <= found.viscous_uncertainty_per_s,
        ]
    assert np.mean(held) >= 0.85


def test_a_ring_off_centre_is_the_same_at_every_speed() -> None:
    found = fitted(dry_rpm_per_s=0.3, viscous_per_s=0.004, ring_percent=0.1)
    assert found.ring_percent == pytest.approx(0.1, rel=0.05)
    assert found.torque_kind is None
    assert found.tight_angle_deg is None


def test_unbalance_grows_as_the_platter_slows() -> None:
    found = fitted(dry_rpm_per_s=0.3, viscous_per_s=0.004, ring_percent=0.05, unbalance_rpm_per_s=0.1)
    assert found.torque_kind == "unbalance"
    assert found.torque_rpm_per_s == pytest.approx(0.1, rel=0.1)
    assert found.ring_percent == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize("place", [0.0, 90.0, 250.0])
def test_a_tight_spot_is_found_at_its_angle(place: float) -> None:
    found = fitted(dry_rpm_per_s=0.2, viscous_per_s=0.003, tight_rpm_per_s=0.6, tight_at_deg=place)
    assert found.torque_kind == "tight spot"
    assert found.tight_angle_deg is not None
    assert abs((found.tight_angle_deg - place + 180) % 360 - 180) < 12


def test_no_time_where_the_law_does_not_reach() -> None:
    """Friction that grows as the platter slows, from 33 1/3 rpm down: at 45 rpm the law would speed the platter up."""
    found = fitted(dry_rpm_per_s=0.84, viscous_per_s=-0.02, seconds=50.0, start_rpm=100 / 3)
    assert found.viscous_per_s == pytest.approx(-0.02, rel=0.05)
    assert (found.from_45_to_33_s, found.from_45_to_33_uncertainty_s) == (None, None)


@pytest.mark.parametrize(("dry", "viscous"), [(-0.001, -0.002), (0.014, -0.02), (-0.008, 0.012), (0.002, 0.0)])
def test_no_time_where_friction_at_either_end_is_not_clear_of_nothing(dry: float, viscous: float) -> None:
    """Both terms below 0; one of them, so that it is at one end; and a half-width of 0.002 that the friction equals."""
    sigma = 0.002 / 1.96
    assert _between(dry, viscous, np.diag([sigma**2, 0.0])) == (None, None)


@pytest.mark.parametrize("viscous", [0.0, 1e-12, 0.004, -0.004])
def test_the_time_and_its_half_width_in_closed_form(viscous: float) -> None:
    """The integral of dw / (a + b w), whose slopes by a and b are those of the same over (a + b w)^2."""
    dry, sigma_dry, sigma_viscous = 0.005, 1e-5, 2e-5
    high, low = 45 / 60, 100 / 180
    truth = quad(lambda w: 1 / (dry + viscous * w), low, high)[0]
    by_dry = quad(lambda w: 1 / (dry + viscous * w) ** 2, low, high)[0]
    by_viscous = quad(lambda w: w / (dry + viscous * w) ** 2, low, high)[0]
    seconds, width = _between(dry, viscous, np.diag([sigma_dry**2, sigma_viscous**2]))
    assert seconds == pytest.approx(truth, rel=1e-9)
    assert width == pytest.approx(
        math.hypot(1.96 * math.hypot(by_dry * sigma_dry, by_viscous * sigma_viscous), 0.001 * truth), rel=1e-3
    )


def test_what_does_not_run_down_is_refused() -> None:
    time = np.arange(600) / 30
    with pytest.raises(Refused, match="hardly slows down"):
        fit_coast(time, time * 0.55)
    with pytest.raises(Refused, match="turns are too few"):
        fit_coast(time, time * 0.1)
    with pytest.raises(Refused, match="samples are too few"):
        fit_coast(time[:20], time[:20])
    with pytest.raises(UsageError, match="finite"):
        fit_coast(time, np.where(time > 3, np.nan, time))


def dots_of(
    time: NDArray[np.float64], angle: NDArray[np.float64], *, uneven: float = 0.03, seed: int = 4
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Amplitudes of a row of 180 dots, 25 of them in view, that are not quite alike; some frames are missing."""
    rng = np.random.default_rng(seed)
    each = 1 + uneven * rng.standard_normal(180)
    bright = np.convolve(np.tile(each, 3), np.ones(25) / 25, mode="same")[180:360]
    strength = np.interp(angle * 180 % 180, np.arange(181), np.append(bright, bright[0]))
    kept = ~np.isin(np.arange(time.size), (100, 350, 351))
    strength = strength * (1 + 0.002 * rng.standard_normal(time.size))
    return time[kept], (strength * np.exp(2j * np.pi * 180 * angle))[kept]


def test_dots_are_followed_across_the_folds() -> None:
    # From 50 to 32 rpm 180 dots pass at 150 to 95 a second: five folds at 30 pictures a second.
    time, angle = run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004)
    at, amplitude = dots_of(time, angle)
    for start_rpm, told_by in ((None, "turn"), (51.0, "given")):
        followed = follow_dots(at, amplitude, dots=180, start_rpm=start_rpm)
        assert followed.told_by == told_by
        law = fit_coast(followed.time_s, followed.angle_rev)
        assert law.dry_rpm_per_s == pytest.approx(0.3, rel=0.05)
        assert law.viscous_per_s == pytest.approx(0.004, rel=0.05)


def test_a_run_to_standstill_tells_its_speed() -> None:
    time, angle = run_down(dry_rpm_per_s=1.2, viscous_per_s=0.01, seconds=34.0, start_rpm=45.0)
    still = int(np.argmax(angle))
    angle[still:] = angle[still]
    followed = follow_dots(*dots_of(time, angle, uneven=0.0), dots=180)
    assert followed.told_by == "stop"
    assert followed.angle_rev[-1] == pytest.approx(angle[-1] - angle[0], abs=0.01)


def test_run_downs_that_stay_open_are_refused() -> None:
    time, angle = run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004)
    alike = dots_of(time, angle, uneven=0.0)
    with pytest.raises(Refused, match="Nothing in the clip tells the speeds apart"):
        follow_dots(*alike, dots=180)
    with pytest.raises(Refused, match="but 45 was given") as refusal:
        follow_dots(*alike, dots=180, start_rpm=45)
    assert refusal.value.advice.startswith("Check --from 45, ")
    rng = np.random.default_rng(1)
    with pytest.raises(Refused, match="cannot be followed"):
        follow_dots(time, np.exp(2j * np.pi * rng.random(time.size)), dots=180)
    with pytest.raises(Refused, match="At no speed"):
        follow_dots(time, np.exp(2j * np.pi * 180 * (0.5 * time + 0.002 * time**2)), dots=180)


def test_the_files_own_clock_counts_and_repeated_pictures_do_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """29.97 pictures a second that the file calls 30; a few show the one before once more."""
    time, angle = run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004)
    stamp_s = time * 1.001
    amplitude = np.exp(2j * np.pi * 180 * angle)
    put_in = [200, 600, 900]
    amplitude[put_in] = amplitude[[199, 599, 899]]
    row = RowSeries(0.5, 0.5, 0.0, 14.0, 13.0, 40.0, 0.4, 60.0, amplitude[:, None].astype(np.complex64))
    look = Impression(100.0, 0.0, 1.0, False, 0.0)
    course = CameraCourse.unseen(stamp_s.size)
    seen = PatternReading(stamp_s, (row,), np.ones((stamp_s.size, 8)), True, course, False, "luma", look)
    facts = SimpleNamespace(stamps="container", stamp_s=1 / 90000, capture_rate_hz=30.0)
    monkeypatch.setattr(coasting, "read_clip", lambda *_, **__: SimpleNamespace(pattern=seen, facts=facts))
    followed = read_coast("clip.mp4", dots=180, start_rpm=51.0)
    assert not np.isin(stamp_s[put_in], followed.time_s).any()
    assert followed.time_s[-1] == pytest.approx(stamp_s[-1], rel=1e-5)
    turned = angle[np.searchsorted(stamp_s, followed.time_s - 1e-6)]
    # A hundredth of a dot.
    assert np.abs(followed.angle_rev - followed.angle_rev[0] - turned + turned[0]).max() < 0.02 / 180


def coast(monkeypatch: pytest.MonkeyPatch, outcome: Any, *argv: str) -> tuple[int, str, str]:
    def read(path: Path, **options: Any) -> CoastRun:
        if isinstance(outcome, Exception):
            raise outcome
        time, angle = outcome
        return CoastRun(time, angle, dots=options["dots"], noise_dots=0.01, told_by="turn")

    monkeypatch.setattr("strobe.measuring.coasting.read_coast", read)
    out, err = io.StringIO(), io.StringIO()
    status = run(["coast", "clip.mp4", *argv], out=out, err=err)
    assert all(len(line) <= 80 for line in out.getvalue().splitlines() if not line.startswith("{"))
    return status, out.getvalue(), check_lines(err)


def test_what_is_said_of_a_run_down(monkeypatch: pytest.MonkeyPatch) -> None:
    sound = run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004, ring_percent=0.05)
    status, out, err = coast(monkeypatch, sound, "--dots", "180")
    assert (status, err) == (0, "")
    truth = math.log((0.3 + 0.004 * 45) / (0.3 + 0.004 * 100 / 3)) / 0.004
    assert f"TIME        {truth:.2f}" in out
    assert "dry      takes 0.30" in out
    assert "is the same at every speed" in out
    status, out, _ = coast(monkeypatch, sound, "--dots", "180", "--json")
    assert json.loads(out)["dry_rpm_per_s"] == pytest.approx(0.3, rel=0.05)
    catch = run_down(dry_rpm_per_s=0.2, viscous_per_s=0.003, tight_rpm_per_s=0.6, tight_at_deg=90)
    _, out, _ = coast(monkeypatch, catch, "--dots", "180")
    assert "A catch at one angle" in out
    assert "REMEDY" in out
    tilted = run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004, unbalance_rpm_per_s=0.1)
    _, out, _ = coast(monkeypatch, tilted, "--dots", "180")
    assert "unbalance" in out
    _, out, _ = coast(monkeypatch, run_down(dry_rpm_per_s=0.3, viscous_per_s=0.004), "--dots", "180")
    assert "Nothing that repeats" in out
    upside_down = run_down(dry_rpm_per_s=0.84, viscous_per_s=-0.02, seconds=50.0, start_rpm=100 / 3)
    _, out, _ = coast(monkeypatch, upside_down, "--dots", "180")
    assert "TIME        not told from 45 to 33 1/3 rpm" in out
    assert "film all of that" in out
    assert "viscous  takes -2.0" in out
    assert "friction grows as the platter slows" in out
    _, out, _ = coast(monkeypatch, upside_down, "--dots", "180", "--json")
    assert json.loads(out)["from_45_to_33_s"] is None


@pytest.mark.parametrize(
    ("start_rpm", "end_rpm", "words"),
    [
        (46.0, 33.0, " from 45 to 33 1/3 rpm\n"),
        (45.0, 35.0, " rpm, part of it by the law below\n"),
        (42.0, 20.0, " rpm, part of it by the law below\n"),
        (41.0, 39.0, " rpm, part of it by the law below\n"),
        (60.0, 46.0, " rpm, by the law below\n"),
        (33.0, 20.0, " rpm, by the law below\n"),
    ],
)
def test_what_was_not_filmed_of_the_time_is_by_the_law(start_rpm: float, end_rpm: float, words: str) -> None:
    law = fitted(dry_rpm_per_s=0.3, viscous_per_s=0.004)
    filmed = dataclasses.replace(law, start_rpm=start_rpm, end_rpm=end_rpm)
    assert words in coast_text("clip.mp4", filmed, told_by="turn").plain


def test_run_downs_that_are_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    refused = Refused("no-contrast", "The dots jump.", "Film in daylight.")
    status, out, err = coast(monkeypatch, refused, "--dots", "180")
    assert (status, out) == (ExitStatus.REFUSED, "")
    assert "Film in daylight." in err
    status, out, _ = coast(monkeypatch, refused, "--dots", "180", "--json")
    assert json.loads(out)["reason"] == "no-contrast"
    status, out, err = coast(monkeypatch, ClipUnreadable("there is no such file"), "--dots", "180")
    assert status == ExitStatus.UNREADABLE
    steady = np.arange(600) / 30, np.arange(600) / 60
    for argv in ([], ["--dots", "2"], ["--dots", "180", "--from", "500"]):
        assert coast(monkeypatch, steady, *argv)[0] == ExitStatus.USAGE
    status, out, _ = coast(monkeypatch, steady, "--dots", "180", "--json")
    assert (status, json.loads(out)["reason"]) == (ExitStatus.REFUSED, "too-short")


@dataclass(frozen=True)
class RunDown(Scene):
    """A scene whose platter runs down by dry and viscous friction instead of keeping its speed."""

    start_rpm: float = 50.0
    dry_rpm_per_s: float = 0.25
    viscous_per_s: float = 0.006

    def angle_rev(self, time_s: Any) -> Any:
        time = np.asarray(time_s, dtype=np.float64)
        faded = -np.expm1(-self.viscous_per_s * time) / self.viscous_per_s
        fallen = self.dry_rpm_per_s / 60 * (time - faded) / self.viscous_per_s
        return self.first_angle_rev + self.start_rpm / 60 * faded - fallen


@pytest.mark.slow
def test_a_rendered_run_down(tmp_path: Path) -> None:
    camera = Camera(
        width=640,
        height=360,
        frame_rate_hz=30.0,
        exposure_s=0.001,
        readout_s=0.015,
        distance_mm=250.0,
        elevation_deg=8.0,
        roll_deg=0.5,
        brightness=0.45,
        noise=0.6,
        aim_z_mm=4.0,
    )
    scene = RunDown(
        rows=(DotRow(180, z_mm=-11.0, height_mm=3.6),),
        speed=Speed(45.0),
        lamp=Lamp("steady"),
        camera=camera,
        coding=Coding(bit_rate=1_500_000, preset="veryfast"),
        seconds=40.0,
    )
    path = tmp_path / "run-down.mp4"
    render_clip(scene, path, rng=np.random.default_rng(3))
    out, err = io.StringIO(), io.StringIO()
    assert run(["coast", str(path), "--dots", "180", "--json"], out=out, err=err) == 0
    law = json.loads(out.getvalue())
    assert law["told_by"] == "turn"
    assert law["dry_rpm_per_s"] == pytest.approx(0.25, rel=0.05)
    assert law["viscous_per_s"] == pytest.approx(0.006, rel=0.05)
    assert law["torque_kind"] is None
