"""When a clip is refused, rule by rule, on made series whose answer is known."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fuzz_files import make_seeds

import strobe
from strobe.errors import Refused
from strobe.measuring import Told
from strobe.measuring.clock import CameraClock
from strobe.measuring.deciding import (
    check_alias,
    check_continuity,
    choose,
    refuse_too_few_to_tell,
    refuse_unusual_count,
)
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.lamps import lamps_of, slow_flicker
from strobe.measuring.marks import refuse_by_mark
from strobe.measuring.refusals import refuse_too_few_lit, refuse_what_is_flat
from strobe.measuring.stretch import SteadyPart, beside_fade, steady_part
from strobe.pattern import CameraCourse, PatternReading, RowSeries
from strobe.pattern.impression import Impression
from strobe.pattern.reading import RowReader
from strobe.phase import FlashRate, TimeBase, TurnSignature, find_flicker, fit_time_base
from strobe.phase.stamps import trust_stamps

RATE_HZ = 30.0
DOTS = 180
NOTHING = Told(CameraClock())


def at(rpm: float) -> Told:
    return replace(NOTHING, nominal_rpm=rpm)


def row(**changed: Any) -> RowSeries:
    made = RowSeries(0.5, 0.5, 0.0, 14.0, 13.0, 40.0, 0.4, 60.0, np.ones((90, 4), np.complex64))
    return replace(made, **changed)


def crowding_seen(half_angle_rad: float, distance: float) -> float:
    """What `RowReader.crowding` says of dots round a rim of radius 1, seen from so far outside it."""
    angle = np.linspace(-half_angle_rad, half_angle_rad, 4001)
    x = np.sin(angle) / (distance + 1 - np.cos(angle)) * distance
    columns = np.linspace(x[0], x[-1], 801) * 500
    count = np.interp(columns / 500, x, angle) * DOTS / (2 * np.pi)
    reader: Any = SimpleNamespace(x_px=columns, pitch_px=1 / np.gradient(count, columns))
    return RowReader.crowding(reader)


@pytest.mark.parametrize("half_deg", [20, 30, 45])
def test_dots_of_a_rim_crowd_as_an_arc_does(half_deg: float) -> None:
    """From far away ``x = sin(angle)``, whose inverse has a sixth of the square as its cubic part; nearer by more.

    Higher orders of the arc sine come on top: under a half of it up to 45 degrees.
    """
    half = np.radians(half_deg)
    assert half**2 / 6 < 1.03 * crowding_seen(half, 1e6) < 1.6 * half**2 / 6
    assert crowding_seen(half, 1.5) > 1.5 * crowding_seen(half, 1e6)


def test_what_lies_flat_is_refused_and_a_rim_is_not() -> None:
    in_view = 40.0
    least = (np.pi * in_view / DOTS) ** 2 / 6
    refuse_what_is_flat(row(dots_in_view=in_view, crowding=least), DOTS, NOTHING)
    for flat in (0.0, -0.05, 0.3 * least):
        with pytest.raises(Refused, match="not-a-rim"):
            refuse_what_is_flat(row(dots_in_view=in_view, crowding=flat), DOTS, NOTHING)


@pytest.mark.parametrize(("in_view", "dots"), [(15.2, 180), (22.2, 360), (29.0, 216)])
def test_less_than_a_rim_would_show_is_told_from_what_uneven_dots_make(in_view: float, dots: int) -> None:
    """Print and slats, read as such rings: the uneven places of their marks make little of the crowding of a rim."""
    least = (np.pi * in_view / dots) ** 2 / 6
    scatter = crowding_of_uneven_dots(in_view)
    with pytest.raises(Refused, match="not-a-rim"):
        refuse_what_is_flat(row(dots_in_view=in_view, crowding=scatter), dots, NOTHING)
    refuse_what_is_flat(row(dots_in_view=in_view, crowding=least - scatter), dots, NOTHING)


def crowding_of_uneven_dots(in_view: float) -> float:
    """1-sigma of the crowding of evenly spaced dots that stand a hundredth of a gap off their places."""
    place = (np.arange(round(in_view)) + 0.5) / round(in_view) * 2 - 1
    off = np.random.default_rng(6).normal(0, 0.01, (place.size, 4000))
    _, straight, _, cubic = np.polynomial.polynomial.polyfit(place, place[:, None] * in_view / 2 + off, 3)
    return float(np.std(cubic / straight))


def test_few_dots_and_discs_are_not_asked_to_crowd() -> None:
    refuse_what_is_flat(row(dots_in_view=9.0, crowding=-0.02), DOTS, NOTHING)
    refuse_what_is_flat(row(dots_in_view=12.0, crowding=0.0), 3 * DOTS, NOTHING)
    refuse_what_is_flat(row(dots_in_view=90.0, crowding=None), DOTS, NOTHING)


def test_a_patch_of_light_too_narrow_to_see_the_curve_is_read() -> None:
    refuse_what_is_flat(row(dots_in_view=7.6, crowding=-0.011), 77, NOTHING)
    with pytest.raises(Refused, match="not-a-rim"):
        refuse_what_is_flat(row(dots_in_view=18.0, crowding=-0.005), 77, NOTHING)


def test_a_few_dots_of_which_nothing_is_known_are_refused() -> None:
    def chosen(in_view: float, *, turns_seen: bool) -> Any:
        return SimpleNamespace(evidence=SimpleNamespace(row=row(dots_in_view=in_view)), turns_seen=turns_seen)

    with pytest.raises(Refused, match="no-pattern: Only 7 dots or stripes are in view"):
        refuse_too_few_to_tell([chosen(7.9, turns_seen=False), chosen(5.0, turns_seen=False)])
    refuse_too_few_to_tell([chosen(7.9, turns_seen=True), chosen(5.0, turns_seen=False)])
    refuse_too_few_to_tell([chosen(5.0, turns_seen=False), chosen(10.0, turns_seen=False)])


def test_too_few_lit_pictures_are_refused() -> None:
    time_s = np.arange(90) / RATE_HZ
    refuse_too_few_lit(time_s, np.arange(90) % 5 == 0)
    with pytest.raises(Refused, match="no-contrast: Only 15 of 90 pictures show the dots"):
        refuse_too_few_lit(time_s, np.arange(90) % 6 == 0)
    with pytest.raises(Refused, match="no-contrast: Only 25 of 90 pictures"):
        refuse_too_few_lit(time_s, np.arange(90) < 25)


def test_a_time_lapse_is_refused() -> None:
    with pytest.raises(Refused, match="time lapse"):
        trust_stamps(np.arange(40, dtype=np.float64) * 4)
    assert trust_stamps(np.arange(40, dtype=np.float64) * 0.2).breaks == 0


def test_slow_motion_is_as_long_as_it_was_filmed(tmp_path: Path) -> None:
    """66 frames play for 2.2 s, but at 99 a second they were taken in two thirds of one."""
    clip = make_seeds(tmp_path, ("long.mp4",))["long.mp4"]
    data = clip.read_bytes()
    assert data.count(b"30.0") == 1
    clip.write_bytes(data.replace(b"30.0", b"99.0"))
    with pytest.raises(Refused, match=r"too-short: The clip holds 66 frames in 0.7 s"):
        strobe.measure(clip)


def pattern_of(line_hz: np.ndarray[Any, Any], light: np.ndarray[Any, Any], shift_px: float = 0.0) -> PatternReading:
    """A row whose line runs at so many Hz in each frame (0: no row there), under so much light.

    Until the row is there the scenery stands in its place; from then on `shift_px` away.
    """
    rng = np.random.default_rng(5)
    frames = line_hz.size
    noise = rng.standard_normal((frames, 2)) @ [1, 1j] * 0.02
    amplitude = np.where(line_hz > 0, np.exp(2j * np.pi * np.cumsum(line_hz) / RATE_HZ), 0) + noise
    camera = CameraCourse.unseen(frames)
    if shift_px:
        place = np.where(line_hz[:, None] > 0, shift_px, 0.0) + 0.05 * rng.standard_normal((frames, 2))
        camera = replace(camera, shift_px=place, moved=True)
    return PatternReading(
        time_s=np.arange(frames) / RATE_HZ,
        rows=(row(blocks=np.repeat(amplitude[:, None], 4, axis=1).astype(np.complex64)),),
        brightness=light[:, None] * (1 + 0.002 * rng.standard_normal((frames, 8))),
        sweep_known=True,
        camera=camera,
        upright=False,
        plane="luma",
        impression=Impression(100.0, 0.0, 1.0, False, 0.0),
    )


def test_dots_that_stand_under_flashes_are_not_taken_for_repeated_pictures() -> None:
    """In pictures that no flash has lit noise moves; the others then look repeated, but nothing moved between them."""
    rng = np.random.default_rng(8)
    moving = pattern_of(np.full(180, 8.0), np.full(180, 90.0))
    noise = 0.005 * (rng.standard_normal((180, 4)) + 1j * rng.standard_normal((180, 4)))
    flashes = np.where(rng.random(180) < 0.4, 1.0, 0.002)[:, None]

    def repeats(blocks: np.ndarray[Any, Any]) -> int:
        return int(replace(moving, rows=(row(blocks=blocks.astype(np.complex64)),)).repeats().sum())

    assert repeats(flashes + noise) == 0
    travels = np.exp(2j * np.pi * 8 / RATE_HZ * np.arange(180))[:, None]
    assert repeats(travels + noise) == repeats(travels * flashes + noise) == 0
    twice = np.arange(180) - (np.arange(180) % 6 == 5)
    assert repeats((travels + noise)[twice] + noise[::-1]) == 30
    # Two dots and a bit in 1/60 s, in frames that are each some tenths of a millisecond early or late, for good.
    wandering = np.exp(2j * np.pi * 0.026 * np.cumsum(1 + 2.5 * rng.standard_normal(180)))[:, None]
    assert repeats(wandering + 0.1 * noise) == 0
    flicker = moving.brightness * (1 + 0.03 * (-1.0) ** np.arange(180))[:, None]
    under_lamp = replace(
        moving, brightness=flicker, rows=(row(blocks=((travels + noise)[twice] + noise[::-1]).astype(np.complex64)),)
    )
    assert under_lamp.repeats().sum() == 0


def part_of(pattern: PatternReading) -> tuple[float, float, list[str]]:
    part = steady_part(pattern, fit_time_base(pattern.time_s))
    return float(part.time.time_s[0]), float(part.time.time_s[-1]), [note.code for note in part.notes]


def from_frame(first: int, frames: int) -> np.ndarray[Any, Any]:
    return np.where(np.arange(frames) < first, 0.0, 8.0)


def test_nothing_is_left_out_where_nothing_changes() -> None:
    assert part_of(pattern_of(np.full(180, 8.0), np.full(180, 90.0))) == (0.0, pytest.approx(179 / RATE_HZ), [])


def test_the_part_after_a_change_is_measured_where_it_is_long_enough_to_have_settled() -> None:
    first, last, notes = part_of(pattern_of(from_frame(60, 330), np.full(330, 90.0)))
    assert notes == ["speed-changed"]
    assert 2.0 <= first < 3.5
    assert last == pytest.approx(329 / RATE_HZ)
    with pytest.raises(Refused, match="too few to see whether it has settled"):
        part_of(pattern_of(from_frame(60, 180), np.full(180, 90.0)))


@pytest.mark.parametrize("at", [159, 174, 177])
def test_a_part_ends_where_the_pictures_come_at_another_rate(at: int) -> None:
    """From 30 to 29.1 a second, where a lamp's flashes no longer keep step: the line is elsewhere from there on."""
    frame = np.arange(300)
    time_s = np.where(frame < at, frame / 30, at / 30 + (frame - at) / 29.1)
    pattern = replace(pattern_of(np.where(frame < at, 8.0, 12.3), np.full(300, 90.0)), time_s=time_s)
    _, last, notes = part_of(pattern)
    assert notes == ["speed-changed"]
    assert at / 30 - 0.8 < last <= (at + 0.5) / 30


