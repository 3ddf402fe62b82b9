"""Two speeds and two camera places: what keeps its order, and what the ring of dots adds."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from simulated_drives import BeltDrive, DirectDrive
from study_drive import read

from strobe.drive.ring import Filmed, locked_amplitude, separate_ring
from strobe.drive.speeds import Kept, compare_speeds
from strobe.errors import UsageError
from strobe.figures import evaluate
from strobe.figures.results import SpeedSeries

LP = 100 / 3


def at_two_speeds(first: Any, second: Any, drive: str | None) -> dict[str, Kept]:
    film = {"seconds": 60.0, "frame_rate_hz": 30.0, "noise_dots": 5e-4}
    kept = compare_speeds(read(first, 3, **film), read(second, 4, **film), drive=drive)
    return {f"{one.feature.order:.1f}": one for one in kept}


def test_a_belt_keeps_its_order_and_a_mains_motor_its_rate() -> None:
    slow = BeltDrive(shaft_rpm=250.0, pulley_off_m=8e-5, belt_uneven_m=5e-5)
    fast = replace(slow, rpm=45.0, pulley_m=slow.pulley_m * 1.35)
    kept = at_two_speeds(slow, fast, "belt")
    assert kept["0.9"].keeps == "order"
    assert kept["0.9"].meaning == "the belt"
    assert kept["7.5"].keeps == "rate"
    assert "stepped pulley" in kept["7.5"].meaning
    assert kept["7.5"].sure > 0.95
    assert kept["7.5"].partner is not None
    assert kept["7.5"].partner.frequency_hz == pytest.approx(250 / 60, rel=0.002)


def test_an_electronically_set_motor_keeps_its_order() -> None:
    slow = BeltDrive(pulley_m=0.0116, driven_m=0.2106, belt_path_m=0.7, pulley_off_m=4e-4)
    kept = at_two_speeds(slow, replace(slow, rpm=45.0), "belt")
    assert kept["18.2"].keeps == "order"
    assert "set electronically" in kept["18.2"].meaning


def test_a_platter_keeps_its_order_and_a_hump_its_rate() -> None:
    slow = BeltDrive(shaft_rpm=250.0, driven_off_m=3e-4, chassis_hz=3.5, chassis_rms_m=1e-4)
    fast = replace(slow, rpm=45.0, pulley_m=slow.pulley_m * 1.35)
    film = {"seconds": 60.0, "frame_rate_hz": 30.0, "noise_dots": 5e-4}
    kept = compare_speeds(read(slow, 3, **film), read(fast, 4, **film))
    platter = next(one for one in kept if one.feature.sharp and round(one.feature.order, 1) == 1.0)
    hump = next(one for one in kept if not one.feature.sharp)
    assert platter.keeps == "order"
    assert "turns with the platter" in platter.meaning
    assert hump.keeps == "rate"
    assert "springs" in hump.meaning


def test_poles_keep_their_order() -> None:
    slow = DirectDrive(offset_share=0.3)
    kept = at_two_speeds(slow, replace(slow, rpm=45.0), "direct")
    assert kept["8.0"].keeps == "order"
    assert "poles or coils" in kept["8.0"].meaning


def test_what_shows_at_one_speed_only_says_so() -> None:
    slow = BeltDrive(shaft_rpm=250.0, pulley_off_m=1e-4)
    fast = replace(slow, rpm=45.0, pulley_m=slow.pulley_m * 1.35, pulley_off_m=0.0)
    kept = at_two_speeds(slow, fast, "belt")
    assert kept["7.5"].keeps == "neither"
    assert kept["7.5"].sure == 0
    assert "film the other for longer" in kept["7.5"].meaning


def test_what_may_lie_above_the_other_clips_band_asks_for_more_frames() -> None:
    """18.2 times a turn are 13.6 Hz at 45 rpm; 25 frames a second show up to 11.9 Hz, for however long."""
    slow = BeltDrive(pulley_m=0.0116, driven_m=0.2106, belt_path_m=0.7, pulley_off_m=4e-4)
    film = {"seconds": 40.0, "noise_dots": 5e-4}
    first = read(slow, 3, frame_rate_hz=30.0, **film)
    kept = compare_speeds(first, read(replace(slow, rpm=45.0), 4, frame_rate_hz=25.0, **film), drive="belt")
    pulley = next(one for one in kept if round(one.feature.order, 1) == 18.2)
    assert pulley.keeps == "neither"
    assert "13.6 Hz, above that clip's band (11.9 Hz): film the other at a higher frame rate" in pulley.meaning


def test_two_clips_at_one_speed_are_no_two_speeds() -> None:
    film = {"seconds": 20.0, "frame_rate_hz": 30.0, "noise_dots": 5e-4}
    one = read(BeltDrive(), 1, **film)
    with pytest.raises(UsageError, match="differ by a tenth or more"):
        compare_speeds(one, one)


def filmed_from(
    place_deg: float, *, wobble: dict[int, complex], ring: dict[int, complex], seed: int, start: float
) -> Filmed:
    """A platter whose real speed wobbles in the room, with a ring whose error follows the camera; a mark passes."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0, 40, 1 / 600)
    angle = start + fine * LP / 60
    for k, part in wobble.items():
        # d(angle)/dt = rate (1 + Re[W exp(i k p)]), the angle p being the mark's place in the room.
        angle = angle + np.imag(part / 100 * np.exp(2j * np.pi * k * (start + fine * LP / 60))) / (2 * np.pi * k)
    time = np.arange(0, 40, 1 / 30)
    place = np.interp(time, fine, angle)
    seen = place - place_deg / 360
    apparent = seen.copy()
    for k, part in ring.items():
        apparent = apparent + np.imag(part / 100 * np.exp(2j * np.pi * k * seen)) / (2 * np.pi * k)
    noise = 1e-3 / 180
    apparent += noise * rng.standard_normal(time.size)
    figures = evaluate(time, apparent - apparent[0], nominal_rpm=LP, angle_noise_rev=noise, frame_interval_s=1 / 30)
    mark = float(np.interp(math.ceil(seen[0]) + 2, seen, time))
    return Filmed(figures.series, mark)


