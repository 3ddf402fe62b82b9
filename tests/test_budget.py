"""Wow and flutter are as sure as the figures of the whole band: what may be wrong of the speed counts where it lies."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import strobe
from strobe.figures import evaluate
from strobe.figures.results import Fluctuation
from strobe.measurement import BudgetEntry
from strobe.measuring import budget
from strobe.measuring.budget import components_with_budget, fluctuation_with_budget
from strobe.measuring.mixing import Mixing
from strobe.measuring.seldom import Mistaken
from strobe.measuring.unevenness import RowParts, UnevenDots
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip

RATE_HZ, TURN_HZ, DOTS = 30.0, 0.75, 160
SLOW, FAST = (2.0, 0.1), (9.0, 0.05)


def course(*lines: tuple[float, float], seconds: float = 40.0, noise_rev: float = 1e-7) -> dict[str, Any]:
    """Times and angle of lines (Hz, peak in percent) at 45 rpm, with white noise, as `evaluate` takes them."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    angle = TURN_HZ * time + np.random.default_rng(2).normal(0, noise_rev, time.size)
    for hz, peak in lines:
        angle = angle - TURN_HZ * peak / 100 * np.cos(2 * np.pi * hz * time) / (2 * np.pi * hz)
    return {"time_s": time, "angle_rev": angle}


def bounded(
    run: dict[str, Any],
    *,
    noise_rev: float = 1e-7,
    hidden: tuple[tuple[float, float, float], ...] = (),
    mixing: Mixing | None = None,
    shaken_dots: NDArray[np.float64] | None = None,
    grid_s: float = 0.0,
    **allowed: Any,
) -> Fluctuation:
    """The fluctuation with nothing in its bounds but its own noise, and what is asked for."""
    figures = evaluate(**run, nominal_rpm=45.0, angle_noise_rev=noise_rev, frame_interval_s=1 / RATE_HZ)
    time: NDArray[np.float64] = run["time_s"]
    base: Any = SimpleNamespace(
        time_s=time, interval_s=1 / RATE_HZ, duration_s=float(time[-1]), kind="stamps", grid_s=grid_s
    )
    line: Any = SimpleNamespace(
        kind="camera", hidden=hidden, beside=(), removed_hz=(), dot_rate_hz=DOTS * TURN_HZ, lit=np.ones(time.size, bool)
    )
    nothing: dict[str, Any] = {"off_centre_percent": 0.0, "scale_share": 0.0}
    return fluctuation_with_budget(
        figures,
        base,
        line=line,
        mixing=mixing if mixing is not None else Mixing(0.0, 0.0),
        left_dots=np.zeros_like(time) if shaken_dots is None else shaken_dots,
        dots=DOTS,
        **(nothing | allowed),
    )[0]


def widths(found: Fluctuation) -> dict[str, float]:
    """Half-widths of the rms of the whole band, and of wow and flutter split at 6 Hz."""
    parts = {part.name: part.rms_uncertainty_percent for part in found.parts if part.split_by == "practice"}
    return parts | {"unweighted": found.unweighted_rms_uncertainty_percent}


def ring(*told: float, others: float = 0.0) -> UnevenDots:
    """A ring of which few dots are seen, that errs by so many gaps at twice, three times ... and more times a turn."""
    return UnevenDots(RowParts(DOTS, np.zeros(1), np.ones(1), 1.0), np.array(told), others)


DOUBTS: dict[str, dict[str, Any]] = {
    "nothing": {},
    "ring off centre": {"off_centre_percent": 0.05},
    "uneven dots": {"uneven": ring(5e-4, 5e-4, 5e-4)},
    "beat of the lamp": {"hidden": ((1.3, 0.002, 0.0),)},
    "coding": {"scale_share": 0.1},
    "dots almost still": {"swallowed_dots": 5e-4},
    "mixed pictures": {"mixing": Mixing(0.6, 0.0)},
    "shake": {"shaken_dots": 5e-4 * np.sin(2 * np.pi * 1.1 * np.arange(1200) / RATE_HZ)},
}