@pytest.mark.parametrize(("light", "smear", "changed"), [(1.03, 1.2, True), (1.03, 1.0, False), (1.0, 1.2, False)])
def test_another_exposure_shows_in_light_and_dots_at_once(light: float, smear: float, changed: bool) -> None:
    """As a camera makes it that shortens its exposure and turns up its gain: a little brighter, the dots sharper."""
    later = np.arange(300) >= 120
    pattern = pattern_of(np.full(300, 8.0), np.where(later, light, 1.0) * 90.0)
    (one,) = pattern.rows
    blocks = (one.blocks * np.where(later, smear, 1.0)[:, None]).astype(np.complex64)
    first, _, notes = part_of(replace(pattern, rows=(replace(one, blocks=blocks),)))
    assert notes == (["light-changed"] if changed else [])
    assert (120 / RATE_HZ < first < 125 / RATE_HZ) if changed else first == 0


@pytest.mark.parametrize("rise_s", [0.35, 0.7])
def test_what_still_creeps_is_left_out_under_wobble_too(rise_s: float) -> None:
    """A speed that comes up by ``exp(-t / rise)`` leaves, on the mean of what is kept, its rest times rise by length.

    0.002 of 100 dots a second is the most that may be left beside what is stated.
    """
    frames = 360
    t = np.arange(frames) / RATE_HZ
    rest_hz = 30.0 * np.exp(-(t - 1.5) / rise_s) * (t >= 1.5)
    wobble_hz = 0.12 * np.sin(2 * np.pi * 0.74 * t + 0.3) + 0.15 * np.sin(2 * np.pi * 8.2 * t)
    part = steady_part(
        pattern_of(np.where(t < 1.5, 0, 8.0 - rest_hz + wobble_hz), np.full(frames, 90.0)), fit_time_base(t)
    )
    first, last = float(part.time.time_s[0]), float(part.time.time_s[-1])
    assert first < 1.5 + 8 * rise_s + 1.0
    assert last == pytest.approx(t[-1])
    left_hz = 30.0 * np.exp(-(first - 1.5) / rise_s) * rise_s / (last - first)
    assert left_hz < 0.002 + part.unsettled_hz
    assert part.unsettled_hz < 0.02