# 0.1 mm off centre on a radius of 150 mm reads 0.0667 %; a wobble of 0.1 %.
@pytest.mark.parametrize("turned", [180.0, 90.0, -90.0, 120.0])
@pytest.mark.parametrize("seed", range(4))
def test_ring_and_wobble_are_parted(turned: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    wobble, ring = (size * np.exp(1j * rng.uniform(0, 6.28)) for size in (0.1, 100 * 0.1 / 150))
    truth = {"wobble": {1: complex(wobble)}, "ring": {1: complex(ring)}}
    first = filmed_from(20.0, **truth, seed=seed, start=0.13)
    second = filmed_from(20.0 + turned, **truth, seed=seed + 100, start=0.77)
    once = separate_ring(first, second, turned_by_deg=turned)[0]
    assert once.wobble_percent == pytest.approx(0.1, rel=0.1)
    assert once.ring_percent == pytest.approx(0.0667, rel=0.1)
    assert once.ring_mm(150) == pytest.approx(0.1, rel=0.1)
    assert abs(once.wobble_percent - 0.1) <= once.wobble_uncertainty_percent
    assert abs(once.ring_percent - 0.0667) <= once.ring_uncertainty_percent + 1e-4


def test_blind_orders_say_so() -> None:
    truth = {"wobble": {1: 0.1 + 0j, 2: 0.05j}, "ring": {1: 0.05j}}
    first, second = filmed_from(0.0, **truth, seed=1, start=0.0), filmed_from(180.0, **truth, seed=2, start=0.3)
    parts = separate_ring(first, second, turned_by_deg=180.0)
    assert [one.blind for one in parts] == [False, True, False, True]
    assert parts[1].ring_uncertainty_percent >= 0.05
    parts = separate_ring(first, filmed_from(90.0, **truth, seed=3, start=0.3), turned_by_deg=90.0)
    assert [one.blind for one in parts] == [False, False, False, True]
    assert parts[1].wobble_percent == pytest.approx(0.05, rel=0.2)
    assert parts[1].ring_percent < 0.02


def test_a_mark_that_is_not_known_well_widens() -> None:
    truth = {"wobble": {1: 0.1 + 0j}, "ring": {1: 0.05j}}
    one = filmed_from(0.0, **truth, seed=1, start=0.0)
    sure, unsure = locked_amplitude(one, 1), locked_amplitude(replace(one, mark_uncertainty_s=0.05), 1)
    assert unsure[0] == sure[0]
    assert unsure[1] > sure[1] + 0.01


def test_rings_that_cannot_be_parted_are_refused() -> None:
    truth = {"wobble": {1: 0.1 + 0j}, "ring": {1: 0.05j}}
    one = filmed_from(0.0, **truth, seed=1, start=0.0)
    for turned in (0.0, 360.0, math.nan):
        with pytest.raises(UsageError, match="180 or 90 is good"):
            separate_ring(one, one, turned_by_deg=turned)
    with pytest.raises(UsageError, match="outside the clip"):
        separate_ring(one, replace(one, mark_s=90.0), turned_by_deg=180)
    short = SpeedSeries(
        *(value[:120] for value in (one.series.time_s, one.series.angle_rev, one.series.deviation_percent))
    )
    with pytest.raises(UsageError, match="too few"):
        separate_ring(one, Filmed(short, 1.0), turned_by_deg=180)
    # 54 samples a turn: every fifth makes 10 or 11, every seventh 7 or 8.
    for every in (5, 7):
        sparse = SpeedSeries(
            *(value[::every] for value in (one.series.time_s, one.series.angle_rev, one.series.deviation_percent))
        )
        if every == 5:
            assert locked_amplitude(replace(one, series=sparse), 1)[0] == pytest.approx(0.1 + 0.05j, abs=0.01)
        else:
            with pytest.raises(UsageError, match="samples in a turn are too few, 9 are the least"):
                locked_amplitude(replace(one, series=sparse), 1)