@pytest.mark.parametrize("doubt", DOUBTS)
def test_wow_is_as_sure_as_all_of_it_where_all_of_it_is_wow(doubt: str) -> None:
    """Two slow lines, and what may be wrong below 6 Hz: the same half-width."""
    found = widths(bounded(course((TURN_HZ, 0.2), SLOW), **DOUBTS[doubt]))
    plain = widths(bounded(course((TURN_HZ, 0.2), SLOW)))
    assert found["wow"] == pytest.approx(found["unweighted"], rel=0.02, abs=2e-6)
    if doubt not in ("nothing", "mixed pictures"):
        assert found["wow"] > 2 * plain["wow"]


@pytest.mark.parametrize("grid_s", [1 / 1000, 1 / 600])
def test_stamps_that_are_rounded_and_taken_as_they_are_are_in_the_bounds(grid_s: float) -> None:
    """What white errors of a third of a millisecond make of a steady speed is drawn, and lies within what is stated."""
    rng = np.random.default_rng(3)
    late = TURN_HZ * rng.uniform(-grid_s / 2, grid_s / 2, 1200)
    made = course((TURN_HZ, 0.02))
    found = bounded(made | {"angle_rev": made["angle_rev"] + late}, grid_s=grid_s)
    for name in ("weighted_rms", "unweighted_rms"):
        value, half = (getattr(found, f"{name}{part}_percent") for part in ("", "_uncertainty"))
        assert 0.5 * value < half
        assert abs(value - getattr(bounded(made), f"{name}_percent")) < half < 2 * value


def test_a_beat_of_the_lamp_counts_where_it_lies() -> None:
    """0.002 of 120 dots a second at 9 Hz hide a wobble of 0.094 %, seven tenths of which are thought possible."""
    run = course((TURN_HZ, 0.2), SLOW, FAST)
    plain, found = widths(bounded(run)), widths(bounded(run, hidden=((9.0, 0.002, 0.0),)))
    hidden = 0.7 * 100 * 2 * np.pi * 9.0 * 0.002 / 120
    grown = (np.hypot(FAST[1], hidden) - FAST[1]) / np.sqrt(2)
    assert found["wow"] == plain["wow"]
    assert found["flutter"] == pytest.approx(np.hypot(plain["flutter"], grown), rel=0.02)


@pytest.mark.parametrize(("share", "times"), [(0.103, 1.4), (0.05, 0.7)])
def test_more_in_step_with_the_light_than_a_lamp_swings_is_likely_a_wobble(share: float, times: float) -> None:
    """0.005 dots in step are 0.10 of a swing of 0.05, which none of a lamp's are, and 0.05 of one of 0.1."""
    run = course((TURN_HZ, 0.2), SLOW)
    plain, found = widths(bounded(run)), widths(bounded(run, hidden=((5.1, 0.005, share),)))
    hidden = times * min(100 * 2 * np.pi * 5.1 * 0.005 / 120, 0.2 if times < 1 else np.inf)
    rms = np.hypot(0.2, SLOW[1]) / np.sqrt(2)
    grown = np.sqrt(rms**2 + hidden**2 / 2) - rms
    assert found["unweighted"] == pytest.approx(np.hypot(plain["unweighted"], grown), rel=0.05)


def swaying(peak_percent: float) -> NDArray[np.float64]:
    """Dots that a camera feigns at 4 Hz."""
    return peak_percent / 100 * DOTS * TURN_HZ / (2 * np.pi * 4) * np.sin(2 * np.pi * 4 * np.arange(1200) / RATE_HZ)


