"""What the rows of one rim tell about each other: against a simulated rim whose rate is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import test_phase

import strobe
from strobe.measuring.evidence import gather
from strobe.measuring.joint import backwards
from strobe.measuring.lamps import Lamp
from strobe.measuring.rows import drafts_of
from strobe.pattern import RowSeries
from strobe.phase import fit_time_base
from strobe.render import Camera, DotRow, Scene, Speed, render_clip

TIME = np.arange(600) / 60
COUNT, RATE_HZ = 216, 119.3


def a_row(blocks: int, *, count: int = COUNT) -> RowSeries:
    """The first parts of a row of uneven dots; a pitch of 20 pixels at 216 in a turn."""
    parts, _ = test_phase.TestTurns.blocks(
        np.random.default_rng(3), TIME, RATE_HZ * count / COUNT, count, irregular=0.03
    )
    places = 4.0 * np.arange(blocks, dtype=np.float64)
    pitch = 20.0 * COUNT / count
    return RowSeries(0.5, 0.5, 0.0, pitch, pitch, 4.0 * blocks, 0.4, 40.0, parts[:, :blocks], places_dots=places)


class TestMarksThatTravel:
    """A short row does not show how fast marks pass along it; a long one of the same platter does."""

    LAMP = Lamp("mains", 50.0, 100.0, 100.0, "nominal", None, None)

    @pytest.mark.parametrize("count", [COUNT, 180])
    def test_a_short_row_goes_by_the_long_one(self, count: int) -> None:
        time = fit_time_base(TIME)
        long, short = gather([a_row(11), a_row(2, count=count)], time, self.LAMP)
        assert long.travel is not None
        assert short.travel is not None
        assert long.travel.rate_hz == pytest.approx(RATE_HZ, rel=0.06)
        assert short.travel.rate_hz == pytest.approx(RATE_HZ * count / COUNT, rel=0.06)
        assert short.travel.share(RATE_HZ * count / COUNT - 20) < 0.12

    def test_a_row_taken_the_other_way_does_not(self) -> None:
        long, short = gather([a_row(11), backwards(a_row(2))], fit_time_base(TIME), self.LAMP)
        assert long.travel is not None
        assert short.travel is None


@pytest.mark.parametrize("off", [0.0, 0.002, -0.0024])
def test_rows_are_told_together_though_the_mains_are_off(off: float) -> None:
    """Half a minute under 50 Hz that are off: 180 and 133 dots follow one motion, each less a turn a flash."""
    time_s = np.arange(900) / 30
    turned = 100 / 180 * time_s + 2e-4 * np.sin(2 * np.pi * 0.55 * time_s)
    lamp = Lamp("mains", 50.0, 100.0, 100.0, "nominal", None, 100.0 * time_s)
    rows = [
        RowSeries(0.5, 0.5, 0.0, 2700 / count, 2700 / count, 8.0, 0.4, 40.0, parts.astype(np.complex64))
        for count in (180, 133)
        for parts in [np.exp(2j * np.pi * (count * turned - 100 * (1 + off) * time_s))[:, None]]
    ]
    time = fit_time_base(time_s)
    drafts = drafts_of(gather(rows, time, lamp), time, lamp, rpm=100 / 3, dots=180)
    assert [180, 133] in [list(draft.counts) for draft in drafts if draft.kind == "lamp"]


@pytest.mark.parametrize("told", [None, 45.0])
def test_an_assumed_speed_leaves_room_for_the_others(tmp_path: Path, told: float | None) -> None:
    """Whole dots do not go quite evenly into the flashes: 133 at 45 rpm want 0.25 % more than 180 at 33 1/3.

    The two look alike where no turn is seen, as with dots printed without a fault.
    """
    row = DotRow(133, uneven_place=0, uneven_brightness=0, dust_specks=0)
    scene = Scene((row,), Speed(45.0, 0.3), camera=Camera(width=640, height=360, frame_rate_hz=25), seconds=5)
    render_clip(scene, tmp_path / "clip.mp4", rng=np.random.default_rng(2))
    measured = strobe.measure(tmp_path / "clip.mp4", mains=50, rpm=told)
    assert ("nominal_rpm" in measured.setup.assumed) == (told is None)
    assert measured.setup.nominal_rpm == pytest.approx(told or 100 / 3)
    assert abs(measured.speed.deviation_percent - 0.3) < measured.speed.uncertainty_percent
    assert (measured.speed.uncertainty_percent > 0.25 + 0.2) == (told is None)
    assert any(entry.source == "speed assumed" for entry in measured.budget) == (told is None)
    assert any(note.code == "speed-assumed" for note in measured.notes) == (told is None)