@pytest.mark.parametrize(
    ("beat_hz", "depth", "kept"),
    [(0.1, 0.95, (4.2, 10.0)), (0.1, 0.5, (0.0, 10.0)), (0.9, 0.95, (0.0, 10.0)), (-0.05, 1.0, (0.0, 8.3))],
)
def test_a_moment_in_which_the_dots_fade_is_left_out(beat_hz: float, depth: float, kept: tuple[float, float]) -> None:
    """``1 - depth exp(-2 pi i beat t)``, whose phase leaps where that nearly vanishes: here at 3.5 s, or 9.5 s."""
    time_s = np.arange(301) / RATE_HZ
    at_s = 3.5 if abs(beat_hz) > 0.05 else 9.5
    two_lines = 1 - depth * np.exp(-2j * np.pi * beat_hz * (time_s - at_s))
    blocks = (two_lines * np.exp(2j * np.pi * 2.1 * time_s))[:, None].repeat(4, 1).astype(np.complex64)
    pattern = replace(pattern_of(np.full(301, 8.0), np.full(301, 90.0)), rows=(row(blocks=blocks),))
    still = np.zeros(301)
    flash = FlashRate(120 + beat_hz, 1e-3, 120.0, 0.2, 0.05, 0.01, still, still, np.ones(8, complex))
    part = SteadyPart(pattern, fit_time_base(time_s), ())
    spared = beside_fade(part, pattern.rows, flash)
    assert (spared.time.time_s[0], spared.time.time_s[-1]) == pytest.approx(kept, abs=0.35)
    assert [note.code for note in spared.notes] == (["dots-fade"] if kept != (0.0, 10.0) else [])
    assert beside_fade(part, pattern.rows, None) is part


def test_a_change_with_no_part_long_enough_is_refused() -> None:
    light = np.where(np.arange(130) < 66, 60.0, 120.0)
    with pytest.raises(Refused, match="The light or the exposure changes in the clip, and the longest part without"):
        part_of(pattern_of(np.full(130, 8.0), light))


def test_a_leap_of_the_picture_is_refused() -> None:
    settled = from_frame(60, 330)
    with pytest.raises(Refused, match="leaps by 19 pixels"):
        part_of(pattern_of(settled, np.full(330, 90.0), shift_px=19.0))
    assert part_of(pattern_of(settled, np.full(330, 90.0), shift_px=3.0))[2] == ["speed-changed"]


def followed(dots: np.ndarray[Any, Any]) -> tuple[Any, TimeBase]:
    """A reading in which so many dots have passed at each frame, all of them lit."""
    line = SimpleNamespace(dots=dots, lit=np.ones(dots.size, bool))
    return SimpleNamespace(line=line, evidence=SimpleNamespace(amplitude=np.ones(dots.size, complex))), fit_time_base(
        np.arange(dots.size) / RATE_HZ
    )


def test_dots_that_jump_are_refused_and_a_platter_that_changes_its_speed_at_once_is_not() -> None:
    time_s = np.arange(180) / RATE_HZ
    wobble = 0.05 * np.sin(2 * np.pi * 0.56 * time_s) + np.random.default_rng(3).normal(0, 0.002, 180)
    even = 100 * time_s + wobble
    check_continuity(*followed(even))
    check_continuity(*followed(even + 2.5 * np.maximum(time_s - 3, 0)))
    with pytest.raises(Refused, match=r"bad-timing: The dots jump by 0.3\d of a gap .* at 3.0 s"):
        check_continuity(*followed(even + 0.35 * (time_s >= 3)))


def test_a_turn_that_contradicts_a_count_is_told_with_the_digits_that_differ() -> None:
    """At the nominal speed by the turn, 1.1 % beside it by the count."""
    period_s = np.geomspace(0.6, 4.4, 1500)
    likeness = np.exp(-0.5 * ((period_s / 1.8 - 1) / 0.002) ** 2)
    evidence: Any = SimpleNamespace(turns=TurnSignature(period_s, likeness, 0.05, 1.8), travel=None, lit_share=1.0)
    line: Any = SimpleNamespace(dot_rate_hz=100.0, dots=np.linspace(0, 1800, 540))
    lamp: Any = None
    counted = Hypothesis(evidence, lamp, 100 / 3, 178, line, 0.0, 0.0, (178,))
    said = r"One turn takes 1\.80 s here, so the platter turns at about 33\.33 rpm; read as 178 dots .* turn at 33\.71"
    with pytest.raises(Refused, match=said):
        choose([counted], at(100 / 3))
    assert choose([replace(counted, dots=180)], at(100 / 3))[1] == 0


@pytest.mark.parametrize(
    ("source", "seconds", "gap"), [("nominal", 10, 0.1 + 0.1), ("measured", 10, 0.1), ("measured", 5, 1.3 * 0.1)]
)
def test_a_lamp_that_may_time_the_dots_may_itself_be_off(source: str, seconds: float, gap: float) -> None:
    """0.1 % from lamp to camera; a mains of 60 Hz that is only supposed adds the 0.1 % that it may be off.

    In 5 s the two part by 0.6 of a dot, and one that is 0.23 as strong bends the other away by up to 0.23 / 0.77.
    """
    evidence: Any = SimpleNamespace(turns=None, travel=None, lit_share=1.0)
    lamp: Any = SimpleNamespace(source=source, nominal_hz=120.0, flash=None, mains_hz=60.0)
    dots = np.array([0.0, 119.88 * seconds])
    by_camera: Any = SimpleNamespace(kind="camera", dot_rate_hz=119.88, dots=dots, swing_cycles=0.0)
    by_lamp: Any = SimpleNamespace(kind="lamp", dot_rate_hz=120.0, dots=dots, swing_cycles=0.0)
    best, rival = (Hypothesis(evidence, lamp, 100 / 3, 216, one, 0.0, 0.0, (216,)) for one in (by_camera, by_lamp))
    assert choose([best, rival], at(100 / 3))[1] == pytest.approx(gap, abs=0.001)


