"""Parts of a measurement as they are put together, against closed forms."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from strobe.measuring.assembly import notes_of, speed_of, timing_of
from strobe.measuring.clock import CameraClock
from strobe.measuring.lamps import Lamp
from strobe.measuring.mixing import Mixing

THIRD = 100 / 3
CLOCK = CameraClock()
TIME_S = np.arange(300) / 30


def as_chosen(dots: int, deviation_percent: float, lamp: Lamp, kind: str = "lamp") -> Any:
    """A reading of a ring that turns evenly."""
    dots_hz = dots * THIRD / 60 * (1 + deviation_percent / 100)
    line = SimpleNamespace(dot_rate_hz=dots_hz, swing_cycles=0.0, swing_dots=0.0, kind=kind, dots=dots_hz * TIME_S)
    return SimpleNamespace(lamp=lamp, dots=dots, nominal_rpm=THIRD, line=line)


def figures_of(chosen: Any, deviation_percent: float) -> Any:
    turns = chosen.line.dots / chosen.dots
    return SimpleNamespace(
        deviation_percent=deviation_percent,
        deviation_uncertainty_percent=0.001,
        mean_rpm=THIRD * (1 + deviation_percent / 100),
        revolutions=float(np.ptp(turns)),
        series=SimpleNamespace(angle_rev=turns, time_s=TIME_S),
    )


def flashing(hz: float, nominal_hz: float = 100.0, kind: str = "mains") -> Lamp:
    source = {"mains": "nominal" if hz == nominal_hz else "measured", "given": "given"}[kind]
    return Lamp(kind, 50.0, hz, nominal_hz, source, None, hz * TIME_S)


@pytest.mark.parametrize(
    ("dots", "lamp", "still_hz", "still_percent"),
    [
        (180, flashing(100.04), 100.04, 0.0),
        (90, flashing(100.04), 50.02, 0.0),
        (360, flashing(100.04), 200.08, 0.0),
        (186, flashing(100.04), 100.04, 100 * (180 / 186 - 1)),
        (180, flashing(50.0, 50.0, "given"), 100.0, 0.0),
        (90, flashing(100.0, 100.0, "given"), 50.0, 0.0),
    ],
)
def test_what_stands_still_to_the_eye(dots: int, lamp: Lamp, still_hz: float, still_percent: float) -> None:
    """A ring of N stands still where N n / 60 is k flashes a second, and creeps by what it has beyond that.

    Every other flash of 100.04 is left out where a ring of 90 stands still under it: 50.02 bars pass in a second.
    """
    chosen = as_chosen(dots, 0.3, lamp)
    speed, _ = speed_of(
        figures_of(chosen, 0.3),
        chosen,
        SimpleNamespace(duration_s=float(TIME_S[-1]), interval_uncertainty=0.0),  # type: ignore[arg-type]  # stands in for a time base
        timing_of(chosen, CLOCK),
        0.0,
        CLOCK,
        left_dots=np.zeros(2),
        unsettled_hz=0.0,
        assumed_speed_percent=0.0,
    )
    assert speed.drift_dots_per_minute == pytest.approx(dots * THIRD * 1.003 - 60 * still_hz, abs=1e-6)
    assert speed.still_deviation_percent == pytest.approx(still_percent, abs=1e-9)


@pytest.mark.parametrize(("beside_hz", "said"), [(7.0, True), (12.0, False)])
def test_what_lies_beside_the_beat_is_said_where_the_figures_reach(beside_hz: float, said: bool) -> None:
    chosen = as_chosen(180, 0.3, flashing(100.04))
    chosen.line = SimpleNamespace(**vars(chosen.line), beside=((beside_hz, 0.005),), lit=np.ones(300, bool))
    row = SimpleNamespace(ring=None, mean_pitch_px=20.0, contrast=0.5)
    chosen.evidence = SimpleNamespace(row=row, kind=None)
    band = SimpleNamespace(band_hz=(0.2, 10.0), weighting_checked_hz=(0.2, 10.0))
    figures: Any = SimpleNamespace(fluctuation=band, revolutions=5.5)
    timing: Any = SimpleNamespace(flash_rate_source="measured")
    time: Any = SimpleNamespace(duration_s=10.0, dropped=0, kind="stamps of the file")
    notes = notes_of(
        chosen,
        figures,
        time,
        timing,
        gap_percent=0.0,
        assumed_speed_percent=0.0,
        shaken=False,
        shake_hides=False,
        scenery_seen=True,
        corrupt=0,
        swallowed_dots=0.0,
        mixing=Mixing(0.0, 0.0),
    )
    assert ("beside-the-beat" in {note.code for note in notes}) == said