def test_shake_that_hides_the_wobble_makes_an_upper_limit_and_more_a_refusal() -> None:
    """The weighting is 1 at 4 Hz: 1 % and 2 % peak are 0.7 and 1.4 % rms, one below and one above what is allowed."""
    run = course((TURN_HZ, 0.2), SLOW)
    found = bounded(run, shaken_dots=swaying(1.0))
    assert found.weighted_rms_uncertainty_percent > found.weighted_rms_percent
    with pytest.raises(strobe.Refused, match=r"shaken: .* 1\.4 % of false wobble"):
        bounded(run, shaken_dots=swaying(2.0))


@pytest.mark.parametrize(("left_percent", "hides"), [(0.04, False), (0.06, True)])
def test_shake_hides_what_it_may_be_most_of(left_percent: float, hides: bool) -> None:
    fluctuation: Any = SimpleNamespace(weighted_rms_percent=0.1)
    entries = (BudgetEntry("weighted_rms", "shake", left_percent), BudgetEntry("unweighted_rms", "shake", 0.3))
    assert budget.hidden_by_shake(fluctuation, entries) == hides


def test_a_coder_errs_more_the_faster_a_wobble_goes() -> None:
    """Closed form: 0.3 of a cycle from frame to frame are 0.15 above where it begins, 0.4 of which is its share."""
    plain, found = widths(bounded(course(SLOW))), widths(bounded(course(SLOW, FAST)))
    share = 0.4 * (FAST[0] / RATE_HZ - 0.15)
    assert found["flutter"] == pytest.approx(share * FAST[1] / np.sqrt(2), rel=0.1)
    assert found["wow"] == pytest.approx(plain["wow"], abs=1e-5)


def test_uneven_dots_widen_flutter_by_the_orders_above_the_split() -> None:
    """Closed form: order k of e gaps is a speed of 2 pi k e / N; 9 to 18 times a turn of 0.75 Hz lie above 6 Hz."""
    uneven = 2e-4
    run = course((TURN_HZ, 0.2), SLOW, FAST)
    plain, found = widths(bounded(run)), widths(bounded(run, uneven=ring(others=uneven)))
    orders = np.arange(9, 19)
    square = float(np.sum((100 * 2 * np.pi * orders * uneven / DOTS) ** 2))
    # 9 Hz are 12 times a turn: that false swing stands with or against the line by chance.
    false, line = 1.96 * 100 * 2 * np.pi * 12 * uneven / DOTS, FAST[1]
    fallen = line / np.sqrt(2) - np.sqrt(max(line**2 / 2 - 1.6 * square - line * false, 0.0))
    assert found["flutter"] == pytest.approx(np.hypot(plain["flutter"], fallen), rel=0.1)


@pytest.mark.parametrize(("seconds", "widened"), [(6.0, True), (40.0, False)])
def test_a_line_near_a_multiple_of_the_turn_may_be_the_dots_as_far_as_the_clip_parts_them(
    seconds: float, widened: bool
) -> None:
    """0.09 of a turn's rate beside three times a turn are 0.4 cycles in 6 s, and 2.7 in 40."""
    run = course((TURN_HZ, 0.2), (3.09 * TURN_HZ, 0.1), seconds=seconds)
    figures = evaluate(**run, nominal_rpm=45.0, angle_noise_rev=1e-7, frame_interval_s=1 / RATE_HZ)
    time: Any = SimpleNamespace(time_s=run["time_s"], interval_s=1 / RATE_HZ)
    found = components_with_budget(
        figures,
        time,
        averaging=lambda hz: (np.ones_like(hz), np.ones_like(hz)),
        left_dots=np.zeros_like(run["time_s"]),
        dots=DOTS,
        off_centre_percent=0.0,
        scale_share=0.0,
        uneven=ring(others=1e-3),
    )
    line = min(found, key=lambda one: abs(one.per_revolution - 3.09))
    # Closed form: order k of e gaps is a speed of 2 pi k e / N.
    false = 1.96 * 100 * 2 * np.pi * 3 * 1e-3 / DOTS
    assert (line.uncertainty_percent > 0.9 * false) == widened