@pytest.mark.parametrize(("camera_hz", "gap"), [(119.932, 0.0567), (120.6, 0.0)])
def test_the_time_of_a_turn_does_not_part_lines_closer_than_it_is_good_to(camera_hz: float, gap: float) -> None:
    """Scores differ by 3.6 for turn and rows, and not at all for the line; 0.6 % apart that does part them."""
    evidence: Any = SimpleNamespace(turns=None, travel=None, lit_share=1.0)
    lamp: Any = SimpleNamespace(source="measured", nominal_hz=120.0, flash=None, mains_hz=60.0)
    lines: Any = [
        SimpleNamespace(kind=kind, dot_rate_hz=hz, dots=np.array([0.0, 30 * hz]), swing_cycles=0.0)
        for kind, hz in (("lamp", 120.0), ("camera", camera_hz))
    ]
    best, rival = (
        Hypothesis(evidence, lamp, 45.0, 160, one, score, 14.0, (160,), -0.1)
        for one, score in zip(lines, (11.6, 8.0), strict=True)
    )
    assert choose([best, rival], at(45.0))[1] == pytest.approx(gap, abs=0.0002)


@pytest.mark.parametrize(("against", "clear"), [(0.8, True), (1.5, False)])
def test_a_swing_alone_does_not_overrule_a_speed_that_is_far_likelier(against: float, clear: bool) -> None:
    """4.2 % fast or right: the lamp's swing speaks for the first by 4, and by so much less all else for the other."""
    evidence: Any = SimpleNamespace(turns=None, travel=None, lit_share=1.0)
    lamp: Any = SimpleNamespace(source="measured", nominal_hz=120.0, flash=None, mains_hz=60.0)
    camera: Any = SimpleNamespace(kind="camera", dot_rate_hz=125.12, swing_cycles=50.0)
    by_lamp: Any = SimpleNamespace(kind="lamp", dot_rate_hz=120.07, swing_cycles=50.0)
    best = Hypothesis(evidence, lamp, 45.0, 160, camera, 2.0 - against, 0.0, (160,), 2.0)
    rival = Hypothesis(evidence, lamp, 45.0, 160, by_lamp, -2.0, 0.0, (160,), -2.0)
    if clear:
        assert choose([best, rival], at(45.0))[0] is best
    else:
        with pytest.raises(Refused, match=r"two ways: 46.920 rpm \(160 dots, camera-timed\)"):
            choose([best, rival], at(45.0))


def looks(rate_hz: float, deviation_percent: float, lit: Any) -> tuple[Hypothesis, Any]:
    """180 dots at 33 1/3 rpm for 10 s, of which some frames show the dots."""
    time_s = np.arange(round(10 * rate_hz)) / rate_hz
    line: Any = SimpleNamespace(
        dot_rate_hz=100 * (1 + deviation_percent / 100), lit=np.asarray(lit(np.arange(time_s.size)))
    )
    evidence: Any = SimpleNamespace(turns=None, travel=None, lit_share=0.5)
    lamp: Any = None
    return Hypothesis(evidence, lamp, 100 / 3, 180, line, 0.0, 0.0, (180,)), fit_time_base(time_s)


@pytest.mark.parametrize(
    ("rate_hz", "deviation_percent", "each", "other"),
    [
        (24.0, -4.0, 2, 8.0),
        (24.0, 4.1, 2, -7.9),
        (24.0, 2.0, 2, None),
        (12.0, -5.0, 1, 7.0),
        (24.0, -4.0, 1, None),
        (60.0, -6.0, 3, None),
    ],
)
def test_a_speed_that_looks_like_another_in_reach_is_refused(
    rate_hz: float, deviation_percent: float, each: int, other: float | None
) -> None:
    """100 dots a second looked at 12 times: speeds 12 % apart look alike, 20 times: 20 % apart (closed form)."""
    chosen, time = looks(rate_hz, deviation_percent, lambda k: k % each == 0)
    if other is None:
        check_alias(chosen, time)
    else:
        told = re.escape(f"{deviation_percent:+.1f} % off, but from look to look {other:+.1f} %")
        with pytest.raises(Refused, match=told):
            check_alias(chosen, time)
    rows: Any = SimpleNamespace(turns=None, travel=None, lit_share=1)
    check_alias(replace(chosen, counts=(180, 216), evidence=rows), time)


def test_looks_at_no_even_pace_tell_speeds_apart() -> None:
    rng = np.random.default_rng(4)
    check_alias(*looks(24.0, -4.0, lambda k: rng.random(k.size) < 0.5))


@pytest.mark.parametrize(("flash", "seen", "refused"), [(None, 0.0, True), (None, 14.0, False), ("seen", 0.0, False)])
def test_a_flicker_that_is_not_seen_tells_no_mains(flash: Any, seen: float, refused: bool) -> None:
    """216 dots by the camera or 180 by a lamp whose flicker a shutter of whole flashes hides: 3 between them."""
    period_s = np.geomspace(0.6, 4.4, 1500)
    turn_s = 60 / 33.88
    likeness = 0.9 * np.exp(-0.5 * ((period_s / turn_s - 1) / 0.002) ** 2)
    turns = TurnSignature(period_s, likeness, 0.9 / seen, turn_s) if seen else None
    evidence: Any = SimpleNamespace(turns=turns, travel=None, lit_share=1.0)
    lamps: list[Any] = [
        SimpleNamespace(mains_hz=hz, source="nominal", nominal_hz=2 * hz, flash=flash) for hz in (60, 50)
    ]
    camera: Any = SimpleNamespace(kind="camera", dot_rate_hz=121.97, swing_cycles=0.0, dots=np.linspace(0, 1219.7, 300))
    by_lamp: Any = SimpleNamespace(kind="lamp", dot_rate_hz=101.97, swing_cycles=0.0)
    best = Hypothesis(evidence, lamps[0], 100 / 3, 216, camera, -0.2, seen, (216,))
    rival = Hypothesis(evidence, lamps[1], 100 / 3, 180, by_lamp, -3.0, 0.0, (180,))
    if refused:
        with pytest.raises(Refused, match="two ways"):
            choose([best, rival], at(100 / 3))
    else:
        assert choose([best, rival], at(100 / 3))[0] is best


