"""The joint of a strip round a rim: against a closed form, and in a rendered clip whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import strobe
from strobe.errors import UsageError
from strobe.measuring.evidence import RowEvidence
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.joint import backwards, find_joint, without_joint
from strobe.measuring.lamps import Lamp as KnownLamp
from strobe.pattern import RowSeries
from strobe.phase import LINE_ORDERS, CoarseLine, combine_blocks, fit_time_base, read_line
from strobe.render import Camera, DotRow, Lamp, Scene, Speed, Wobble, render_clip

THIRD = 100 / 3
DOTS, BLOCKS, FIRST, LAST = 180, 12, 3.0, 50.0
TIME = np.arange(300) / 30
DOTS_PASSED = DOTS * (THIRD / 60 * TIME + 2e-4 * np.sin(2 * np.pi * 4.2 * TIME))
# A millimetre too much on a pitch of five: common practice calls that a good fit.
STEP, PLACE = 0.2, 120.0


def a_row(step: float, *, uneven: float = 0.0, noise: float = 0.02) -> RowSeries:
    """A row of dots whose joint stands at `PLACE` when no dot has passed."""
    rng = np.random.default_rng(4)
    places = np.linspace(FIRST, LAST, BLOCKS)
    since = (DOTS_PASSED[:, None] + places - PLACE) / DOTS % 1.0
    own = uneven * rng.standard_normal(DOTS)[np.rint(DOTS * since).astype(int) % DOTS]
    phase = 2 * np.pi * (DOTS_PASSED[:, None] + step * since + own)
    blur = rng.normal(0, noise, (2, *phase.shape))
    blocks = (np.exp(1j * phase) + blur[0] + 1j * blur[1]).astype(np.complex64)
    return RowSeries(0.5, 0.5, 0.0, 20.0, 20.0, LAST, 0.4, 40.0, blocks, places_dots=places)


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


def test_too_few_turns_or_parts_tell_nothing() -> None:
    row = a_row(STEP)
    assert find_joint(replace(row, blocks=row.blocks[:100]), DOTS_PASSED[:100], dots=DOTS) is None
    assert row.places_dots is not None
    few = replace(row, blocks=row.blocks[:, :4], places_dots=row.places_dots[:4])
    assert find_joint(few, DOTS_PASSED, dots=DOTS) is None


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