def test_noise_of_mixed_pictures_weighs_more_in_each_part() -> None:
    run = course(SLOW, FAST, noise_rev=1e-5)
    plain, found = (widths(bounded(run, noise_rev=1e-5, mixing=mixing)) for mixing in (None, Mixing(0.6, 0.0)))
    for part in ("wow", "flutter"):
        # All but what may be noise that was not known as such.
        assert 1.6 * plain[part] < found[part] <= 2 * plain[part]


def test_flutter_that_may_be_noise_is_not_told_from_nothing() -> None:
    """Noise half as strong again as it was known to be is what a coder makes: no flutter is below its half-width."""
    run = course(SLOW, noise_rev=1.5e-5)
    found = bounded(run, noise_rev=1e-5)
    for part in found.parts:
        if part.name == "flutter":
            assert part.rms_percent <= part.rms_uncertainty_percent
            assert part.peak_percent <= part.peak_uncertainty_percent


def test_few_turns_make_wow_unsure_and_no_flutter() -> None:
    run = course((TURN_HZ, 0.2), FAST, seconds=2.2)
    long = course((TURN_HZ, 0.2), FAST, seconds=3.0)
    few, more = (bounded(one) for one in (run, long))
    wow = {found: next(part for part in found.parts if part.name == "wow") for found in (few, more)}
    assert wow[few].rms_uncertainty_percent > 0.12 * wow[few].rms_percent
    assert widths(few)["flutter"] < 0.12 * FAST[1] / np.sqrt(2)


def test_a_component_that_may_be_a_faster_one_lies_in_wow_or_in_flutter(monkeypatch: pytest.MonkeyPatch) -> None:
    """2 Hz that may be 11 Hz of 0.3 %: wow may hold nothing of it, and flutter lack all of that."""
    run = course((TURN_HZ, 0.2), SLOW, FAST)

    def one(figures: Any, *_: Any) -> tuple[Mistaken, ...]:
        slow = min(figures.components, key=lambda component: abs(component.frequency_hz - SLOW[0]))
        return (Mistaken(slow, 11.0, 0.3),)

    plain = widths(bounded(run))
    monkeypatch.setattr(budget, "mistaken_for_slower", one)
    found = widths(bounded(run))
    held = (np.hypot(0.2, SLOW[1]) - 0.2) / np.sqrt(2)
    lacking = (np.hypot(FAST[1], 0.3) - FAST[1]) / np.sqrt(2)
    assert found["wow"] == pytest.approx(np.hypot(plain["wow"], held), rel=0.02)
    assert found["flutter"] == pytest.approx(np.hypot(plain["flutter"], lacking), rel=0.02)


def test_a_rim_of_uneven_dots_without_flutter_holds_that(tmp_path: Path) -> None:
    """Dots that stand off by 0.012 of a gap feign flutter of 0.015 % above 6 Hz; there is none."""
    scene = Scene(
        rows=(DotRow(180, uneven_place=0.012, uneven_brightness=0.02, dust_specks=0),),
        speed=Speed(100 / 3, 0.37, wobbles=(Wobble(0.05, per_revolution=1.0),)),
        lamp=Lamp("half-sine", 100.04),
        camera=Camera(width=640, height=360, exposure_s=0.002, hfov_deg=35.0, noise=1.2),
        coding=Coding(bit_rate=4_000_000),
        seconds=12.0,
    )
    render_clip(scene, tmp_path / "uneven.mp4", rng=np.random.default_rng(2))
    found = strobe.measure(tmp_path / "uneven.mp4", rpm=33, dots=180, mains=50).fluctuation
    for part in found.parts:
        if part.name == "flutter":
            assert part.rms_percent <= part.rms_uncertainty_percent
            assert part.peak_percent <= part.peak_uncertainty_percent