@pytest.mark.parametrize(
    ("amplitude", "noise_dots", "clear"), [(10.6, 3.4e-3, True), (30, 3.4e-3, False), (10.6, 6e-4, False)]
)
def test_scenery_that_runs_otherwise_says_nothing_against_dots(
    amplitude: float, noise_dots: float, clear: bool
) -> None:
    """A row a quarter as strong and eight times as rough; as strong, or as smooth, it may be the dots."""
    lamp: Any = SimpleNamespace(source="measured", nominal_hz=100.0, flash=None, mains_hz=60.0)
    rows: Any = [
        SimpleNamespace(turns=None, travel=None, lit_share=1.0, row=SimpleNamespace(amplitude=one))
        for one in (42.3, amplitude)
    ]
    dots: Any = SimpleNamespace(kind="lamp", dot_rate_hz=101.2, swing_cycles=50.0, noise_dots=4e-4)
    scenery: Any = SimpleNamespace(kind="lamp", dot_rate_hz=103.5, swing_cycles=50.0, noise_dots=noise_dots)
    best = Hypothesis(rows[0], lamp, 45.0, 133, dots, 1.8, 0.0, (133, 0), 2.0)
    rival = Hypothesis(rows[1], lamp, 45.0, 133, scenery, 0.6, 0.0, (0, 133), 2.0)
    if clear:
        assert choose([best, rival], at(45.0))[0] is best
    else:
        with pytest.raises(Refused, match="two ways"):
            choose([best, rival], at(45.0))


@pytest.mark.parametrize(("turn_s", "agrees"), [(3.6, True), (1.8, True), (3.4, False)])
def test_where_few_frames_are_lit_two_turns_may_pass_for_one(turn_s: float, agrees: bool) -> None:
    """At 240 pictures a second under 100 flashes a twentieth of a second brings lit ones onto lit ones, a turn not."""
    period_s = np.geomspace(0.6, 4.4, 1500)
    likeness = np.exp(-0.5 * ((period_s / turn_s - 1) / 0.002) ** 2)
    evidence: Any = SimpleNamespace(turns=TurnSignature(period_s, likeness, 0.05, turn_s), travel=None, lit_share=0.4)
    line: Any = SimpleNamespace(dot_rate_hz=100.2, dots=np.linspace(0, 1800, 540))
    lamp: Any = None
    counted = Hypothesis(evidence, lamp, 100 / 3, 180, line, 0.0, 0.0, (180,))
    if agrees:
        assert choose([counted], at(100 / 3))[0] is counted
    else:
        with pytest.raises(Refused, match=r"One turn takes 3\.40 s"):
            choose([counted], at(100 / 3))


@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_a_dimmed_lamp_is_looked_for_however_many_frames_are_missing(missing: float) -> None:
    """Its 247 flashes a second fold to 7 Hz; where the rate changes no fold is one line."""
    rng = np.random.default_rng(2)
    for frames_s in (np.arange(300) / 30, np.concatenate([np.arange(150) / 30, 5 + np.arange(120) / 24])):
        kept = frames_s[np.sort(rng.choice(frames_s.size, round((1 - missing) * frames_s.size), replace=False))]
        places = kept[:, None] + np.linspace(0, 0.018, 48)
        brightness = 90 * (1 + 0.1 * np.cos(2 * np.pi * 247 * places)) + 0.2 * rng.standard_normal(places.shape)
        look = Impression(90.0, 0.0, 1.0, False, 0.0)
        course = CameraCourse.unseen(kept.size)
        pattern = PatternReading(kept, (), brightness, True, course, False, "luma", look)
        (lamp, *others) = lamps_of(pattern, (), fit_time_base(kept), None, "mains")
        even = frames_s.size == 300
        assert (lamp.kind == "dimmed") == even
        assert bool(others) != even


def test_far_from_any_speed_nothing_but_the_dots_is_not_enough() -> None:
    """By another alias of the same dots the speed is as likely; a turn that is seen bears it out."""
    evidence: Any = SimpleNamespace(turns=None, travel=None, lit_share=1.0)
    line: Any = SimpleNamespace(
        dot_rate_hz=180 * 100 / 3 / 60 * 1.12, kind="camera", swing_cycles=0.0, dots=np.zeros(9)
    )
    lamp: Any = SimpleNamespace(source=None, nominal_hz=None, flash=None, mains_hz=60.0)
    far = Hypothesis(evidence, lamp, 100 / 3, 180, line, 0.0, 0.0, (180,))
    with pytest.raises(Refused, match="12 % from"):
        choose([far], at(100 / 3))
    assert choose([replace(far, counts=(180, 216))], at(100 / 3))[1] == 0


ALL_TOLD = Told(CameraClock(), 100 / 3, 180, 60.0, 110.5, 239.76)


@pytest.mark.parametrize(
    ("told", "advice"),
    [
        (NOTHING, "Say what is known with --rpm, --dots, --mains, --lamp and --capture-rate"),
        (
            ALL_TOLD,
            "Check --rpm 33.33, --dots 180, --mains 60, --lamp 110.5 and --capture-rate 239.76, or leave them out",
        ),
        (
            replace(NOTHING, dots=90),
            "Check --dots 90, or leave it out; say what is known with --rpm, --mains, --lamp and --capture-rate",
        ),
        (
            replace(ALL_TOLD, lamp="once", found=frozenset({"--rpm", "--dots"})),
            "Check --mains 60, --lamp once and --capture-rate 239.76, or leave them out; say what is known with --rpm "
            "and --dots",
        ),
    ],
)
def test_what_was_given_is_to_be_checked_and_the_rest_to_be_said(told: Told, advice: str) -> None:
    """What a run has found itself counts as not given."""
    assert told.advice("--rpm", "--dots", "--mains", "--lamp", "--capture-rate") == advice


def read_as(nominal_rpm: float, dots: int, rpm: float, *, turn_s: float | None = None, **evidence: Any) -> Hypothesis:
    """A row read by the camera, whose dots come round after `turn_s` where that is seen."""
    period_s = np.geomspace(0.6, 4.4, 1500)
    turns = None
    if turn_s is not None:
        turns = TurnSignature(period_s, np.exp(-0.5 * ((period_s / turn_s - 1) / 0.002) ** 2), 0.05, turn_s)
    hz = dots * rpm / 60
    known: Any = SimpleNamespace(
        **({"turns": turns, "travel": None, "lit_share": 1.0, "row": SimpleNamespace(amplitude=40.0)} | evidence)
    )
    lamp: Any = SimpleNamespace(source="measured", nominal_hz=120.0, flash=None, mains_hz=60.0)
    line: Any = SimpleNamespace(kind="camera", dot_rate_hz=hz, swing_cycles=0.0, dots=np.linspace(0, 18 * hz, 540))
    return Hypothesis(known, lamp, nominal_rpm, dots, line, 0.0, 0.0, (dots,))


def refused_by_flat(told: Told) -> None:
    refuse_what_is_flat(row(dots_in_view=40.0, crowding=0.0), 180, told)


