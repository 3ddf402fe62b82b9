"""The joint of a strip round a rim: against a closed form, and in a rendered clip whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import strobe
from strobe.errors import Refused, UsageError
from strobe.measuring.deciding import check_continuity
from strobe.measuring.evidence import RowEvidence
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.joint import backwards, find_joint, without_joint
from strobe.measuring.lamps import Lamp as KnownLamp
from strobe.pattern import RowSeries
from strobe.phase import LINE_ORDERS, CoarseLine, combine_blocks, fit_time_base, read_line
from strobe.render import Camera, DotRow, Lamp, Scene, Speed, Wobble, render_clip

THIRD = 100 / 3
DOTS, BLOCKS, FIRST, LAST, PART = 180, 12, 3.0, 50.0, 4.0
TIME = np.arange(300) / 30
DOTS_PASSED = DOTS * (THIRD / 60 * TIME + 2e-4 * np.sin(2 * np.pi * 4.2 * TIME))
# A millimetre too much on a pitch of five: common practice calls that a good fit.
STEP, PLACE = 0.2, 120.0


def a_row(
    step: float,
    *,
    uneven: float = 0.0,
    noise: float = 0.02,
    astray: float = 0.0,
    parts: int = BLOCKS,
    frames: int = TIME.size,
    wide: bool = False,
) -> RowSeries:
    """A row of dots whose joint stands at `PLACE` when no dot has passed; or one dot there is `astray`.

    Each part shows the dots at its middle, or the mean over a triangle that ends in the middle of the parts beside it,
    four dots on.
    """
    rng = np.random.default_rng(4)
    passed = DOTS_PASSED[:frames, None]
    places = FIRST + PART * np.arange(1.0, parts + 1) if wide else np.linspace(FIRST, LAST, parts)
    ring = uneven * rng.standard_normal(DOTS)
    ring[0] += astray
    away = (np.arange(-20, 21) if wide else np.zeros(1)) / 21
    blocks = np.zeros((frames, parts), complex)
    for one in away:
        since = (passed + places + PART * one - PLACE) / DOTS % 1.0
        own = ring[np.rint(DOTS * since).astype(int) % DOTS]
        blocks += (1 - abs(one)) * np.exp(2j * np.pi * (passed + step * since + own))
    blocks /= np.sum(1 - np.abs(away))
    blur = rng.normal(0, noise, (2, *blocks.shape))
    blocks += blur[0] + 1j * blur[1]
    return RowSeries(0.5, 0.5, 0.0, 20.0, 20.0, LAST, 0.4, 40.0, blocks.astype(np.complex64), places_dots=places)


@pytest.mark.parametrize("step", [STEP, -0.35, 0.05])
def test_the_step_and_its_place_are_found(step: float) -> None:
    joint = find_joint(a_row(step), DOTS_PASSED, dots=DOTS)
    assert joint is not None
    assert abs(joint.step_dots - step) < joint.uncertainty_dots < 0.02
    # A part is four dots wide.
    assert joint.place_dots == pytest.approx(PLACE, abs=1.0)


def test_a_picture_that_runs_the_other_way_shows_it_too() -> None:
    joint = find_joint(backwards(backwards(a_row(STEP))), DOTS_PASSED, dots=DOTS)
    assert joint is not None
    turned = backwards(a_row(STEP))
    assert turned.places_dots is not None
    assert turned.places_dots[0] == -FIRST


@pytest.mark.parametrize(("step", "uneven"), [(0.0, 0.0), (0.0, 0.004), (0.004, 0.0)])
def test_dots_that_are_only_uneven_have_no_joint(step: float, uneven: float) -> None:
    assert find_joint(a_row(step, uneven=uneven), DOTS_PASSED, dots=DOTS) is None


@pytest.mark.parametrize("frames", [60, 80, 100])
@pytest.mark.parametrize("step", [STEP, -0.1])
def test_one_passage_is_enough(step: float, frames: int) -> None:
    """1.1, 1.5 and 1.8 turns: no two whole ones to be held against each other."""
    joint = find_joint(a_row(step, frames=frames), DOTS_PASSED[:frames], dots=DOTS)
    assert joint is not None
    assert abs(joint.step_dots - step) < joint.uncertainty_dots < 0.03
    assert joint.place_dots == pytest.approx(PLACE, abs=1.0)


@pytest.mark.parametrize(("step", "uneven"), [(0.0, 0.0), (0.0, 0.004), (0.0, 0.01), (0.004, 0.0)])
@pytest.mark.parametrize("parts", [5, BLOCKS])
def test_one_passage_of_dots_that_are_only_uneven_has_none(step: float, uneven: float, parts: int) -> None:
    row = a_row(step, uneven=uneven, parts=parts, frames=80, wide=True)
    assert find_joint(row, DOTS_PASSED[:80], dots=DOTS) is None


def test_a_picture_that_is_stretched_at_once_has_none_in_one_passage() -> None:
    """It stretches for as long as a joint takes through the row, as a knock does: all parts at once, none in turn."""
    row = a_row(0.0, frames=90)
    assert row.places_dots is not None
    wide = 0.3 * (np.arange(90) // 15 == 3)[:, None] * (row.places_dots - row.places_dots.mean()) / LAST
    row = replace(row, blocks=(row.blocks * np.exp(2j * np.pi * wide)).astype(np.complex64))
    assert find_joint(row, DOTS_PASSED[:90], dots=DOTS) is None


@pytest.mark.parametrize(("parts", "frames"), [(2, 300), (4, 300), (5, 80), (BLOCKS, 80), (BLOCKS, 300)])
def test_one_dot_out_of_place_is_no_joint(parts: int, frames: int) -> None:
    row = a_row(0.0, astray=0.3, noise=0.005, parts=parts, frames=frames, wide=True)
    assert find_joint(row, DOTS_PASSED[:frames], dots=DOTS) is None


@pytest.mark.parametrize("step", [0.08, 0.3, -0.3])
@pytest.mark.parametrize("parts", [2, 3, 5])
def test_few_parts_tell_it_too_where_it_comes_again(step: float, parts: int) -> None:
    """The joint is in one of them, and bends its phase, for most of the time that it shows at all."""
    joint = find_joint(a_row(step, parts=parts, wide=True), DOTS_PASSED, dots=DOTS)
    assert joint is not None
    # A twentieth of the step is what a part that it stands in may bend, and a tenth of the least one noise.
    assert abs(joint.step_dots - step) < joint.uncertainty_dots < 0.1 * abs(step) + 0.005


@pytest.mark.parametrize(("uneven", "noise", "parts"), [(0.05, 0.02, BLOCKS), (0.0, 0.8, 2)])
def test_what_other_places_feign_as_well_is_no_joint(uneven: float, noise: float, parts: int) -> None:
    row = a_row(0.0, uneven=uneven, noise=noise, parts=parts, wide=True)
    assert find_joint(row, DOTS_PASSED, dots=DOTS) is None


def test_too_few_turns_or_parts_tell_nothing() -> None:
    for frames, parts in ((50, BLOCKS), (100, 3), (300, 1)):
        row = a_row(STEP, parts=parts, frames=frames, wide=True)
        assert find_joint(row, DOTS_PASSED[:frames], dots=DOTS) is None


@pytest.mark.parametrize("line", list(LINE_ORDERS))
def test_the_line_that_was_followed_is_read_again(line: str) -> None:
    """The line between runs back half a turn a flash, though what times it is the lamp."""
    cycles = 100.03 * TIME
    row = a_row(STEP)
    turned = np.exp(-2j * np.pi * LINE_ORDERS[line] * cycles)[:, None]
    row = replace(row, blocks=(row.blocks * turned).astype(np.complex64))
    amplitude, _ = combine_blocks(row.blocks)
    rate = float(np.polyfit(TIME, DOTS_PASSED, 1)[0])
    reading = read_line(
        amplitude,
        TIME,
        interval_s=1 / 30,
        kind=line,
        coarse=CoarseLine(rate, 1.0),
        lamp_cycles=cycles,
        flash=None,
        height=0.5,
    )
    lamp = KnownLamp("mains", 50.0, 100.03, 100.0, "nominal", None, cycles)
    chosen = Hypothesis(RowEvidence(row, amplitude, None, 1.0), lamp, THIRD, DOTS, reading, 0.0, 0.0, (DOTS,))
    without, joint = without_joint(chosen, fit_time_base(TIME))
    assert joint is not None
    assert joint.step_dots == pytest.approx(STEP, abs=joint.uncertainty_dots)
    assert without.line.followed == line
    # Within what the joint's half-width may swing it once a turn.
    assert without.line.dot_rate_hz == pytest.approx(rate, rel=joint.false_swing_percent(DOTS) / 100)


def test_a_strip_is_measured_as_if_it_had_no_joint(tmp_path: Path) -> None:
    """A third of a pitch once a turn would be 0.4 % at every multiple of the turn."""
    gap = 0.33
    scene = Scene(
        rows=(DotRow(DOTS, joint_gap=gap),),
        speed=Speed(THIRD, 0.3, (Wobble(0.08, per_revolution=1.0), Wobble(0.06, frequency_hz=4.8))),
        lamp=Lamp("sine", 100.02, modulation=0.3),
        camera=Camera(width=640, height=360, exposure_s=0.002),
        seconds=8.0,
    )
    clip = tmp_path / "strip.mp4"
    truth = render_clip(scene, clip, rng=np.random.default_rng(3)).to_dict()["speed"]
    measured = strobe.measure(clip, rpm=33)
    (note,) = (note for note in measured.notes if note.code == "strip-joint")
    assert f"{gap:.2f} of a pitch wider" in note.message
    fluctuation = measured.fluctuation
    assert measured.speed.deviation_percent == pytest.approx(truth["deviation_by_file_clock_percent"], abs=0.001)
    assert fluctuation.weighted_rms_percent == pytest.approx(truth["weighted_rms_percent"], abs=0.005)
    assert fluctuation.unweighted_rms_percent == pytest.approx(truth["unweighted_rms_percent"], abs=0.005)
    assert [round(one.frequency_hz, 1) for one in measured.components] == [0.6, 4.8]


def strip(gap: float, *, seconds: float, hfov_deg: float = 50.0) -> Scene:
    return Scene(
        rows=(DotRow(DOTS, joint_gap=gap),),
        speed=Speed(THIRD, 0.3, (Wobble(0.05, per_revolution=1.0), Wobble(0.05, frequency_hz=4.1))),
        lamp=Lamp("sine", 100.02, modulation=0.3),
        camera=Camera(width=640, height=360, exposure_s=0.002, hfov_deg=hfov_deg),
        seconds=seconds,
    )


@pytest.mark.parametrize(("gap", "seconds", "hfov_deg"), [(0.15, 3.2, 50.0), (0.3, 6.0, 16.0), (-0.3, 6.0, 24.0)])
def test_a_strip_seen_for_few_turns_or_from_near_is_read(
    tmp_path: Path, gap: float, seconds: float, hfov_deg: float
) -> None:
    """Not taken off, they feign 0.17 and 0.33 % at every multiple, or look like scenes that were joined."""
    clip = tmp_path / "strip.mp4"
    truth = render_clip(strip(gap, seconds=seconds, hfov_deg=hfov_deg), clip, rng=np.random.default_rng(3))
    measured = strobe.measure(clip, rpm=33, dots=DOTS, mains=50)
    assert "strip-joint" in {note.code for note in measured.notes}
    fluctuation = measured.fluctuation
    for figure in ("weighted_rms", "unweighted_rms"):
        error = getattr(fluctuation, f"{figure}_percent") - getattr(truth, f"{figure}_percent")
        # A usual platter's own wow and flutter, at the most.
        assert abs(error) < getattr(fluctuation, f"{figure}_uncertainty_percent") < 0.1


def test_a_strip_of_which_too_little_is_seen_is_refused_by_its_name(tmp_path: Path) -> None:
    clip = tmp_path / "strip.mp4"
    render_clip(strip(0.33, seconds=5.0, hfov_deg=12.0), clip, rng=np.random.default_rng(3))
    with pytest.raises(Refused, match=r"no-pattern: The dots jump by 0\.\d\d .* joint of a strip"):
        strobe.measure(clip, rpm=33, dots=DOTS, mains=50)


def followed(dots: NDArray[np.float64]) -> tuple[Any, Any]:
    """A reading in which so many dots have passed at each frame, all of them lit."""
    line = SimpleNamespace(dots=dots, lit=np.ones(dots.size, bool))
    evidence = SimpleNamespace(amplitude=np.ones(dots.size, complex))
    return SimpleNamespace(line=line, evidence=evidence), fit_time_base(np.arange(dots.size) / 30)


@pytest.mark.parametrize("turns", [(0.7,), (0.7, 2.2), (0.4, 1.4, 2.9)])
def test_jumps_that_do_not_come_round_are_the_stamps(turns: tuple[float, ...]) -> None:
    jumps = 0.35 * sum(turn * DOTS < DOTS_PASSED for turn in turns)
    with pytest.raises(Refused, match="bad-timing"):
        check_continuity(*followed(DOTS_PASSED + jumps), turn_dots=DOTS)


@pytest.mark.parametrize("turns", [(0.7, 1.7, 2.7, 3.7, 4.7), (0.7, 1.7)])
def test_jumps_that_come_round_are_the_joint(turns: tuple[float, ...]) -> None:
    frames = round((turns[-1] + 0.7) * 1.8 * 30)
    dots = (DOTS_PASSED + 0.35 * sum(turn * DOTS < DOTS_PASSED for turn in turns))[:frames]
    with pytest.raises(Refused, match=r"no-pattern: The dots jump by 0\.\d\d .* at the same place in every turn"):
        check_continuity(*followed(dots), turn_dots=DOTS)
    with pytest.raises(Refused, match="bad-timing"):
        check_continuity(*followed(dots))


def test_a_joint_of_half_a_pitch_is_refused() -> None:
    with pytest.raises(UsageError, match=r"joint_gap = 0\.6: must be less"):
        DotRow(DOTS, joint_gap=0.6)


def test_under_few_flashes_the_joint_is_no_jump_of_the_platter(tmp_path: Path) -> None:
    """Two pictures of three meet a flash; from one to the next the joint passes a part of the row all at once."""
    scene = Scene(
        rows=(DotRow(DOTS, joint_gap=0.33),),
        speed=Speed(THIRD, 0.3, (Wobble(0.08, per_revolution=1.0),)),
        lamp=Lamp("pulse", 50.01, 0.1),
        camera=Camera(width=640, height=360, exposure_s=0.01, readout_s=0.012),
        seconds=8.0,
    )
    clip = tmp_path / "strip.mp4"
    truth = render_clip(scene, clip, rng=np.random.default_rng(3))
    measured = strobe.measure(clip, rpm=33, dots=DOTS, mains=50)
    assert "strip-joint" in {note.code for note in measured.notes}
    speed, fluctuation = measured.speed, measured.fluctuation
    assert abs(speed.deviation_percent - truth.deviation_by_file_clock_percent) < speed.uncertainty_percent
    error = fluctuation.weighted_rms_percent - truth.weighted_rms_percent
    assert abs(error) < fluctuation.weighted_rms_uncertainty_percent < 0.05