def refused_by_mark(told: Told) -> None:
    index: Any = SimpleNamespace(agrees=False, turns=6.0, difference_percent=0.5, turn_s=1.8, mean_rpm=100 / 3)
    refuse_by_mark(index, told, pattern="dots")


OTHER_PACE = SimpleNamespace(rate_hz=80.0, share=lambda _: 0.0)


@pytest.mark.parametrize(
    ("refuse", "advice", "with_all"),
    [
        (
            lambda told: choose([read_as(45.0, 90, 45.0)], replace(told, nominal_rpm=None)),
            "Say the nominal speed with --rpm and the count of the dots with --dots.",
            "Say the nominal speed with --rpm. Check --dots 180, or leave it out.",
        ),
        (
            lambda told: choose([read_as(100 / 3, 180, 37.4)], replace(told, nominal_rpm=100 / 3)),
            "Check --rpm 33.33, or leave it out; say what is known with --dots and --mains. See whether the clip is "
            "slow motion; or film three turns and more.",
            "Check --rpm 33.33, --dots 180, --mains 60 and --capture-rate 239.76, or leave them out; or film three "
            "turns and more.",
        ),
        (
            lambda told: choose([read_as(45.0, 160, 45.0), read_as(45.0, 160, 44.0)], replace(told, nominal_rpm=45.0)),
            "Check --rpm 45, or leave it out; say what is known with --dots, --mains and --lamp; or film again at "
            "another frame rate.",
            "Check --rpm 45, --dots 180, --mains 60 and --lamp 110.5, or leave them out; or film again at another "
            "frame rate.",
        ),
        (
            lambda told: choose([read_as(100 / 3, 180, 33.4, travel=OTHER_PACE)], told),
            "Say what is known with --mains, --rpm and --dots. The wrong mains makes such a difference.",
            "Check --lamp 110.5, --mains 60, --rpm 33.33 and --dots 180, or leave them out. The wrong lamp makes such "
            "a difference.",
        ),
        (
            lambda told: choose([read_as(100 / 3, 178, 33.71, turn_s=1.8)], told),
            "If the clip is a mirror image, say so with --mirrored; else count the dots of the ring for --dots.",
            "Check --dots 180, or leave it out; or if the clip is a mirror image, say so with --mirrored.",
        ),
        (
            lambda told: choose([read_as(100 / 3, 178, 33.71, turn_s=1.8)], replace(told, mirrored=True)),
            "If the clip is no mirror image, leave --mirrored out; else count the dots of the ring for --dots.",
            "Check --dots 180, or leave it out; or if the clip is no mirror image, leave --mirrored out.",
        ),
        (
            lambda told: choose([read_as(100 / 3, 180, 33.4, turn_s=4 / 3)], told),
            "Measure again with --rpm 45 and, if the ring is an unusual one, --dots with its count.",
            "Measure again with --rpm 45 in place of 33.33. Check --dots 180, or leave it out.",
        ),
        (
            lambda told: refuse_unusual_count(read_as(45.0, 171, 45.0), replace(told, dots=None)),
            "Count the dots of one turn and say so with --dots, and the nominal speed with --rpm.",
            "Count the dots of one turn and say so with --dots. Check --rpm 33.33 and --lamp 110.5, or leave them out.",
        ),
        (
            lambda told: refuse_unusual_count(read_as(45.0, 171, 45.0), replace(told, dots=None, mirrored=True)),
            "If the clip is no mirror image, leave --mirrored out. Count the dots of one turn and say so with --dots, "
            "and the nominal speed with --rpm.",
            "If the clip is no mirror image, leave --mirrored out. Count the dots of one turn and say so with --dots. "
            "Check --rpm 33.33 and --lamp 110.5, or leave them out.",
        ),
        (
            refused_by_flat,
            "Film the rim of the platter from outside.",
            "Film the rim of the platter from outside. Check --dots 180, or leave it out.",
        ),
        (
            refused_by_mark,
            "Count the dots of one turn for --dots. Say what is known with --mains and --lamp.",
            "Check --dots 180, --mains 60 and --lamp 110.5, or leave them out.",
        ),
    ],
)
def test_an_option_that_was_given_is_not_asked_for_as_if_it_was_not(
    refuse: Callable[[Told], object], advice: str, with_all: str
) -> None:
    for told, expected in ((NOTHING, advice), (ALL_TOLD, with_all)):
        with pytest.raises(Refused) as refusal:
            refuse(told)
        assert refusal.value.advice == expected


def flickering(cycles_down: float, hz: float = 2.4) -> np.ndarray[Any, Any]:
    """Brightness (frames, bins) that flickers slowly, later by so many cycles from the top of the picture down."""
    time_s = np.arange(300) / RATE_HZ
    place = (np.arange(48) + 0.5) / 48
    noise = 0.001 * np.random.default_rng(2).standard_normal((300, 48))
    return 100 * (1 + 0.01 * np.cos(2 * np.pi * (hz * time_s[:, None] - cycles_down * place)) + noise)


@pytest.mark.parametrize("hz", [14.5, 14.84, 14.9])
def test_a_flicker_is_found_up_to_half_the_frame_rate(hz: float) -> None:
    """525 flashes a second less a hundredth show so in 30 pictures; the last look like 15 but for a slow beat."""
    found = find_flicker(flickering(7.8, hz), np.arange(300) / RATE_HZ, interval_s=1 / RATE_HZ)
    assert found == pytest.approx(hz, abs=0.03)


@pytest.mark.parametrize(("cycles_down", "seen"), [(7.8, True), (-3.0, True), (0.0, False)])
def test_a_slow_flicker_is_a_lamps_where_it_runs_along_the_picture(cycles_down: float, seen: bool) -> None:
    """A rolling shutter of 15 ms shows eight cycles of 520 flashes; a shadow of the platter is alike everywhere."""
    found = find_flicker(flickering(cycles_down), np.arange(300) / RATE_HZ, interval_s=1 / RATE_HZ)
    assert (found == pytest.approx(2.4, abs=0.01)) if seen else found is None


@pytest.mark.parametrize("cycles_down", [10.65, -6.0, 0.0])
def test_a_flicker_too_faint_in_each_bin_is_found_where_it_runs_along_the_picture(cycles_down: float) -> None:
    """880.6 flashes behind a shutter of 3.02 of them: 0.04 % in noise of 0.1 %; what all bins share may be anything."""
    light = 100 + 0.04 * (flickering(cycles_down, 11.44) - flickering(cycles_down, 0.0)) + flickering(0.0, 0.0) - 100
    found = find_flicker(light, np.arange(300) / RATE_HZ, interval_s=1 / RATE_HZ)
    assert (found == pytest.approx(11.44, abs=0.03)) if cycles_down else found is None
    shaken = light[np.random.default_rng(5).permutation(300)]
    assert find_flicker(shaken, np.arange(300) / RATE_HZ, interval_s=1 / RATE_HZ) is None


@pytest.mark.parametrize(("told_hz", "refused"), [(95.0, True), (90.0, False), (500.0, False)])
def test_a_lamp_that_was_told_and_does_not_make_the_flicker_is_refused(told_hz: float, refused: bool) -> None:
    """10 Hz in 30 pictures, as 500 flashes make it; 95 make 5 Hz, and 90 keep step with the frames."""
    pattern = replace(pattern_of(np.full(300, 8.0), np.full(300, 90.0)), brightness=flickering(2.0, 10.0))
    time = fit_time_base(np.arange(300) / RATE_HZ)
    if refused:
        with pytest.raises(Refused, match=r"flickers 10\.00 times a second in these pictures, which a lamp of 95"):
            lamps_of(pattern, (), time, 50.0, told_hz)
    else:
        assert lamps_of(pattern, (), time, 50.0, told_hz)[0].kind == "given"


@pytest.mark.parametrize("third", [0.3, 0.0])
def test_a_slower_flicker_is_known_by_its_multiples(third: float) -> None:
    """358 flashes in 29.97 pictures fold to 1.57 Hz, and three times that to 4.71 Hz, where alone it would be sought.

    Without that it may be bands of the mains' lamp that creep, and is left to who looks for those.
    """
    light = flickering(7.8, 1.57) / 90 - 1
    light += third * (flickering(23.4, 4.71) / 90 - 1)
    found = find_flicker(90 * (1 + light), np.arange(300) / RATE_HZ, interval_s=1 / RATE_HZ)
    assert found == (pytest.approx(1.57, abs=0.03) if third else None)


@pytest.mark.parametrize(("dimmed", "kind"), [(True, "dimmed"), (False, "mains")])
def test_flicker_that_the_dots_alone_show_is_seen_and_wobble_is_not(dimmed: bool, kind: str) -> None:
    """One line a flash rate below that of the dots swings size and phase alike; a wobble swings the phase alone."""
    time_s = np.arange(300) / RATE_HZ
    swing = 0.12 * np.exp(-2j * np.pi * 13.36 * time_s) if dimmed else 0.12j * np.sin(2 * np.pi * 13.36 * time_s)
    still = pattern_of(np.full(300, 8.0), np.full(300, 90.0))
    blocks = still.rows[0].blocks * np.exp(swing)[:, None].astype(np.complex64)
    shown = replace(still, rows=(replace(still.rows[0], blocks=blocks),))
    assert lamps_of(shown, shown.rows, fit_time_base(shown.time_s), 50.0, "mains")[0].kind == kind


@pytest.mark.parametrize(("lines_hz", "found_hz"), [((6.45, 12.9), 6.45), (tuple(1.29 * np.arange(2, 11)), None)])
def test_dirt_that_comes_by_once_a_turn_is_no_dimmed_lamp(lines_hz: tuple[float, ...], found_hz: float | None) -> None:
    """A lamp makes one line and its multiples; what turns at 77.4 rpm makes many."""
    time_s = np.arange(300) / RATE_HZ
    sizes = {hz: 1e-3 if abs(hz - 6.45) < 0.01 else 7e-4 for hz in lines_hz}
    light = np.sum([size * np.cos(2 * np.pi * hz * time_s + hz) for hz, size in sizes.items()], axis=0) + 1
    noise = 1e-4 * np.random.default_rng(1).standard_normal((300, 48))
    found = find_flicker(90 * (light[:, None] + noise), time_s, interval_s=1 / RATE_HZ)
    assert found == (None if found_hz is None else pytest.approx(found_hz, abs=0.02))


@pytest.mark.parametrize(("lamp_hz", "seen"), [(100.03, True), (None, False)])
def test_a_lamp_that_lights_only_the_dots_is_measured_on_them_though_it_swings_them_faintly(
    lamp_hz: float | None, seen: bool
) -> None:
    """Beside a still row that is clearer; an amplitude that dirt changes in many ways tells nothing."""
    time_s = np.arange(300) / 29.97
    rng = np.random.default_rng(3)
    swings = {0.76 * k: 0.03 for k in range(1, 8)} if lamp_hz is None else {lamp_hz: 0.12, 2 * lamp_hz: 0.05}
    size = 1 + sum(one * np.cos(2 * np.pi * hz * time_s + hz) for hz, one in swings.items())
    dots = size * np.exp(2j * np.pi * 0.8 * time_s) + 0.004 * rng.standard_normal(300)
    moving = row(blocks=dots[:, None].repeat(4, 1).astype(np.complex64), amplitude=5.0)
    still = row(blocks=np.ones((300, 4), np.complex64), amplitude=9.0)
    pattern = replace(pattern_of(np.full(300, 8.0), np.full(300, 90.0)), time_s=time_s, rows=(moving, still))
    (lamp,) = lamps_of(pattern, (moving,), fit_time_base(time_s), 50.0, "mains")
    assert (lamp.flash is not None) == seen
    if lamp.flash is not None:
        assert lamp.flash.rate_hz == pytest.approx(lamp_hz, abs=0.003)
        assert lamp.flash.uncertainty_hz < 0.003


def test_harmonics_that_fold_onto_each_other_leave_the_rate_unsure() -> None:
    """100.012 and 200.024 flashes show at 10.01 and 9.98 Hz in 30 pictures."""
    time_s = np.arange(300) / RATE_HZ
    found = 0
    for phase in (0.3, 1.4, 2.9, 4.6):
        size = 1 + 0.15 * np.cos(2 * np.pi * 100.012 * time_s) + 0.1 * np.cos(2 * np.pi * 200.024 * time_s + phase)
        moving = row(blocks=(size * np.exp(2j * np.pi * 0.8 * time_s))[:, None].repeat(4, 1).astype(np.complex64))
        pattern = pattern_of(np.full(300, 8.0), np.full(300, 90.0))
        (lamp,) = lamps_of(pattern, (moving,), fit_time_base(time_s), 50.0, "mains")
        if lamp.flash is not None:
            found += 1
            assert abs(lamp.flash.rate_hz - 100.012) < 2 * lamp.flash.uncertainty_hz
    assert found > 1


@pytest.mark.parametrize(
    ("hz", "swing", "seen"), [(1.63, 0.27, True), (1.63, 0.04, False), (1.48, 0.27, False), (3.1, 0.1, True)]
)
def test_light_that_folds_low_swings_the_dots_and_no_wobble_does(hz: float, swing: float, seen: bool) -> None:
    """At 0.74 turns a second twice a turn is dirt's, or a hot spot's; 0.04 may be blur."""
    time = fit_time_base(np.arange(300) / RATE_HZ)
    size = 40 * (
        1 + swing * np.cos(2 * np.pi * hz * time.time_s) + 0.01 * np.random.default_rng(5).standard_normal(300)
    )
    cycles = slow_flicker(size, time, 0.74)
    assert (cycles is not None) == seen
    if cycles is not None:
        assert float(np.ptp(cycles)) == pytest.approx(hz * time.duration_s, abs=0.05)


@pytest.mark.parametrize(("hz", "kind"), [(9.48, "dimmed"), (9.9, "mains")])
def test_half_the_mains_flashes_fold_no_farther_off_than_a_mains_wanders(hz: float, kind: str) -> None:
    """60 of 120 flashes show at 10 Hz in 25 pictures, within half a percent of 60 Hz."""
    time_s = np.arange(250) / 25
    blocks = (np.exp(2j * np.pi * 4.4 * time_s) * (1 + 0.15 * np.cos(2 * np.pi * hz * time_s)))[:, None].repeat(4, 1)
    shown = replace(pattern_of(np.full(250, 8.0), np.full(250, 90.0)), time_s=time_s)
    moving = row(blocks=blocks.astype(np.complex64))
    assert lamps_of(shown, (moving,), fit_time_base(time_s), 60.0, "mains")[0].kind == kind


@pytest.mark.parametrize(("sweep_cycles", "unsure"), [(1.54, True), (3.08, False)])
def test_bands_that_creep_may_be_of_a_lamp_that_flashes_once_a_cycle(sweep_cycles: float, unsure: bool) -> None:
    """59.963 + 60 and 2 (59.94 + 0.0415) flashes creep alike in 29.97 pictures; a picture holds but two of 60."""
    time_s = np.arange(300) / 29.97
    place = (np.arange(48) + 0.5) / 48
    cycles = 119.963 * time_s[:, None] + sweep_cycles * place
    noise = 0.3 * np.random.default_rng(6).standard_normal((300, 48))
    pattern = replace(
        pattern_of(np.full(300, 8.0), np.full(300, 90.0)),
        time_s=time_s,
        brightness=90 * (1 + 0.3 * np.cos(2 * np.pi * cycles)) + noise,
        sweep_known=True,
    )
    (lamp,) = lamps_of(pattern, (), fit_time_base(time_s), 60.0, "mains")
    assert lamp.flash is not None
    assert (2 * lamp.flash.uncertainty_hz > 0.08) == unsure


@pytest.mark.parametrize("uneven", [0.0, 0.03])
def test_half_waves_of_other_light_are_seen_beside_a_harmonic_that_folds_near(uneven: float) -> None:
    """119.914 flashes in 50 pictures: their half folds to 9.957 Hz, and four times that to 10.172 Hz.

    Half waves that are alike leave no doubt about the rate: no lamp of 60 flashes makes bands at 19.9 Hz here.
    """
    time_s = np.arange(500) / 50
    place = (np.arange(48) + 0.5) / 48
    half = 2 * np.pi * (59.957 * time_s[:, None] + 0.5 * place)
    light = 1 + 0.1 * np.cos(2 * half) + 0.01 * np.cos(4 * half) + uneven * np.cos(half)
    noise = 0.2 * np.random.default_rng(8).standard_normal((500, 48))
    pattern = replace(
        pattern_of(np.full(500, 8.0), np.full(500, 90.0)),
        time_s=time_s,
        brightness=90 * light + noise,
        sweep_known=True,
    )
    (lamp,) = lamps_of(pattern, (), fit_time_base(time_s), 60.0, "mains")
    assert lamp.flash is not None
    assert lamp.flash.uneven == (uneven > 0)
    assert lamp.flash.rate_hz == pytest.approx(119.914, abs=0.003)
    assert lamp.flash.uncertainty_hz < 0.01


def test_a_harmonic_that_folds_beside_a_flicker_is_no_change_of_light() -> None:
    """Of 100 flashes in 29.97 pictures the second harmonic shows 0.3 Hz beside the first: together they come and go."""
    pattern = pattern_of(np.full(300, 8.0), np.full(300, 90.0))
    at = np.arange(300)[:, None] / 29.97 + 0.015 * (np.arange(8) + 0.5) / 8
    light = 1 + 0.03 * np.cos(2 * np.pi * 100.0 * at) + 0.028 * np.cos(2 * np.pi * 200.0 * at + 0.4)
    noise = 0.001 * np.random.default_rng(3).standard_normal((300, 8))
    steady = replace(pattern, time_s=np.arange(300) / 29.97, brightness=90 * (light + noise))
    assert steady_part(steady, fit_time_base(steady.time_s)).notes == ()
    before = np.arange(300)[:, None] < 140
    for then in (1 + 0.03 * np.cos(2 * np.pi * 100.0 * at + 2.0), 1 + 0.5 * (light - 1), 1 - 0.8 * (light - 1)):
        changed = replace(steady, brightness=90 * (np.where(before, light, then) + noise))
        assert [note.code for note in steady_part(changed, fit_time_base(steady.time_s)).notes] == ["light-changed"]


@pytest.mark.parametrize(("rate_hz", "wander_s"), [(30.0, 1.5e-4), (60.0, 1.4e-4)])
def test_flicker_in_frames_that_wander_is_no_change_of_light(rate_hz: float, wander_s: float) -> None:
    """100.01 flashes in pictures that are each a little early or late, for good: the beat walks with them."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        time_s = np.cumsum(1 / rate_hz + wander_s * rng.standard_normal(round(10 * rate_hz)))
        at = time_s[:, None] + 0.012 * (np.arange(8) + 0.5) / 8
        light = 1 + 0.2 * np.cos(2 * np.pi * 100.01 * at) + 0.001 * rng.standard_normal(at.shape)
        steady = pattern_of(np.full(time_s.size, 8.0), np.full(time_s.size, 90.0))
        pattern = replace(steady, time_s=time_s, brightness=90 * light)
        assert steady_part(pattern, fit_time_base(time_s)).notes == ()


def test_flicker_at_half_the_frame_rate_is_no_change_of_light() -> None:
    """120.144 flashes in 240 pictures: up and down, by much and little in turn, 0.29 times a second."""
    pattern = pattern_of(np.full(1200, 8.0), np.full(1200, 90.0))
    at = np.arange(1200)[:, None] / 240 + 0.0025 * (np.arange(8) + 0.5) / 8
    light = 1 + 0.3 * np.cos(2 * np.pi * 120.144 * at)
    noise = 0.001 * np.random.default_rng(3).standard_normal((1200, 8))
    time_s = np.arange(1200) / 240
    steady = replace(pattern, time_s=time_s, brightness=90 * (light + noise))
    assert steady_part(steady, fit_time_base(time_s)).notes == ()
